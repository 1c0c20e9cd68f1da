"""The care programme: which mail a kit's holder gets, when, and under which condition, as data.

A step counts from an anchor, which is something that happened (sold, sent, started) or will (pins, ready, picked): then
from one point of its range, which shrinks to a day once it is reported.  ``needs`` and ``unless`` look at what was
reported in the step's own flush, ``needs_before`` at the flush before it.  Steps of a flush that is over are not due.

Worked example: ``ready`` counts from the likely ready day, less one, and needs pins reported.  Reported on 8 March for
pearl oyster in a normal room they make the 13th likely, so the mail goes on the 12th at nine: before the caps flatten.
Who reports no pins gets ``pins_to_picking`` instead, which tells doubling and picking in one mail.

Where the giver of a gift chose a day for it (``start_on``), nobody is asked before that day whether it was started:
what counts from the arrival and waits for a start counts from that day.

The steps are common practice of the trade, no source.  A farm edits them; this is what it starts from.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time
from enum import StrEnum
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from fulfilment.core.care.events import HARVEST, EventKind
from fulfilment.core.problems import Invalid

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

OPENS: Final = time(8, 0)
CLOSES: Final = time(20, 0)
"""Care mails go from OPENS until before CLOSES, on the holder's wall clock."""


class Anchor(StrEnum):
    """What a step counts from."""

    SOLD = "sold"
    SENT = "sent"
    ARRIVED = "arrived"
    START_ON = "start_on"
    """The day on which the giver wished a gift to be started; there is none where it came later than that."""
    START_BY = "start_by"
    STARTED = "started"
    """Opened, or in a later flush watered again."""
    PINS = "pins"
    READY = "ready"
    PICKED = "picked"
    """The last mushroom of the flush."""
    REWATER = "rewater"
    END = "end"


OUTSIDE_FLUSHES: Final = frozenset(
    {Anchor.SOLD, Anchor.SENT, Anchor.ARRIVED, Anchor.START_ON, Anchor.START_BY, Anchor.END}
)
"""Anchors that come once in a kit's life; their steps have cycle 1."""


class Point(StrEnum):
    """Which end of a predicted range."""

    FIRST = "first"
    LIKELY = "likely"
    LAST = "last"


class MailKind(StrEnum):
    ORDER = "order"
    """To the buyer, at once, never dropped."""
    CARE = "care"
    """To the holder, by day, one a day, dropped when late or unsubscribed."""
    SAFETY = "safety"
    """To the holder, at once, whatever the hour and whatever was unsubscribed."""


@dataclass(frozen=True, slots=True)
class CareStep:
    """One rule of the programme.  ``at`` is local time; None sends at the instant the anchor was reported."""

    key: str
    anchor: Anchor
    title: str
    template: str = ""
    point: Point = Point.LIKELY
    offset_days: int = 0
    at: time | None = time(9, 0)
    cycles: tuple[int, ...] = (1,)
    mail: MailKind = MailKind.CARE
    needs: frozenset[EventKind] = frozenset()
    """Goes only once one of these is reported in its flush."""
    needs_before: frozenset[EventKind] = frozenset()
    """Goes only once one of these is reported in the flush before."""
    unless: frozenset[EventKind] = frozenset()
    """Does not go once one of these is reported in its flush."""

    def __post_init__(self) -> None:
        if not self.template:
            object.__setattr__(self, "template", self.key)
        if self.mail is MailKind.CARE and (self.at is None or not OPENS <= self.at < CLOSES):
            raise Invalid(
                f"{self.key}: care mails go between {OPENS:%H:%M} and {CLOSES:%H:%M}.", code="outside_hours", where="at"
            )
        if self.at is None and self.anchor not in {Anchor.SOLD, Anchor.SENT}:
            raise Invalid(f"{self.key}: a time of day is needed.", code="missing_time", where="at")
        if not self.cycles or any(not 1 <= cycle <= 6 for cycle in self.cycles):
            raise Invalid(f"{self.key}: flushes are counted from 1 to 6.", code="out_of_range", where="cycles")
        if self.anchor in OUTSIDE_FLUSHES and self.cycles != (1,):
            raise Invalid(f"{self.key}: {self.anchor} comes once, in flush 1.", code="out_of_range", where="cycles")
        if not -60 <= self.offset_days <= 180:
            raise Invalid(f"{self.key}: -60 to 180 days from its anchor.", code="out_of_range", where="offset_days")

    @property
    def safety(self) -> bool:
        return self.mail is MailKind.SAFETY

    @classmethod
    def from_data(cls, data: Mapping[str, object]) -> CareStep:
        """From its JSON form; :class:`Invalid` for what is missing, unknown or impossible."""
        unknown = set(data) - set(cls.__dataclass_fields__)
        if unknown:
            raise Invalid(f"{min(unknown)} is no part of a care step.", code="unknown_field", where=min(unknown))
        try:
            values = {name: _READ.get(name, _text)(value) for name, value in data.items()}
            return cls(**values)  # type: ignore[arg-type]  # each value was read by its field's own reader
        except (TypeError, ValueError) as error:
            raise Invalid(f"This care step cannot be read: {error}.", code="unreadable_step") from error

    def as_data(self) -> dict[str, object]:
        """The JSON form that :meth:`from_data` reads back."""
        return {
            "key": self.key,
            "anchor": self.anchor.value,
            "title": self.title,
            "template": self.template,
            "point": self.point.value,
            "offset_days": self.offset_days,
            "at": f"{self.at:%H:%M}" if self.at else None,
            "cycles": list(self.cycles),
            "mail": self.mail.value,
            **{name: sorted(getattr(self, name)) for name in ("needs", "needs_before", "unless")},
        }


def check_programme(steps: Sequence[CareStep]) -> tuple[CareStep, ...]:
    """The programme, if no key is used twice."""
    keys = [step.key for step in steps]
    for key in keys:
        if keys.count(key) > 1:
            raise Invalid(f"Two steps are called {key}: each needs a name of its own.", code="doubled_step")
    return tuple(steps)


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r} is no text")
    return value


def _whole(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise TypeError(f"{value!r} is no whole number")
    return value


def _time(value: object) -> time | None:
    return None if value is None else time.fromisoformat(_text(value))


def _listed(value: object) -> list[object]:
    if not isinstance(value, list | tuple):
        raise TypeError(f"{value!r} is no list")
    return list(value)


def _kinds(value: object) -> frozenset[EventKind]:
    return frozenset(EventKind(_text(each)) for each in _listed(value))


def _cycles(value: object) -> tuple[int, ...]:
    return tuple(_whole(each) for each in _listed(value))


_READ: Final = MappingProxyType(
    {
        "anchor": lambda value: Anchor(_text(value)),
        "point": lambda value: Point(_text(value)),
        "mail": lambda value: MailKind(_text(value)),
        "offset_days": _whole,
        "at": _time,
        "cycles": _cycles,
        "needs": _kinds,
        "needs_before": _kinds,
        "unless": _kinds,
    }
)

_STARTED: Final = frozenset({EventKind.STARTED})
_SENT: Final = frozenset({EventKind.SENT})
_PINS: Final = frozenset({EventKind.PINS})

PROGRAMME: Final[tuple[CareStep, ...]] = (
    CareStep("order_received", Anchor.SOLD, "Your order", at=None, mail=MailKind.ORDER),
    CareStep("sent", Anchor.SENT, "Your kit is on its way", at=None, mail=MailKind.ORDER),
    CareStep("arrived", Anchor.ARRIVED, "How to start your kit", at=time(10, 0), unless=_STARTED),
    CareStep(
        "not_started", Anchor.ARRIVED, "Not started yet?", offset_days=5, at=time(10, 0), needs=_SENT, unless=_STARTED
    ),
    CareStep("gift_day", Anchor.START_ON, "Today your kit may begin", at=time(10, 0), needs=_SENT, unless=_STARTED),
    CareStep(
        "start_by", Anchor.START_BY, "Start it this week", offset_days=-7, at=time(10, 0), needs=_SENT, unless=_STARTED
    ),
    CareStep("misting", Anchor.STARTED, "Mist it every day", offset_days=2, unless=_PINS | HARVEST),
    CareStep("pins_due", Anchor.PINS, "Look for pins: do you see any?", unless=_PINS | HARVEST),
    CareStep("doubling", Anchor.PINS, "It doubles every day now", offset_days=1, needs=_PINS, unless=HARVEST),
    CareStep("ready", Anchor.READY, "Pick before the caps flatten", offset_days=-1, needs=_PINS, unless=HARVEST),
    CareStep(
        "pins_to_picking",
        Anchor.PINS,
        "Once you see pins you have about five days",
        offset_days=2,
        unless=_PINS | HARVEST,
    ),
    CareStep(
        "nothing_seen",
        Anchor.PINS,
        "Nothing to be seen? How warm is the room?",
        point=Point.LAST,
        offset_days=1,
        unless=_PINS | HARVEST,
    ),
    CareStep(
        "harvest_question",
        Anchor.READY,
        "Have you picked yet?",
        point=Point.LAST,
        offset_days=3,
        unless=HARVEST,
    ),
    CareStep("rest", Anchor.PICKED, "Let it rest", offset_days=1, cycles=(1, 2), needs=HARVEST),
    CareStep("rewater", Anchor.REWATER, "Water it for the second flush", needs=HARVEST),
    CareStep("second_pins", Anchor.PINS, "New pins are due", cycles=(2,), needs_before=HARVEST, unless=_PINS | HARVEST),
    CareStep(
        "second_picking",
        Anchor.READY,
        "Pick the second flush",
        offset_days=-1,
        cycles=(2,),
        needs_before=HARVEST,
        unless=HARVEST,
    ),
    CareStep("third_flush", Anchor.REWATER, "Once more: water it for the third flush", cycles=(2,), needs=HARVEST),
    CareStep("compost", Anchor.END, "Where the spent kit goes", offset_days=1),
)
"""What a new farm starts with."""
