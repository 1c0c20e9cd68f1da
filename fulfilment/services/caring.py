"""Care mails: planned from a kit's events, moved when something is reported, handed over when they are due.

The rules are ``core.care``'s; here its answer is compared with the rows and only what differs is written.  One person's
mails are planned together, since a holder gets one care mail a day: the holder's row is locked (after the kits, before
the jobs), so that two plans of one person never meet.

What the programme sends to buyers at once (order received, sent) is queued by whoever takes the order and hands over
the parcel; its steps stand in the programme for the preview only.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Final, cast

from django.db import transaction

from fulfilment.core.calendar import farm_day
from fulfilment.core.care import (
    PROGRAMME,
    CareStep,
    DueStep,
    MailKind,
    MailStatus,
    PlannedMail,
    changes,
    check_programme,
    dates,
    dispatch,
)
from fulfilment.core.problems import Invalid, Missing
from fulfilment.models import CareMail, Holder, Kit, Mail
from fulfilment.models import CareStep as StepRow
from fulfilment.read.kits import WITH, care_of
from fulfilment.services import events, mails, rows

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

AT_ONCE: Final = 100
"""Holders planned in one transaction."""
SAFETY: Final = "safety"
"""Mails of this kind ignore hours, lateness and unsubscribing."""

Key = tuple[int, str, int]


# ---- The programme --------------------------------------------------------------------------------------------------


def lay_programme() -> list[StepRow]:
    """The programme a new farm starts with; steps that are there already stay as the farm has edited them."""
    with transaction.atomic():
        StepRow.objects.bulk_create(
            [
                StepRow(key=step.key, position=position, rule=step.as_data())
                for position, step in enumerate(PROGRAMME, start=1)
            ],
            ignore_conflicts=True,
        )
    return list(StepRow.objects.all())


def programme() -> tuple[CareStep, ...]:
    """The active steps that kits are cared for by."""
    steps = [CareStep.from_data(row.rule) for row in StepRow.objects.filter(active=True)]
    return tuple(step for step in check_programme(steps) if step.mail is not MailKind.ORDER)


def change_step(key: str, *, rule: Mapping[str, object], active: bool, by: str, now: datetime) -> StepRow:
    """Another rule for one step, from now on; every kit's mails to come are planned anew at once."""
    with transaction.atomic():
        row = StepRow.objects.select_for_update(no_key=True).filter(key=key).first()
        if row is None:
            raise Missing(f"There is no care step {key[:40]!r}.", where="key")
        step = CareStep.from_data(rule)
        if step.key != key:
            raise Invalid(
                "A step keeps its key: mails that went out are known by it.", code="other_key", where="rule.key"
            )
        row.rule, row.active = step.as_data(), active
        row.save(update_fields=["rule", "active"])
        events.record("care_step_changed", subject="care", by=by, at=now, data={"step": key, "active": active})
    plan_all(now=now)
    return row


# ---- Planning -------------------------------------------------------------------------------------------------------


def follow(kit: Kit, *, now: datetime) -> None:
    """Plan anew what this kit's holder will hear."""
    if kit.holder_id is None:
        drop(kit)
    else:
        follow_all({kit.holder_id}, now=now)


def follow_all(holders: Collection[int], *, now: datetime) -> int:
    """Plan anew for these holders, by primary key; returns how many rows were written."""
    with transaction.atomic():
        locked = _lock(holders)
        return _plan(locked, now=now) if locked else 0


def drop(kit: Kit) -> None:
    """Nobody is to hear of this kit any more."""
    CareMail.objects.filter(kit=kit, state=CareMail.State.PLANNED).update(state=CareMail.State.CANCELLED)


def plan_all(*, now: datetime) -> int:
    """The night's look at every kit that is somewhere; returns how many rows were written, none if nothing changed."""
    out = Kit.objects.filter(holder__isnull=False).exclude(state__in=["bag", "ordered", "sealed", "replaced"])
    holders = sorted(set(out.values_list("holder", flat=True)))
    return sum(follow_all(holders[first : first + AT_ONCE], now=now) for first in range(0, len(holders), AT_ONCE))


def unsubscribe(holder: str, *, by: str, now: datetime) -> Holder:
    """No more care mails; order and safety mails still come.  Asked twice, it is done once."""
    with transaction.atomic():
        row = rows.lock(Holder, holder, where="holder")
        if row.unsubscribed_at is not None:
            return row
        row.unsubscribed_at = now
        row.version += 1
        row.save(update_fields=["unsubscribed_at", "version"])
        _plan([row], now=now)
        events.record("holder_unsubscribed", subject=row.public_id, by=by, at=now)
    return row


def resubscribe(holder: str, *, by: str, now: datetime) -> Holder:
    """Care mails again, from now on: what was due meanwhile is not sent after the fact.  Asked twice, done once.

    Somebody who was erased is not there any more.
    """
    with transaction.atomic():
        row = rows.lock(Holder, holder, where="holder")
        if row.erased_at is not None:
            raise Missing("There is no such holder.", where="holder")
        if row.unsubscribed_at is None:
            return row
        row.unsubscribed_at = None
        row.version += 1
        row.save(update_fields=["unsubscribed_at", "version"])
        _plan([row], now=now)
        events.record("holder_resubscribed", subject=row.public_id, by=by, at=now)
    return row


# ---- Sending --------------------------------------------------------------------------------------------------------


def due(*, now: datetime, limit: int = AT_ONCE) -> int:
    """Hand over the care mails that are due, for up to ``limit`` holders; returns how many mails were queued.

    The rest is due still: call again while it returns ``limit`` or more.
    """
    waiting = CareMail.objects.filter(state=CareMail.State.PLANNED, due_at__lte=now)
    if not waiting.exists():
        return 0
    orphans = waiting.filter(kit__holder__isnull=True)
    orphans.update(state=CareMail.State.CANCELLED)
    holders = waiting.filter(kit__holder__isnull=False).order_by("due_at").values_list("kit__holder", flat=True)
    found = list(dict.fromkeys(holders[: 4 * limit]))[:limit]
    with transaction.atomic():
        locked = _lock(found)
        _plan(locked, now=now)
        return sum(_hand_over(person, now=now) for person in _people(locked))


@dataclass(frozen=True, slots=True)
class _Person:
    """A holder with all their kits' care and rows, as they stand."""

    holder: Holder
    kits: Mapping[int, Kit]
    due: tuple[DueStep, ...]
    rows: Mapping[Key, CareMail]

    def planned(self) -> list[PlannedMail]:
        """The rows as the core knows them, for sending.

        A row stores one instant, when its mail goes.  What the programme wanted is told from the kit as it stands; a
        row that no step calls for any more was wanted when it is due.
        """
        wanted = {(step.kit_id, step.step.key, step.cycle): step for step in self.due}
        return [self._planned(row, wanted.get(key)) for key, row in self.rows.items()]

    def before(self) -> list[PlannedMail]:
        """The rows for planning: a planned row was wanted when it is due.

        So one that gave its day to another is placed anew each time and finds the same day again, and one whose step
        has moved is seen to have moved, to whichever side.
        """
        steps = {(step.kit_id, step.step.key, step.cycle): step for step in self.due}
        return [
            self._planned(row, step if step is not None and self._holds(row, step) else None)
            for row in self.rows.values()
            for step in [steps.get((row.kit_id, row.step, row.cycle))]
        ]

    def _holds(self, row: CareMail, step: DueStep) -> bool:
        return row.state != CareMail.State.PLANNED or row.due_at == step.due_at

    def _planned(self, row: CareMail, step: DueStep | None) -> PlannedMail:
        status = _status(row)
        kit = self.kits[row.kit_id]
        order = kit.line.order_id if kit.line is not None else 0
        wanted_at = step.due_at if step is not None else row.due_at
        return PlannedMail(
            kit_id=row.kit_id,
            order_id=order,
            step=row.step,
            cycle=row.cycle,
            person=self.holder.public_id,
            zone=self.holder.zone,
            kind=MailKind.SAFETY if row.safety else MailKind.CARE,
            template=step.step.template if step is not None else row.step,
            wanted_at=wanted_at,
            due_at=row.due_at,
            envelope=f"{order}/{row.step}/{row.cycle}/{farm_day(wanted_at, self.holder.zone).isoformat()}",
            status=status,
            sent_at=row.mail.due_at if row.mail is not None else None,
            mail_id=row.mail_id,
        )


def _status(row: CareMail) -> MailStatus:
    """A queued row is as far as its mail; one that waits to be sent is out of our hands already."""
    if row.state != CareMail.State.QUEUED or row.mail is None:
        return MailStatus(row.state)
    return MailStatus.SENDING if row.mail.state == Mail.State.PLANNED else MailStatus(row.mail.state)


def _lock(holders: Collection[int]) -> list[Holder]:
    return rows.lock_all(Holder.objects.filter(pk__in=holders)) if holders else []


def _people(holders: Sequence[Holder]) -> list[_Person]:
    """These locked holders with everything about them, in a fixed number of queries."""
    kits: dict[int, dict[int, Kit]] = defaultdict(dict)
    for kit in Kit.objects.filter(holder__in=holders).select_related(*WITH).order_by("pk"):
        kits[cast(int, kit.holder_id)][kit.pk] = kit
    of_kit = {pk: holder for holder, theirs in kits.items() for pk in theirs}
    all_kits = [kit for theirs in kits.values() for kit in theirs.values()]
    steps: dict[int, list[DueStep]] = defaultdict(list)
    rules = programme()
    for care in care_of(all_kits):
        steps[of_kit[care.kit_id]] += dates(care, rules)
    mails_of: dict[int, dict[Key, CareMail]] = defaultdict(dict)
    for row in CareMail.objects.filter(kit__in=all_kits).select_related("mail").order_by("pk"):
        mails_of[of_kit[row.kit_id]][row.kit_id, row.step, row.cycle] = row
    return [
        _Person(
            holder,
            kits[holder.pk],
            tuple(steps[holder.pk]) if holder.erased_at is None else (),
            mails_of[holder.pk],
        )
        for holder in holders
    ]


def _plan(holders: Sequence[Holder], *, now: datetime) -> int:
    """Bring the rows of these locked holders to what their kits call for now; how many were written."""
    added: list[CareMail] = []
    written = 0
    fates: dict[str, list[int]] = defaultdict(list)
    for person in _people(holders):
        found = changes(person.before(), person.due, now=now)
        fates[CareMail.State.CANCELLED] += [person.rows[mail.key].pk for mail in found.cancel]
        fates[CareMail.State.LATE] += [person.rows[mail.key].pk for mail in found.late]
        for mail in (*found.add, *(move.to for move in found.move)):
            row = person.rows.get(mail.key)
            if row is None:
                added.append(
                    CareMail(
                        kit_id=mail.kit_id, step=mail.step, cycle=mail.cycle, due_at=mail.due_at,
                        safety=mail.kind is MailKind.SAFETY,
                    )
                )  # fmt: skip
            elif (row.due_at, row.state) != (mail.due_at, CareMail.State.PLANNED):
                CareMail.objects.filter(pk=row.pk).update(
                    due_at=mail.due_at, state=CareMail.State.PLANNED, mail=None, safety=mail.kind is MailKind.SAFETY
                )
                written += 1
    for state, pks in fates.items():
        if pks:
            written += CareMail.objects.filter(pk__in=pks).update(state=state)
    return written + len(CareMail.objects.bulk_create(added))


def _hand_over(person: _Person, *, now: datetime) -> int:
    """Queue what goes to this person now; the rest waits for its own instant."""
    found = dispatch(person.planned(), now=now)
    CareMail.objects.filter(pk__in=[person.rows[mail.key].pk for mail in found.late]).update(state=CareMail.State.LATE)
    for move in found.wait:
        CareMail.objects.filter(pk=person.rows[move.row.key].pk).update(due_at=move.to.due_at)
    for together in found.send:
        first = min(together, key=lambda mail: mail.key)
        mail = mails.queue(
            SAFETY if first.kind is MailKind.SAFETY else mails.CARE,
            holder=person.holder,
            subject={},
            once=f"care:{first.kit_id}:{first.step}:{first.cycle}:{now.date().isoformat()}",
            due_at=now,
            now=now,
        )
        CareMail.objects.filter(pk__in=[person.rows[each.key].pk for each in together]).update(
            state=CareMail.State.QUEUED, mail=mail
        )
    return len(found.send)
