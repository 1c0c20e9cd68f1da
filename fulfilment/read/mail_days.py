"""The days that a mail puts into a calendar: an order's delivery, a kit's next days as its reports make them expected.

A day keeps its name (UID) for as long as the kit or the order lives, and its number (SEQUENCE) rises whenever the kit,
its strain or the order changes, so that a calendar moves an entry instead of doubling it.  Of a kit only what its own
reports make expected is told: before a start that is its arrival and its start-by date and nothing else, in a pause or
in trouble nothing at all.  What was told and holds no more, since it was reported, is told as over.

Worked example: Dai started a pearl kit on 1 March 2026.  Her mail of the 3rd holds "look for pins" on the 8th, "pick"
on the 13th and "water it again" on the 25th, and says that the start-by date is over.  She reports pins on the 6th: the
mail of the 7th moves "pick" to the 11th under the same name, and says that "look for pins" is over.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from fulfilment.core.calendar import farm_day, in_words
from fulfilment.core.care import Anchor, KitStage, Milestone, expected, standing
from fulfilment.models import Way
from fulfilment.models.messages import MESSAGE_ID_DOMAIN

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import date, datetime

    from fulfilment.core.care import KitCare
    from fulfilment.models import Kit, Order

ORDINALS: Final = ("", "first", "second", "third", "fourth", "fifth", "sixth")

_ORDER_OF: Final = (Anchor.STARTED, Anchor.PINS, Anchor.READY, Anchor.PICKED, Anchor.REWATER)
_TOLD: Final[Mapping[Anchor, str]] = {
    Anchor.ARRIVED: "the kit arrives",
    Anchor.START_ON: "the day chosen for its start",
    Anchor.START_BY: "last day to start it",
    Anchor.PINS: "look for pins",
    Anchor.READY: "pick before the caps flatten",
    Anchor.REWATER: "water it for the next flush",
}
_EXACT: Final = frozenset({Anchor.START_ON, Anchor.START_BY})

_BY_WAY: Final[Mapping[str, str]] = {
    Way.ROUND: "Delivery from {farm}",
    Way.CARRIER: "Your parcel leaves {farm}",
    Way.COLLECTED: "Collect your order at {farm}",
}


@dataclass(frozen=True, slots=True)
class Day:
    """One whole day for a calendar; ``over`` takes it out again."""

    uid: str
    sequence: int
    on: date
    title: str
    words: str = ""
    over: bool = False

    @property
    def said(self) -> str:
        """The day as the mail itself says it."""
        return f"{self.title}, {self.words}"


def of_order(order: Order, *, way: str, farm: str) -> tuple[Day, ...]:
    """The day of an order of which something is promised; told as over once it was cancelled."""
    lines = [line for line in order.lines.all() if line.cancelled_at is None]
    if not any(line.promised for line in lines) and order.cancelled_at is None:
        return ()
    return (
        Day(
            uid=f"order-{order.public_id.lower()}@{MESSAGE_ID_DOMAIN}",
            sequence=order.version,
            on=order.on,
            title=_BY_WAY[way].format(farm=farm),
            words=f"{in_words(order.on)}, order {order.public_id}",
            over=order.cancelled_at is not None,
        ),
    )


def of_kit(kit: Kit, care: KitCare, *, now: datetime) -> tuple[Day, ...]:
    """What comes next for a kit, the soonest first, and what was told of it before and is over."""
    stands = standing(care.events)
    if stands.paused or stands.troubled or stands.stage in (KitStage.REPLACED, KitStage.FINISHED):
        return ()
    today = farm_day(now, care.zone)
    number = f"Kit {kit.public_id}"
    sequence = kit.version + kit.lot.strain.version
    days = [
        Day(
            uid=f"{kit.public_id.lower()}-{each.anchor}-{each.cycle}@{MESSAGE_ID_DOMAIN}",
            sequence=sequence,
            on=each.likely,
            title=f"{number}: {_TOLD[each.anchor]}",
            words=_in_words(each),
            over=over,
        )
        for each, over in _chosen(care, running=stands.cycle)
        if over or each.likely >= today
    ]
    return tuple(sorted(days, key=lambda day: (day.over, day.on, day.uid)))


def _chosen(care: KitCare, *, running: int) -> Iterator[tuple[Milestone, bool]]:
    """The milestones that are a holder's business now, each with whether it is over."""
    found = {(each.anchor, each.cycle): each for each in expected(care)}
    if (Anchor.STARTED, 1) not in found:
        for anchor in (Anchor.ARRIVED, Anchor.START_ON, Anchor.START_BY):
            if (anchor, 1) in found:
                yield found[anchor, 1], found[anchor, 1].reported
        return
    for anchor in (Anchor.START_ON, Anchor.START_BY):
        if (anchor, 1) in found:
            yield found[anchor, 1], True
    told = max(
        place
        for place, anchor in enumerate(_ORDER_OF)
        if anchor is Anchor.STARTED or ((anchor, running) in found and found[anchor, running].reported)
    )
    for cycle in (running, running + 1):
        # The flush after the running one is expected once the running one is picked; before, it is a guess on guesses.
        if cycle > running and _ORDER_OF[told] is not Anchor.PICKED:
            return
        for place, anchor in enumerate(_ORDER_OF):
            if anchor in _TOLD and (anchor, cycle) in found and (cycle == running or anchor is not Anchor.REWATER):
                yield found[anchor, cycle], cycle == running and place <= told


def _in_words(each: Milestone) -> str:
    if each.first == each.last:
        return f"{'' if each.anchor in _EXACT or each.reported else 'about '}{in_words(each.likely)}"
    return f"about {in_words(each.likely)}, between {_short(each.first)} and {_short(each.last)}"


def _short(day: date) -> str:
    return in_words(day).partition(" ")[2].rpartition(" ")[0]
