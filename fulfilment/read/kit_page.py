"""A kit as its holder and the staff read it: where it stands, its days as ranges, what can be told of it, first advice.

No address of anybody is here: a page may be a gift receiver's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from fulfilment.core import codes
from fulfilment.core.calendar import farm_day
from fulfilment.core.care import (
    PROGRAMME,
    Anchor,
    EventKind,
    KitEvent,
    KitStage,
    Milestone,
    Warmth,
    report,
    room_warning,
    standing,
)
from fulfilment.core.care.events import HARVEST
from fulfilment.core.problems import Missing, Problem
from fulfilment.models import CareMail, CareStep, Kit
from fulfilment.models import KitEvent as EventRow
from fulfilment.read.farm import farm
from fulfilment.read.kit_advice import advice
from fulfilment.read.kits import WITH, KitView, events_of, view

if TYPE_CHECKING:
    from collections.abc import Iterable

    from django.db.models import QuerySet

    from fulfilment.models import Holder

FLUSH_WORDS: Final = ("", "first", "second", "third", "fourth", "fifth", "sixth")

WORDS: Final[Mapping[EventKind, str]] = MappingProxyType(
    {
        EventKind.STARTED: "I started it today",
        EventKind.PINS: "I see pins",
        EventKind.HARVESTED_FIRST: "I picked the first",
        EventKind.HARVESTED_ALL: "All picked",
        EventKind.REWATERED: "Watered again",
        EventKind.PAUSED: "Pause it: I am away",
        EventKind.RESUMED: "Go on",
        EventKind.FINISHED: "It is finished",
    }
)
"""What a holder can tell, as the buttons say it."""

DONE_WORDS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "sealed": "sealed", "sold": "packed for its buyer", "released": "back on sale", "sent": "sent",
        "joined": "joined by its holder", "started": "started", "pins": "pins seen", "harvested_first": "first picked",
        "harvested_all": "all picked", "rewatered": "watered again", "paused": "paused", "resumed": "goes on",
        "trouble": "something is wrong", "replaced": "replaced", "finished": "finished",
    }
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Step:
    """One line of the timeline; ``state`` is ``done`` (told), ``passed`` (never told), ``next`` or ``later``."""

    title: str
    state: str
    first: date
    last: date

    @property
    def days(self) -> tuple[date, date]:
        return self.first, self.last


@dataclass(frozen=True, slots=True)
class Choice:
    """Something that can be told of the kit now."""

    kind: str
    words: str


@dataclass(frozen=True, slots=True)
class KitSeen:
    """One kit on its holder's page."""

    kit: KitView
    joining_code: str
    tender: bool
    stands: str
    steps: tuple[Step, ...]
    main: Choice | None
    choices: tuple[Choice, ...]
    advice: tuple[str, ...]
    next_mail: tuple[str, datetime] | None
    room: str

    @property
    def days_to_pins(self) -> tuple[int, int]:
        """From the start, the earliest and the latest."""
        first, _, last = self.kit.profile.pins[Warmth(self.kit.warmth)]
        return first, last

    @property
    def over(self) -> bool:
        return self.kit.stage in (KitStage.FINISHED, KitStage.REPLACED)


@dataclass(frozen=True, slots=True)
class HolderPage:
    """The page of one holder: their kits and no other."""

    name: str
    unsubscribed: bool
    running: tuple[KitSeen, ...]
    over: tuple[KitSeen, ...]
    tender: bool
    allergens: str
    contact: str


@dataclass(frozen=True, slots=True)
class Course:
    """What is expected of a holder's kits and mails at one moment, to tell afterwards what moved."""

    milestones: Mapping[tuple[str, int], tuple[date, date, bool]]
    mails: Mapping[tuple[int, str, int], datetime]


def page(holder: Holder, *, now: datetime) -> HolderPage:
    """All kits of a holder, those in trouble first, in a fixed number of statements."""
    ours = farm()
    found = seen(list(_kits(holder)), now=now)
    return HolderPage(
        name=holder.name,
        unsubscribed=holder.unsubscribed_at is not None,
        running=tuple(each for each in found if not each.over),
        over=tuple(each for each in found if each.over),
        tender=any(each.tender for each in found),
        allergens=ours.allergen_wording,
        contact=ours.mail_from,
    )


def one(holder: Holder, code: str, *, now: datetime) -> KitSeen:
    """One kit of this holder; another's does not exist."""
    found = seen(list(_kits(holder).filter(public_id=codes.tidy(code) or "-")), now=now)
    if not found:
        raise Missing(f"There is no kit {code[:20]} on this page.")
    return found[0]


def seen(kits: Sequence[Kit], *, now: datetime) -> list[KitSeen]:
    """Kits (with what ``read.kits.WITH`` names) as pages show them, those in trouble first."""
    rows = {kit.public_id: kit for kit in kits}
    events = events_of(kits)
    mails = _next_mails(rows.values())
    return [
        _seen(each, rows[each.public_id], events[rows[each.public_id].pk], mails, now=now) for each in view(list(kits))
    ]


def course(holder: Holder, code: str, *, now: datetime) -> Course:
    """As things stand for this kit, and for all mails of its holder."""
    kit = one(holder, code, now=now).kit
    planned = CareMail.objects.filter(kit__holder=holder, state=CareMail.State.PLANNED)
    return Course(
        {(each.anchor.value, each.cycle): (each.first, each.last, each.reported) for each in kit.milestones},
        {(kit, step, cycle): due for kit, step, cycle, due in planned.values_list("kit", "step", "cycle", "due_at")},
    )  # fmt: skip


def next_expected(kit: KitView, moved_from: Course) -> Step | None:
    """The next day that is expected of the kit, where it was not expected then before."""
    steps = timeline(kit)
    following = next((step for step in steps if step.state == "next"), None)
    if following is None:
        return None
    before = {title_of(Anchor(anchor), cycle): days[:2] for (anchor, cycle), days in moved_from.milestones.items()}
    return None if before.get(following.title) == (following.first, following.last) else following


def title_of(anchor: Anchor, flush: int, *, reported: bool = False) -> str:
    """What a milestone is called."""
    which = FLUSH_WORDS[flush] if flush < len(FLUSH_WORDS) else f"{flush}th"
    later = "" if flush == 1 else f", {which} flush"
    match anchor:
        case Anchor.SENT:
            return "Sent"
        case Anchor.ARRIVED:
            return "With you"
        case Anchor.START_ON:
            return "Chosen for its start"
        case Anchor.START_BY:
            return "Start it by"
        case Anchor.STARTED:
            return "Started"
        case Anchor.PINS:
            return f"Pins{later}"
        case Anchor.READY:
            return f"First mushrooms picked{later}" if reported else f"Ready to pick{later}"
        case Anchor.PICKED:
            return f"All picked{later}"
        case Anchor.REWATER:
            return f"Watered for the {FLUSH_WORDS[min(flush + 1, 6)]} flush"
        case Anchor.END:
            return "Finished"
        case _:
            return anchor.value


def timeline(kit: KitView) -> tuple[Step, ...]:
    """The kit's days, told and expected, as far as the next flush's picking."""
    shown = [each for each in kit.milestones if _belongs(each, kit)]
    told = [place for place, each in enumerate(shown) if each.reported]
    last_told = max(told, default=-1)
    over = kit.stage in (KitStage.FINISHED, KitStage.REPLACED)
    found: list[Step] = []
    for place, each in enumerate(shown):
        if each.reported:
            state = "done"
        elif place < last_told or each.anchor is Anchor.ARRIVED:
            state = "passed"
        elif over:
            continue
        else:
            state = "later" if any(step.state == "next" for step in found) else "next"
        found.append(Step(title_of(each.anchor, each.cycle, reported=each.reported), state, each.first, each.last))
    return tuple(found)


def _belongs(each: Milestone, kit: KitView) -> bool:
    match each.anchor:
        case Anchor.SOLD:
            return False
        case Anchor.START_ON | Anchor.START_BY:
            return kit.stage in (KitStage.SOLD, KitStage.SENT)
        case Anchor.STARTED:
            return each.cycle == 1
        case Anchor.END:
            return each.reported
        case Anchor.PINS | Anchor.READY:
            return each.cycle <= kit.cycle + 1
        case _:
            return each.cycle <= kit.cycle


# ---- Parts ----------------------------------------------------------------------------------------------------------


def _kits(holder: Holder) -> QuerySet[Kit]:
    return Kit.objects.filter(holder=holder).select_related(*WITH).order_by("pk")


def _seen(
    kit: KitView,
    row: Kit,
    events: tuple[KitEvent, ...],
    mails: Mapping[int, tuple[str, datetime]],
    *,
    now: datetime,
) -> KitSeen:
    zone = row.holder.zone if row.holder is not None else farm().zone
    main, choices = _choices(kit, events, today=farm_day(now, zone), now=now)
    return KitSeen(
        kit=kit,
        joining_code=row.joining_code,
        tender=not row.lot.strain.hardy,
        stands=_stands(kit, events),
        steps=timeline(kit),
        main=main,
        choices=choices,
        advice=advice(kit, kit.trouble) if kit.troubled else (),
        next_mail=mails.get(row.pk),
        room=room_warning(kit.profile, Warmth(kit.warmth)),
    )


def _stands(kit: KitView, events: Sequence[KitEvent]) -> str:
    picked = any(event.kind in HARVEST and event.cycle == kit.cycle for event in events)
    which = FLUSH_WORDS[min(kit.cycle, 6)]
    match kit.stage:
        case KitStage.SOLD:
            says = "packed, and not yet sent"
        case KitStage.SENT:
            says = "waiting to be started"
        case KitStage.STARTED:
            says = "started, waiting for pins" if kit.cycle == 1 else f"watered, waiting for the {which} flush"
        case KitStage.FRUITING:
            says = f"being picked, {which} flush" if picked else "growing: it doubles every day"
        case KitStage.RESTING:
            says = f"resting after the {which} flush"
        case KitStage.FINISHED:
            says = "finished"
        case KitStage.REPLACED:
            says = "replaced by another kit"
        case _:
            says = kit.stage
    return says


_NEXT: Final[Mapping[str, tuple[EventKind, ...]]] = MappingProxyType(
    {
        KitStage.SENT: (EventKind.STARTED,),
        KitStage.STARTED: (EventKind.PINS,),
        KitStage.FRUITING: (EventKind.HARVESTED_FIRST, EventKind.HARVESTED_ALL),
        KitStage.RESTING: (EventKind.REWATERED,),
    }
)
"""The one thing to tell next; of two the second once the first was told."""


def _choices(
    kit: KitView, events: tuple[KitEvent, ...], *, today: date, now: datetime
) -> tuple[Choice | None, tuple[Choice, ...]]:
    """The next thing to tell, and all that can be told."""
    wanted = _NEXT.get(kit.stage, ())
    told = {event.kind for event in events if event.cycle == kit.cycle}
    first = next((kind for kind in wanted if kind not in told), wanted[-1] if wanted else None)
    possible = tuple(
        Choice(kind.value, words) for kind, words in WORDS.items() if _may_follow(kind, events, today, now)
    )
    return next((each for each in possible if first is not None and each.kind == first.value), None), possible


def _may_follow(kind: EventKind, events: tuple[KitEvent, ...], today: date, now: datetime) -> bool:
    try:
        standing((*events, report(kind, events, on=today, at=now)))
    except Problem:
        return False
    return True


def _next_mails(kits: Iterable[Kit]) -> dict[int, tuple[str, datetime]]:
    """Kit id → title and instant of its next care mail."""
    planned = CareMail.objects.filter(kit__in=list(kits), state=CareMail.State.PLANNED).order_by("-due_at")
    titles = step_titles()
    return {kit: (titles.get(step, step), due) for kit, step, due in planned.values_list("kit", "step", "due_at")}


def step_titles() -> dict[str, str]:
    """Care step → its title, as the farm has it."""
    own = {row.key: str(row.rule.get("title", row.key)) for row in CareStep.objects.all()}
    return {step.key: step.title for step in PROGRAMME} | own


def last_trouble(kits: Sequence[int]) -> dict[int, tuple[datetime, str]]:
    """Kit id → when trouble was last told, and the holder's own words."""
    told = EventRow.objects.filter(kit__in=kits, kind=EventKind.TROUBLE).order_by("pk")
    return {kit: (at, note) for kit, at, note in told.values_list("kit", "at", "note")}
