"""What a recurrence rule may say, its one normal spelling, and its words.

A rule is an RRULE of RFC 5545 with days only: FREQ DAILY to YEARLY, and no part finer than a day, since a delivery has
a date and no hour.  Parts come in any order and case and are given back in one; UNTIL is a day, the last one included.

>>> str(parse("rrule:byday=fr,tu;freq=weekly"))
'FREQ=WEEKLY;BYDAY=TU,FR'
>>> describe("FREQ=WEEKLY;INTERVAL=2;BYDAY=TU,FR")
'every second week on Tuesday and Friday'

Source: RFC 5545, section 3.3.10.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from fulfilment.core.calendar.days import MONTHS, WEEKDAYS, in_words
from fulfilment.core.problems import Invalid

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

CODES: Final = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
FREQUENCIES: Final = ("DAILY", "WEEKLY", "MONTHLY", "YEARLY")
TOO_FINE: Final = frozenset({"HOURLY", "MINUTELY", "SECONDLY"})
ORDER: Final = (
    "FREQ", "INTERVAL", "COUNT", "UNTIL", "WKST", "BYMONTH", "BYWEEKNO", "BYYEARDAY", "BYMONTHDAY", "BYDAY", "BYSETPOS",
)  # fmt: skip
BOUNDS: Final = MappingProxyType(
    {"BYMONTH": (1, 12, False), "BYWEEKNO": (1, 53, True), "BYYEARDAY": (1, 366, True),
     "BYMONTHDAY": (1, 31, True), "BYSETPOS": (1, 366, True)}
)  # fmt: skip
"""Smallest, largest, and whether it may count from the end."""
LONGEST: Final = 500
"""Characters of a rule, against input meant to be expensive."""
MAX_COUNT: Final = 2_000
_BYDAY: Final = re.compile(r"([+-]?\d{1,2})?(MO|TU|WE|TH|FR|SA|SU)")


@dataclass(frozen=True, slots=True)
class Rule:
    """A checked rule.  ``by_day`` holds (ordinal or 0, weekday); ``by`` the numeric BY parts."""

    freq: str
    interval: int = 1
    count: int | None = None
    until: date | None = None
    week_start: int = 0
    by_day: tuple[tuple[int, int], ...] = ()
    by: Mapping[str, tuple[int, ...]] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def is_weekly(self) -> bool:
        """Whether weekdays and week numbers say all: then days need not be asked one by one."""
        return self.freq == "WEEKLY" and not self.by

    @property
    def weekday_bits(self) -> int:
        """Monday is bit 0; nothing where the start's own weekday is meant."""
        return sum(1 << day for day in {weekday for _, weekday in self.by_day})

    def __str__(self) -> str:
        parts = {"FREQ": self.freq}
        if self.interval > 1:
            parts["INTERVAL"] = str(self.interval)
        if self.count is not None:
            parts["COUNT"] = str(self.count)
        if self.until is not None:
            parts["UNTIL"] = self.until.isoformat().replace("-", "")
        if self.week_start:
            parts["WKST"] = CODES[self.week_start]
        if self.by_day:
            parts["BYDAY"] = ",".join(f"{nth or ''}{CODES[day]}" for nth, day in self.by_day)
        parts |= {name: ",".join(map(str, values)) for name, values in self.by.items()}
        return ";".join(f"{name}={parts[name]}" for name in ORDER if name in parts)


def describe(rule: str) -> str:
    """The rule in words: ``every second week on Tuesday and Friday, until Thursday 24 December 2026``."""
    parsed = parse(rule)
    words = _on_weekdays(parsed) if parsed.freq == "WEEKLY" and parsed.by_day else _every(parsed) + _on_days(parsed)
    for name, noun in (("BYYEARDAY", "day"), ("BYWEEKNO", "week")):
        if name in parsed.by:
            words += f", {noun} {_listed([str(n) for n in parsed.by[name]])} of the year"
    if "BYMONTH" in parsed.by:
        words += f" in {_listed([MONTHS[month - 1] for month in parsed.by['BYMONTH']])}"
    if "BYSETPOS" in parsed.by:
        words += f", only the {_listed([_nth(n) for n in parsed.by['BYSETPOS']])} of these"
    if parsed.count is not None:
        words += f", {parsed.count} times" if parsed.count > 1 else ", once"
    if parsed.until is not None:
        words += f", until {in_words(parsed.until)}"
    return words


@lru_cache(maxsize=4096)
def parse(text: str) -> Rule:
    """The rule as parts; :class:`Invalid` where RFC 5545 or whole days do not allow it."""
    if len(text) > LONGEST:
        raise Invalid(f"A rule has at most {LONGEST} characters.", code="rule_too_long")
    parts: dict[str, str] = {}
    for piece in text.strip().upper().removeprefix("RRULE:").removesuffix(";").split(";"):
        name, equals, value = piece.partition("=")
        if not equals or not value:
            raise Invalid(
                f"{piece[:40]!r} is no part of a rule: write NAME=VALUE;NAME=VALUE, such as FREQ=WEEKLY;BYDAY=TU,FR.",
                code="malformed_rule",
            )
        if name in parts:
            raise Invalid(f"{name} is given twice: once is enough.", code="malformed_rule")
        parts[name] = value
    return _checked(parts)


def _checked(parts: Mapping[str, str]) -> Rule:
    for name in parts:
        if name in {"BYHOUR", "BYMINUTE", "BYSECOND"}:
            raise Invalid(
                f"{name} sets times within a day, but there is at most one delivery a day: leave it out.",
                code="more_than_one_a_day",
            )
        if name not in ORDER:
            raise Invalid(f"{name[:40]} is no part of a rule that is known here.", code="unknown_part")
    freq = parts.get("FREQ", "")
    if freq in TOO_FINE:
        raise Invalid(
            f"FREQ={freq} comes more than once a day: a standing order is daily at most.", code="more_than_one_a_day"
        )
    if freq not in FREQUENCIES:
        raise Invalid("FREQ must be DAILY, WEEKLY, MONTHLY or YEARLY.", code="unknown_frequency")
    if "COUNT" in parts and "UNTIL" in parts:
        raise Invalid("A rule ends by COUNT or by UNTIL, not by both.", code="two_ends")
    week_start = parts.get("WKST", "MO")
    if week_start not in CODES:
        raise Invalid("WKST must be a weekday such as MO.", code="malformed_rule")
    rule = Rule(
        freq=freq,
        interval=_number("INTERVAL", parts["INTERVAL"], 1, 1_000) if "INTERVAL" in parts else 1,
        count=_number("COUNT", parts["COUNT"], 1, MAX_COUNT) if "COUNT" in parts else None,
        until=_until(parts["UNTIL"]) if "UNTIL" in parts else None,
        week_start=CODES.index(week_start),
        by_day=_by_day(parts["BYDAY"]) if "BYDAY" in parts else (),
        by=MappingProxyType({name: _numbers(name, parts[name]) for name in ORDER if name in BOUNDS and name in parts}),
    )
    _check_together(rule)
    return rule


def _check_together(rule: Rule) -> None:
    """What RFC 5545 allows only with some frequencies."""
    wrong = ""
    if "BYWEEKNO" in rule.by and rule.freq != "YEARLY":
        wrong = "BYWEEKNO goes only with FREQ=YEARLY."
    elif "BYYEARDAY" in rule.by and rule.freq != "YEARLY":
        wrong = "BYYEARDAY goes only with FREQ=YEARLY."
    elif "BYMONTHDAY" in rule.by and rule.freq == "WEEKLY":
        wrong = "BYMONTHDAY does not go with FREQ=WEEKLY: use BYDAY."
    elif any(nth for nth, _ in rule.by_day) and (rule.freq in {"DAILY", "WEEKLY"} or "BYWEEKNO" in rule.by):
        wrong = "A numbered weekday such as 2FR goes only with FREQ=MONTHLY or FREQ=YEARLY, without BYWEEKNO."
    elif "BYSETPOS" in rule.by and not rule.by_day and len(rule.by) == 1:
        wrong = "BYSETPOS picks from other BY parts: give one, such as BYDAY=MO,TU,WE,TH,FR."
    if wrong:
        raise Invalid(wrong, code="parts_do_not_go_together")


def _number(name: str, text: str, least: int, most: int, *, negative: bool = False) -> int:
    if re.fullmatch(r"[+-]?[0-9]{1,6}", text):
        value = int(text)
        if least <= value <= most or (negative and least <= -value <= most):
            return value
    either = f" or -{most} to -{least}" if negative else ""
    raise Invalid(f"{name}={text[:20]} cannot be: give {least} to {most}{either}.", code="out_of_range")


def _numbers(name: str, text: str) -> tuple[int, ...]:
    least, most, negative = BOUNDS[name]
    return tuple(sorted({_number(name, each, least, most, negative=negative) for each in text.split(",")}))


def _by_day(text: str) -> tuple[tuple[int, int], ...]:
    found: set[tuple[int, int]] = set()
    for each in text.split(","):
        match = _BYDAY.fullmatch(each)
        nth = int(match[1]) if match and match[1] else 0
        if not match or (match[1] and not 1 <= abs(nth) <= 53):
            raise Invalid(f"BYDAY={each[:20]} is no weekday: write MO to SU, or 2FR, -1MO.", code="malformed_rule")
        found.add((nth, CODES.index(match[2])))
    return tuple(sorted(found))


def _until(text: str) -> date:
    if re.fullmatch(r"[0-9]{8}", text):
        try:
            return date(int(text[:4]), int(text[4:6]), int(text[6:]))
        except ValueError:
            pass
    raise Invalid(
        f"UNTIL={text[:20]} is no day: write the last day as YYYYMMDD, without a time, such as 20261224.",
        code="malformed_until",
    )


def _every(rule: Rule) -> str:
    noun = {"DAILY": "day", "WEEKLY": "week", "MONTHLY": "month", "YEARLY": "year"}[rule.freq]
    if rule.interval == 1:
        return f"every {noun}"
    return f"every second {noun}" if rule.interval == 2 else f"every {rule.interval} {noun}s"


def _on_weekdays(rule: Rule) -> str:
    """``every Tuesday and Friday``, ``every second Friday``, ``every second week on Tuesday and Friday``."""
    named = _listed([WEEKDAYS[day] for _, day in rule.by_day])
    if rule.interval == 1:
        return f"every {named}"
    if rule.interval == 2 and len(rule.by_day) == 1:
        return f"every second {named}"
    return f"{_every(rule)} on {named}"


def _on_days(rule: Rule) -> str:
    words = ""
    if rule.by_day:
        named = [
            f"the {_nth(nth)} {WEEKDAYS[day]}" if nth else f"{'a' if rule.freq == 'DAILY' else 'each'} {WEEKDAYS[day]}"
            for nth, day in rule.by_day
        ]
        words += f" on {_listed(named)}"
    if "BYMONTHDAY" in rule.by:
        days = [
            f"the {_nth(n)}" if n > 0 else "the last day" if n == -1 else f"the {_nth(n)} day"
            for n in rule.by["BYMONTHDAY"]
        ]
        words += (", if it is " if rule.by_day else " on ") + _listed(days, last=" or " if rule.by_day else " and ")
    return words


def _listed(items: Sequence[str], *, last: str = " and ") -> str:
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])}{last}{items[-1]}"


def _nth(n: int) -> str:
    if n < 0:
        return "last" if n == -1 else f"{_nth(-n)} last"
    ending = "th" if n % 100 in {11, 12, 13} else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"{n}{ending}"
