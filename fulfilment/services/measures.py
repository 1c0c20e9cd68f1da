"""What is read off on the farm: days on which something happened, temperatures, and whose hand it was."""

from __future__ import annotations

import math
from decimal import Decimal
from typing import TYPE_CHECKING, Final

from fulfilment.core.calendar import in_words
from fulfilment.core.problems import Forbidden, Invalid
from fulfilment.services import given

if TYPE_CHECKING:
    from datetime import date, datetime

COLDEST, WARMEST = -10, 50
"""°C that a room or a bag on a farm can have; the tables say so too."""

PERSONS: Final = ("user:", "key:")
"""How the hand of a person begins, or of a program that a person gave a key."""


def past_day(day: date, *, where: str, today: date, since: date | None = None, event: str = "") -> date:
    """A day that has come and is not before ``since``, the day of ``event`` (a clause: ``the bags were opened``)."""
    given.not_after(day, today=today, where=where)
    if since is not None and day < since:
        raise Invalid(
            f"{in_words(day)} is before {event}, {in_words(since)}: give that day or a later one.",
            code="too_early",
            where=where,
            earliest=since.isoformat(),
        )
    return day


def past_instant(at: datetime, *, where: str, now: datetime) -> datetime:
    """An instant that has come, with its offset from UTC."""
    if at.tzinfo is None:
        raise Invalid(
            "An instant needs its offset from UTC, such as 2026-05-01T08:00:00Z.", code="no_offset", where=where
        )
    if at > now:
        raise Invalid(
            f"{at:%Y-%m-%d %H:%M %Z} has not come yet: give the instant it was read.", code="in_the_future", where=where
        )
    return at


def tenths(celsius: object, *, where: str) -> int:
    """Tenths of a degree Celsius of a room or a bag."""
    if isinstance(celsius, bool) or not isinstance(celsius, int | float | Decimal) or not math.isfinite(celsius):
        raise Invalid("This must be a number of degrees Celsius.", code="not_a_number", where=where)
    if not COLDEST <= celsius <= WARMEST:
        raise Invalid(
            f"{float(celsius):g} °C cannot be: between {COLDEST} and {WARMEST} °C. Is it Fahrenheit, or a dot missing?",
            code="impossible_temperature",
            where=where,
            at_least=COLDEST,
            at_most=WARMEST,
        )
    return round(celsius * 10)


def person(by: str, *, what: str) -> str:
    """Somebody who can be asked later; the night and the worker cannot do ``what``."""
    if not by.startswith(PERSONS):
        raise Forbidden(f"Only a named person can {what}: sign in and do it yourself.", code="needs_a_person")
    return by
