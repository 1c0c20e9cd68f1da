"""The calendar file of a mail (RFC 5545), published for whoever wants the dates in a calendar (RFC 5546).

A date of a kit or an order keeps its UID for ever; each mail that tells it anew carries a higher SEQUENCE or the same
with a later DTSTAMP, so that a calendar moves the entry instead of doubling it.  What no longer holds (a kit that was
started needs no start-by date) is told as cancelled.  Days are whole days: nobody knows the hour at which a mushroom is
ready.

The library escapes and folds; its event objects are not used, since building them took longer than all else about a
mail together.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Final

from icalendar import vText
from icalendar.parser import Contentline

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from datetime import datetime

    from fulfilment.read.mail_days import Day

MADE_BY: Final = "-//farm orders//mails//EN"
LONGEST: Final = 75
"""Octets of a line before it is folded (RFC 5545, section 3.1)."""


def as_file(days: Iterable[Day], *, now: datetime) -> bytes:
    """These days as one published calendar, lines ended and folded as the standard wants them."""
    head = ("BEGIN:VCALENDAR", "VERSION:2.0", f"PRODID:{MADE_BY}", "METHOD:PUBLISH")
    lines = [*head, *(line for day in days for line in _event(day, stamp=f"{now:%Y%m%dT%H%M%SZ}")), "END:VCALENDAR", ""]
    return b"\r\n".join(_folded(line) for line in lines)


def _event(day: Day, *, stamp: str) -> Iterator[str]:
    yield "BEGIN:VEVENT"
    yield f"UID:{day.uid}"
    yield f"SEQUENCE:{day.sequence}"
    yield f"DTSTAMP:{stamp}"
    yield f"DTSTART;VALUE=DATE:{day.on:%Y%m%d}"
    yield f"DTEND;VALUE=DATE:{day.on + timedelta(days=1):%Y%m%d}"
    yield f"SUMMARY:{_text(day.title)}"
    if day.words:
        yield f"DESCRIPTION:{_text(day.words)}"
    yield f"STATUS:{'CANCELLED' if day.over else 'CONFIRMED'}"
    yield "TRANSP:TRANSPARENT"
    yield "END:VEVENT"


def _folded(line: str) -> bytes:
    """Only what is longer than the standard's line, or not plain, is any work."""
    if len(line) <= LONGEST and line.isascii():
        return line.encode("ascii")
    folded: bytes = Contentline(line).to_ical()  # type: ignore[no-untyped-call]  # the library says nothing of it
    return folded


def _text(words: str) -> str:
    return vText(words).to_ical().decode()
