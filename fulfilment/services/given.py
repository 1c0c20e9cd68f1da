"""What people type: names, mail addresses, reasons, zones, weekdays, looked at before anything is written.

Each function returns the value as it is stored, or raises :class:`Invalid` at ``where`` with a sentence that says what
would be right.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from django.core.exceptions import ValidationError
from django.core.validators import validate_email

from fulfilment.core import calendar
from fulfilment.core.calendar import in_words
from fulfilment.core.problems import Invalid

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

MAIL_LENGTH = 254


def text(value: object, *, where: str, at_most: int, required: bool = True) -> str:
    """One line of text without control characters, its outer blanks taken off."""
    if not isinstance(value, str):
        raise Invalid("This must be text.", code="not_text", where=where)
    line = value.strip()
    if any(not sign.isprintable() for sign in line):
        raise Invalid(
            "This must be one line of text, without line breaks or control signs.", code="not_one_line", where=where
        )
    if required and not line:
        raise Invalid("This must not be empty.", code="empty", where=where)
    if len(line) > at_most:
        raise Invalid(
            f"This is too long: {len(line)} signs, at most {at_most}.", code="too_long", where=where, at_most=at_most
        )
    return line


def reason(value: object, *, what: str, where: str = "reason", at_most: int = 200) -> str:
    """A person's reason, which ``what`` (``undoing a pick``) cannot go without."""
    line = text(value, where=where, at_most=at_most, required=False)
    if not line:
        raise Invalid(f"Say why: {what} needs a reason.", code="reason_needed", where=where)
    return line


def link(value: str, *, where: str) -> str:
    """An https address that a mail can lead to, or nothing."""
    address = text(value, where=where, at_most=300, required=False)
    if not address:
        return ""
    try:
        parts = urlsplit(address)
        whole = parts.scheme == "https" and bool(parts.hostname) and not parts.username and " " not in address
    except ValueError:
        whole = False
    if not whole:
        raise Invalid(
            "A link is a whole address that begins with https://, such as https://post.example.org/T-9.",
            code="not_a_link", where=where,
        )  # fmt: skip
    return address


def email(value: object, *, where: str = "email") -> str:
    """A mail address that a header can carry; the part behind the @ in lower case."""
    line = text(value, where=where, at_most=MAIL_LENGTH)
    try:
        validate_email(line)
    except ValidationError as error:
        raise Invalid(
            "This is no mail address: it must look like name@example.org.", code="not_an_address", where=where
        ) from error
    name, _, domain = line.rpartition("@")
    return f"{name}@{domain.lower()}"


def zone(value: object, *, where: str = "zone") -> str:
    """The IANA name of a time zone."""
    name = text(value, where=where, at_most=60)
    try:
        calendar.zone_of(name)
    except Invalid as problem:
        problem.where = where
        raise
    return name


def number(value: object, *, where: str, at_least: int, at_most: int, unit: str) -> int:
    """A whole number inside its bounds."""
    if isinstance(value, bool) or not isinstance(value, int) or not at_least <= value <= at_most:
        raise Invalid(
            f"This must be a whole number from {at_least} to {at_most} ({unit}).",
            code="out_of_range",
            where=where,
            at_least=at_least,
            at_most=at_most,
        )
    return value


def weekdays(values: Iterable[object], *, where: str) -> list[int]:
    """Weekdays in order, each once, Monday 0 … Sunday 6."""
    days = list(values)
    for place, day in enumerate(days):
        number(day, where=f"{where}.{place}", at_least=0, at_most=6, unit="Monday 0 … Sunday 6")
    return sorted({day for day in days if isinstance(day, int)})


def one_of(value: object, choices: Collection[str], *, where: str) -> str:
    """One of these words."""
    if not isinstance(value, str) or value not in choices:
        raise Invalid(f"This must be one of: {', '.join(choices)}.", code="unknown_choice", where=where)
    return value


def not_after(day: date, *, today: date, where: str) -> date:
    """A day on which something happened: today or before."""
    if day > today:
        raise Invalid(
            f"{in_words(day)} has not come yet: give the day it happened, {in_words(today)} at the latest.",
            code="in_the_future",
            where=where,
        )
    return day
