"""What has happened to one kit, and what may happen next.

A kit is one bag sold whole.  It is sealed, sold, sent, started by whoever holds it, fruits, rests, is watered again
and fruits again, until it is finished or replaced.  The states are a table (:data:`SAME_FLUSH`, :data:`NEXT_FLUSH`),
read by stage and kind of event; a pair that is not in it is refused with a sentence and changes nothing.

Some kits are sold before their bag is sealed: then ``sold`` comes first and ``sealed`` follows.  A flush is counted in
``cycle``, 1 for the first.  A resting kit knows two answers to the same report: mushrooms of the flush that is ending
(same cycle) and the first of the next one (cycle + 1), so both tables are keyed alike and the event's cycle chooses.
A pause is not a stage: the kit stays where it was, only its mails are silent, and any report of growth ends it.  So
it is with trouble: advice by programme is silent until growth is reported or a person has settled it (``resumed``).

Days are the holder's local dates, instants UTC.

>>> from datetime import UTC, date, datetime
>>> day, instant = date(2026, 3, 2), datetime(2026, 3, 2, 9, tzinfo=UTC)
>>> sealed = KitEvent(EventKind.SEALED, day, instant)
>>> state([sealed, KitEvent(EventKind.SOLD, day, instant)])
<KitStage.SOLD: 'sold'>
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from fulfilment.core.calendar import farm_day, in_words
from fulfilment.core.problems import Conflict, Invalid, Problem

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date, datetime


class EventKind(StrEnum):
    SEALED = "sealed"
    SOLD = "sold"
    RELEASED = "released"
    """Its order was cancelled before sending: the kit can be sold again."""
    SENT = "sent"
    """Given to a carrier, put on a round, or handed over at the farm."""
    JOINED = "joined"
    """Somebody else than the buyer entered the code on the box: a gift has its holder."""
    STARTED = "started"
    PINS = "pins"
    HARVESTED_FIRST = "harvested_first"
    HARVESTED_ALL = "harvested_all"
    REWATERED = "rewatered"
    PAUSED = "paused"
    RESUMED = "resumed"
    TROUBLE = "trouble"
    REPLACED = "replaced"
    FINISHED = "finished"


class KitStage(StrEnum):
    BAG = "bag"
    """A bag of a batch, neither sealed nor sold."""
    ORDERED = "ordered"
    """Sold, its bag not sealed yet."""
    SEALED = "sealed"
    SOLD = "sold"
    SENT = "sent"
    STARTED = "started"
    """Opened or watered again; no pins reported."""
    FRUITING = "fruiting"
    RESTING = "resting"
    FINISHED = "finished"
    REPLACED = "replaced"


@dataclass(frozen=True, slots=True)
class KitEvent:
    """``on`` is the day it happened for the person it happened to, ``at`` when we were told."""

    kind: EventKind
    on: date
    at: datetime
    cycle: int = 1


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a kit is after its events."""

    stage: KitStage
    cycle: int
    paused: bool = False
    troubled: bool = False


_K, _S = EventKind, KitStage
_LIVE: Final = (_S.SENT, _S.STARTED, _S.FRUITING, _S.RESTING)
_OUT: Final = (*_LIVE, _S.FINISHED)

SAME_FLUSH: Final[Mapping[tuple[KitStage, EventKind], KitStage]] = MappingProxyType(
    {
        (_S.BAG, _K.SEALED): _S.SEALED,
        (_S.BAG, _K.SOLD): _S.ORDERED,
        (_S.ORDERED, _K.SEALED): _S.SOLD,
        (_S.ORDERED, _K.RELEASED): _S.BAG,
        (_S.SEALED, _K.SOLD): _S.SOLD,
        (_S.SEALED, _K.FINISHED): _S.FINISHED,
        (_S.SOLD, _K.RELEASED): _S.SEALED,
        (_S.SOLD, _K.SENT): _S.SENT,
        (_S.SOLD, _K.REPLACED): _S.REPLACED,
        (_S.SENT, _K.STARTED): _S.STARTED,
        (_S.STARTED, _K.STARTED): _S.STARTED,  # the start's date, put right
        (_S.STARTED, _K.PINS): _S.FRUITING,
        (_S.STARTED, _K.HARVESTED_FIRST): _S.FRUITING,  # most holders report no pins
        (_S.STARTED, _K.HARVESTED_ALL): _S.RESTING,
        (_S.FRUITING, _K.HARVESTED_FIRST): _S.FRUITING,
        (_S.FRUITING, _K.HARVESTED_ALL): _S.RESTING,
        (_S.RESTING, _K.HARVESTED_ALL): _S.RESTING,  # a few late ones of the same flush
    }
    | {(stage, kind): stage for stage in _LIVE for kind in (_K.PAUSED, _K.RESUMED)}
    | {(stage, kind): stage for stage in _OUT for kind in (_K.JOINED, _K.TROUBLE)}
    | {(stage, _K.REPLACED): _S.REPLACED for stage in _OUT}
    | {(stage, _K.FINISHED): _S.FINISHED for stage in _LIVE}
)
"""Where an event of the running flush (or one that belongs to none) leads."""

NEXT_FLUSH: Final[Mapping[tuple[KitStage, EventKind], KitStage]] = MappingProxyType(
    {
        (_S.RESTING, _K.REWATERED): _S.STARTED,
        (_S.RESTING, _K.PINS): _S.FRUITING,
        (_S.RESTING, _K.HARVESTED_FIRST): _S.FRUITING,
        (_S.RESTING, _K.HARVESTED_ALL): _S.RESTING,
        # Without a word about the last mushroom of the flush before:
        (_S.FRUITING, _K.REWATERED): _S.STARTED,
        (_S.FRUITING, _K.PINS): _S.FRUITING,
        (_S.FRUITING, _K.HARVESTED_FIRST): _S.FRUITING,
        (_S.FRUITING, _K.HARVESTED_ALL): _S.RESTING,
    }
)
"""Where an event of the flush after the running one leads."""

GROWTH: Final = frozenset({_K.STARTED, _K.PINS, _K.HARVESTED_FIRST, _K.HARVESTED_ALL, _K.REWATERED})
"""Reports of a kit at work: they belong to a flush, and they end a pause."""
HARVEST: Final = frozenset({_K.HARVESTED_FIRST, _K.HARVESTED_ALL})
JOIN_AFTER_END: Final = timedelta(days=90)
SAME_FLUSH_DAYS: Final = 5
"""A harvest this soon after the last is of the same flush when nobody says which."""

_SAYS: Final[Mapping[KitStage, str]] = MappingProxyType(
    {
        _S.BAG: "it is still a bag on the farm",
        _S.ORDERED: "it is ordered but not sealed yet",
        _S.SEALED: "it is sealed and nobody has bought it",
        _S.SOLD: "it has not been sent yet",
        _S.SENT: "nobody has told us that it was started",
        _S.STARTED: "it has been started and no pins are reported",
        _S.FRUITING: "it is fruiting",
        _S.RESTING: "it is resting after a flush",
        _S.FINISHED: "it is finished",
        _S.REPLACED: "it was replaced by another kit",
    }
)
_MEANS: Final[Mapping[EventKind, str]] = MappingProxyType(
    {
        _K.SEALED: "be sealed",
        _K.SOLD: "be sold",
        _K.RELEASED: "go back on sale",
        _K.SENT: "be sent",
        _K.JOINED: "get a new holder",
        _K.STARTED: "be started",
        _K.PINS: "have pins",
        _K.HARVESTED_FIRST: "be picked",
        _K.HARVESTED_ALL: "be picked empty",
        _K.REWATERED: "be watered again",
        _K.PAUSED: "be paused",
        _K.RESUMED: "go on",
        _K.TROUBLE: "have trouble in a kitchen",
        _K.REPLACED: "be replaced",
        _K.FINISHED: "be finished",
    }
)


def state(events: Sequence[KitEvent]) -> KitStage:
    """The stage after all events, which are in the order in which they were written."""
    return standing(events).stage


def standing(events: Sequence[KitEvent]) -> Standing:
    """Stage, flush and pause after all events; :class:`Conflict` where one could not follow those before it."""
    now = Standing(KitStage.BAG, 1)
    for event in events:
        now = _after(now, event)
    return now


def check(event: KitEvent, events: Sequence[KitEvent], *, now: datetime, zone: str) -> Standing:
    """Where the kit is once ``event`` is written; raises what is wrong with it and changes nothing.

    ``zone`` is where the event happened: the holder's, or the farm's for its own.
    """
    before = standing(events)
    today = farm_day(now, zone)
    if event.on > today:
        raise Invalid(
            f"{in_words(event.on)} has not come yet: give the day it happened, {in_words(today)} at the latest.",
            code="event_in_the_future",
            where="on",
        )
    after = _after(before, event)
    last = _last_growth(events)
    if event.kind is _K.STARTED:
        _check_not_before(event, _latest(events, _K.SENT), "sent")
    elif event.kind in GROWTH:
        _check_not_before(event, last, "last reported")
    elif event.kind is _K.RESUMED:
        _check_not_before(event, _latest(events, _K.PAUSED), "paused")
    if event.kind is _K.JOINED and before.stage is _S.FINISHED:
        ended = _latest(events, _K.FINISHED)
        if ended and event.on > ended.on + JOIN_AFTER_END:
            raise Conflict(
                f"This kit was finished on {in_words(ended.on)}; its code was valid for {JOIN_AFTER_END.days} days "
                "after that. Ask the farm if you have a kit that still grows.",
                code="code_expired",
            )
    return after


def report(kind: EventKind, events: Sequence[KitEvent], *, on: date, at: datetime) -> KitEvent:
    """An event as a holder's button means it: with the flush it belongs to."""
    before = standing(events)
    cycle = before.cycle
    last = _last_growth(events)
    soon = last is not None and (on - last.on).days <= SAME_FLUSH_DAYS
    picked = any(event.kind in HARVEST and event.cycle == cycle for event in events)
    next_flush = kind is _K.REWATERED or (picked and (kind is _K.PINS or (kind in HARVEST and not soon)))
    if kind is _K.HARVESTED_FIRST and before.stage is _S.RESTING and soon:
        kind = _K.HARVESTED_ALL
    return KitEvent(kind, on, at, cycle + 1 if next_flush else cycle)


def _after(now: Standing, event: KitEvent) -> Standing:
    if event.kind in GROWTH and event.cycle != now.cycle:
        stage = NEXT_FLUSH.get((now.stage, event.kind)) if event.cycle == now.cycle + 1 else None
    else:
        stage = SAME_FLUSH.get((now.stage, event.kind))
    if stage is None:
        raise _refusal(now, event)
    if event.kind is _K.PAUSED and now.paused:
        raise Conflict("This kit is paused already. Let it go on first.", code="already_paused")
    if event.kind is _K.RESUMED and not (now.paused or now.troubled):
        raise Conflict("This kit is neither paused nor in trouble: there is nothing to go on with.", code="not_paused")
    goes_on = event.kind in GROWTH or event.kind is _K.RESUMED or stage not in _LIVE
    return Standing(
        stage=stage,
        cycle=event.cycle if event.kind in GROWTH else now.cycle,
        paused=event.kind is _K.PAUSED or (now.paused and not goes_on),
        troubled=event.kind is _K.TROUBLE or (now.troubled and not goes_on),
    )


def _refusal(now: Standing, event: KitEvent) -> Problem:
    right = {
        _S.ORDERED: "It can once it is sealed and sent.",
        _S.SOLD: "It can once it is sent: ask the farm if you hold it in your hands.",
        _S.SENT: "Report the day it was started first.",
        _S.STARTED: "Report pins or a harvest first.",
        _S.FRUITING: "Report the harvest first.",
        _S.RESTING: "Report that it was watered again, or its new pins.",
        _S.FINISHED: "A new kit begins with a new order.",
        _S.REPLACED: "Go on with the kit that came instead.",
    }.get(now.stage, "It begins with being sealed and sold.")
    return Conflict(
        f"This kit cannot {_MEANS[event.kind]}: {_SAYS[now.stage]}. {right}",
        code="wrong_kit_stage",
        stage=now.stage.value,
        event=event.kind.value,
    )


def _check_not_before(event: KitEvent, earlier: KitEvent | None, what: str) -> None:
    if earlier is not None and event.on < earlier.on:
        raise Invalid(
            f"{in_words(event.on)} is before the kit was {what}, {in_words(earlier.on)}: give that day or a later one.",
            code="event_out_of_order",
            where="on",
        )


def _latest(events: Sequence[KitEvent], kind: EventKind) -> KitEvent | None:
    return next((event for event in reversed(events) if event.kind is kind), None)


def _last_growth(events: Sequence[KitEvent]) -> KitEvent | None:
    return next((event for event in reversed(events) if event.kind in GROWTH), None)
