"""The staff's look at the kits that are out: who is at which step, troubles first; and all about one of them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Final

from django.db.models import Count, Q

from fulfilment.core import codes
from fulfilment.core.care import KitStage
from fulfilment.core.problems import Missing
from fulfilment.models import CareMail, Kit, Mail
from fulfilment.models import KitEvent as EventRow
from fulfilment.read import holds, links
from fulfilment.read.kit_advice import TROUBLES
from fulfilment.read.kit_page import DONE_WORDS, KitSeen, last_trouble, seen, step_titles
from fulfilment.read.kits import WITH

if TYPE_CHECKING:
    from django.db.models import QuerySet

STEPS: Final = {
    KitStage.SOLD.value: "packed, not sent",
    KitStage.SENT.value: "not started",
    KitStage.STARTED.value: "waiting for pins",
    KitStage.FRUITING.value: "fruiting",
    KitStage.RESTING.value: "resting",
    KitStage.FINISHED.value: "finished",
    KitStage.REPLACED.value: "replaced",
}
OUT: Final = (KitStage.SENT.value, KitStage.STARTED.value, KitStage.FRUITING.value, KitStage.RESTING.value)
"""Kits in somebody's kitchen."""
MOST: Final = 100
"""Kits shown at once."""


@dataclass(frozen=True, slots=True)
class KitRow:
    """One kit in the list, with who has it and what is expected next."""

    seen: KitSeen
    holder: str
    next_title: str
    next_days: tuple[date, date] | None
    overdue: bool


@dataclass(frozen=True, slots=True)
class Case:
    """Something is wrong with a kit, and nobody has settled it."""

    row: KitRow
    trouble: str
    told_at: datetime | None
    note: str


@dataclass(frozen=True, slots=True)
class StepCount:
    key: str
    words: str
    count: int


@dataclass(frozen=True, slots=True)
class KitList:
    cases: tuple[Case, ...]
    rows: tuple[KitRow, ...]
    steps: tuple[StepCount, ...]
    in_store: int
    found: int
    """How many there are; ``rows`` holds :data:`MOST` of them."""


@dataclass(frozen=True, slots=True)
class Told:
    """One event of a kit."""

    on: date
    at: datetime
    by: str
    words: str
    flush: int
    note: str


@dataclass(frozen=True, slots=True)
class CareMailSeen:
    """A care mail planned or gone; ``state`` in a word."""

    title: str
    flush: int
    due_at: datetime
    state: str


@dataclass(frozen=True, slots=True)
class KitFile:
    """All about one kit, for the office: never shown to anybody else."""

    seen: KitSeen
    holder: str
    holder_id: str
    holder_zone: str
    unsubscribed: bool
    holder_link: str
    buyer: str
    order: str
    batch: str
    lot: str
    held: tuple[tuple[str, str], ...]
    """Holds over it: what stands on hold, and why."""
    events: tuple[Told, ...]
    mails: tuple[CareMailSeen, ...]


def listed(*, step: str = "", search: str = "", now: datetime, today: date) -> KitList:
    """Open cases, then the kits at a step (all that are out where none is named) or those that were searched for."""
    counted = dict(Kit.objects.order_by().values_list("state").annotate(Count("pk")))
    wanted = _searched(search) if search else Kit.objects.filter(state__in=[step] if step in STEPS else OUT)
    rows = [_row(each, row, today) for each, row in _with_rows(wanted.order_by("-pk")[:MOST], now=now)]
    rows.sort(key=lambda row: (not row.overdue, row.next_days or (date.max, date.max)))
    return KitList(
        cases=tuple(_cases(now=now, today=today)),
        rows=tuple(rows),
        steps=tuple(StepCount(key, words, counted.get(key, 0)) for key, words in STEPS.items()),
        in_store=counted.get(KitStage.SEALED.value, 0),
        found=wanted.count(),
    )


def file(code: str, *, now: datetime) -> KitFile:
    """One kit by its number or its joining code."""
    tidy = codes.tidy(code) or "-"
    row = Kit.objects.filter(public_id=tidy).select_related(*WITH, "batch").first()
    if row is None:
        raise Missing(f"There is no kit {code[:20]}.")
    (found,) = seen([row], now=now)
    holder, order = row.holder, row.line.order if row.line is not None else None
    return KitFile(
        seen=found,
        holder=holder.name or holder.public_id if holder is not None else "",
        holder_id=holder.public_id if holder is not None else "",
        holder_zone=holder.zone if holder is not None else "",
        unsubscribed=holder is not None and holder.unsubscribed_at is not None,
        holder_link=links.to_holder(holder, now=now) if holder is not None and holder.erased_at is None else "",
        buyer=order.buyer.name if order is not None and order.buyer is not None else "",
        order=order.public_id if order is not None else "",
        batch=row.batch.public_id,
        lot=row.lot.public_id,
        held=tuple((holds.stands_on(each), each.reason) for each in holds.over_kit(row.pk)),
        events=tuple(_told(each) for each in row.events.order_by("-pk")),
        mails=tuple(_mails(row)),
    )


def _searched(search: str) -> QuerySet[Kit]:
    """By number, joining code or order, or by a part of the buyer's or holder's name or mail address."""
    tidy = codes.tidy(search)
    if tidy:
        return Kit.objects.filter(Q(public_id=tidy) | Q(joining_code=tidy) | Q(line__order__public_id=tidy))
    text = search.strip()[:60]
    return Kit.objects.filter(
        Q(line__order__buyer__name__icontains=text)
        | Q(line__order__buyer__email__icontains=text)
        | Q(holder__name__icontains=text)
        | Q(holder__email__icontains=text)
    )


def _with_rows(kits: QuerySet[Kit], *, now: datetime) -> list[tuple[KitSeen, Kit]]:
    rows = list(kits.select_related(*WITH))
    by_id = {row.public_id: row for row in rows}
    return [(each, by_id[each.kit.public_id]) for each in seen(rows, now=now)]


def _row(each: KitSeen, row: Kit, today: date) -> KitRow:
    following = next((step for step in each.steps if step.state == "next"), None)
    return KitRow(
        seen=each,
        holder=(row.holder.name or row.holder.public_id) if row.holder is not None else "nobody yet",
        next_title=following.title if following is not None else "",
        next_days=following.days if following is not None else None,
        overdue=following is not None and following.last < today,
    )


def _cases(*, now: datetime, today: date) -> list[Case]:
    """Trouble that neither growth nor a person has settled; the longest open first."""
    told = EventRow.objects.filter(kind="trouble", kit__state__in=OUT).values("kit")
    found = [(each, row) for each, row in _with_rows(Kit.objects.filter(pk__in=told), now=now) if each.kit.troubled]
    last = last_trouble([row.pk for _, row in found])
    cases = [
        Case(_row(each, row, today), TROUBLES.get(each.kit.trouble, each.kit.trouble), *last.get(row.pk, (None, "")))
        for each, row in found
    ]
    return sorted(cases, key=lambda case: case.told_at or now)


def _told(event: EventRow) -> Told:
    words = DONE_WORDS.get(event.kind, event.kind)
    if event.trouble:
        words = f"{words}: {event.trouble.replace('_', ' ')}"
    by = "the holder" if event.by.startswith("holder:") else event.by
    return Told(event.on, event.at, by, words, event.cycle, event.note)


def _mails(kit: Kit) -> list[CareMailSeen]:
    titles = step_titles()
    rows = CareMail.objects.filter(kit=kit).exclude(state=CareMail.State.CANCELLED).select_related("mail")
    return [
        CareMailSeen(
            titles.get(row.step, row.step),
            row.cycle,
            (row.mail.sent_at or row.mail.due_at) if row.mail is not None else row.due_at,
            _state(row),
        )
        for row in rows.order_by("due_at")
    ]


def _state(row: CareMail) -> str:
    if row.mail is None:
        return {"late": "too late, not sent"}.get(row.state, row.state)
    return "waiting to be sent" if row.mail.state == Mail.State.PLANNED else row.mail.state
