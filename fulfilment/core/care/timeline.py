"""A kit's days, reported and expected.

What was reported is a day; what was not is a range (first, likely, last) that begins at the last thing reported and
adds the profile's days for the room.  So every report re-times all that follows it.  Ranges add end to end: the first
ready day is the first pins' day plus the shortest growth.

A pause stops the clock while nothing is growing: before the start, while waiting for pins, and in the rest.  Pins and
mushrooms do not wait; only the mails are silent.

A gift's clock begins with its holder: it has arrived on the day its code was entered, not when the parcel should have.

Worked example: pearl oyster, normal room, started 1 March 2026, nothing else reported: pins 6 to 11 March, likely the
8th, ready 10 to 18, likely the 13th.  Pins reported on the 10th: ready 14 to 17, likely the 15th.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from fulfilment.core.care.events import GROWTH, HARVEST, EventKind, KitEvent, standing
from fulfilment.core.care.profiles import Days, KitProfile, Warmth
from fulfilment.core.care.programme import Anchor, Point

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping


@dataclass(frozen=True, slots=True)
class KitCare:
    """One kit as its care sees it.

    ``buyer`` and ``holder`` are opaque keys of people; ``holder`` is empty for a gift that nobody has joined yet.
    ``zone`` is the holder's.  ``events`` are in the order in which they were written.
    """

    kit_id: int
    order_id: int
    buyer: str
    holder: str
    zone: str
    profile: KitProfile
    events: tuple[KitEvent, ...]
    warmth: Warmth = Warmth.NORMAL
    start_by: date | None = None
    start_on: date | None = None
    """The day that the giver chose for a gift."""
    transit_days: int = 2
    unsubscribed: bool = False


@dataclass(frozen=True, slots=True)
class Milestone:
    """A day of a kit's life: one day where it was reported, else a range."""

    anchor: Anchor
    cycle: int
    first: date
    likely: date
    last: date
    reported_at: datetime | None = None

    @property
    def reported(self) -> bool:
        return self.reported_at is not None

    def at(self, point: Point) -> date:
        return {Point.FIRST: self.first, Point.LIKELY: self.likely, Point.LAST: self.last}[point]


def expected(kit: KitCare) -> tuple[Milestone, ...]:
    """Every milestone that can be told from the kit's events, in the order of its life."""
    return tuple(milestones(kit).values())


def milestones(kit: KitCare) -> Mapping[tuple[Anchor, int], Milestone]:
    """The same by anchor and flush."""
    events = of_this_order(kit.events)
    found: dict[tuple[Anchor, int], Milestone] = {}

    def put(milestone: Milestone | None) -> None:
        if milestone:
            found[milestone.anchor, milestone.cycle] = milestone

    started = _told(Anchor.STARTED, 1, _last(events, EventKind.STARTED))
    put(_told(Anchor.SOLD, 1, _last(events, EventKind.SOLD)))
    put(_told(Anchor.SENT, 1, _last(events, EventKind.SENT)))
    put(_arrived(kit, events, waiting=started is None))
    arrived = found.get((Anchor.ARRIVED, 1))
    if kit.start_on and arrived and arrived.likely < kit.start_on:
        put(Milestone(Anchor.START_ON, 1, kit.start_on, kit.start_on, kit.start_on))
    if kit.start_by:
        put(Milestone(Anchor.START_BY, 1, kit.start_by, kit.start_by, kit.start_by))
    if started:
        put(started)
        _flushes(kit, events, put, started)
        put(_after(started, Anchor.END, 1, (kit.profile.life_days,) * 3, pause=_paused_days(events, started)))
    last_flush = max((cycle for anchor, cycle in found if anchor is Anchor.PICKED), default=0)
    picked = found.get((Anchor.PICKED, last_flush))
    if picked and picked.reported:
        put(_after(picked, Anchor.END, 1, (0, 0, 0)))
    put(_told(Anchor.END, 1, _last(events, EventKind.FINISHED)))
    return found


def _flushes(
    kit: KitCare, events: tuple[KitEvent, ...], put: Callable[[Milestone | None], None], started: Milestone
) -> None:
    profile, warmth = kit.profile, kit.warmth
    begun = started
    last_flush = max(profile.flushes, standing(kit.events).cycle)
    for cycle in range(1, last_flush + 1):
        to_pins = (profile.pins if cycle == 1 else profile.pins_again)[warmth]
        pins = _told(Anchor.PINS, cycle, _last(events, EventKind.PINS, cycle)) or _after(
            begun, Anchor.PINS, cycle, to_pins, pause=_paused_days(events, begun)
        )
        first = _first(events, HARVEST, cycle)
        ready = _told(Anchor.READY, cycle, first) or _after(pins, Anchor.READY, cycle, profile.ripe[warmth])
        picked = _told(Anchor.PICKED, cycle, _last(events, EventKind.HARVESTED_ALL, cycle)) or _after(
            ready, Anchor.PICKED, cycle, profile.picking
        )
        for milestone in (pins, ready, picked):
            put(milestone)
        if cycle == last_flush:
            return
        rewatered = _last(events, EventKind.REWATERED, cycle + 1)
        rewater = _told(Anchor.REWATER, cycle, rewatered) or _after(
            picked, Anchor.REWATER, cycle, profile.rewater_after, pause=_paused_days(events, picked)
        )
        put(rewater)
        begun = Milestone(Anchor.STARTED, cycle + 1, rewater.first, rewater.likely, rewater.last, rewater.reported_at)
        put(begun)


def _arrived(kit: KitCare, events: tuple[KitEvent, ...], *, waiting: bool) -> Milestone | None:
    arrived = _told(Anchor.ARRIVED, 1, _last(events, EventKind.JOINED))
    sent = _told(Anchor.SENT, 1, _last(events, EventKind.SENT))
    if arrived is None and sent is not None:
        arrived = _after(sent, Anchor.ARRIVED, 1, (kit.transit_days,) * 3)
    pause = _paused_days(events, arrived) if arrived and waiting else 0
    return _after(arrived, Anchor.ARRIVED, 1, (0, 0, 0), pause=pause) if arrived and pause else arrived


def of_this_order(events: tuple[KitEvent, ...]) -> tuple[KitEvent, ...]:
    """A kit that went back on sale begins anew."""
    released = [index for index, event in enumerate(events) if event.kind is EventKind.RELEASED]
    return events[released[-1] + 1 :] if released else events


def _told(anchor: Anchor, cycle: int, event: KitEvent | None) -> Milestone | None:
    return Milestone(anchor, cycle, event.on, event.on, event.on, event.at) if event else None


def _after(before: Milestone, anchor: Anchor, cycle: int, days: Days, *, pause: int = 0) -> Milestone:
    first, likely, last = (
        day + timedelta(days=more + pause)
        for day, more in zip((before.first, before.likely, before.last), days, strict=True)
    )
    return Milestone(anchor, cycle, first, likely, last)


def _paused_days(events: tuple[KitEvent, ...], since: Milestone) -> int:
    """Days of the pauses that ended, after ``since``."""
    days = 0
    paused_on: date | None = None
    for event in events:
        if event.kind is EventKind.PAUSED:
            paused_on = event.on
        elif event.kind is EventKind.RESUMED and paused_on is not None:
            days += max(0, (event.on - max(paused_on, since.likely)).days)
            paused_on = None
        elif event.kind in GROWTH:
            paused_on = None  # whoever reports growth is back, and the report is the new beginning
    return days


def _last(events: tuple[KitEvent, ...], kind: EventKind, cycle: int | None = None) -> KitEvent | None:
    return next((event for event in reversed(events) if event.kind is kind and cycle in {None, event.cycle}), None)


def _first(events: tuple[KitEvent, ...], kinds: frozenset[EventKind], cycle: int) -> KitEvent | None:
    return next((event for event in events if event.kind in kinds and event.cycle == cycle), None)
