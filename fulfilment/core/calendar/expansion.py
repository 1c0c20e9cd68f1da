"""On which days a rule comes round.

A rule counts from ``starts_on`` and never gives a day before it; ``starts_on`` itself is a day of the rule only where
it fits the rule.  Weekly patterns (FREQ=WEEKLY with BYDAY, INTERVAL, WKST, COUNT, UNTIL), which nearly all standing
orders are, are arithmetic on week numbers: a week belongs to the rule when its number less that of the start's week is
a multiple of INTERVAL.  Every other rule is asked of each day of the window: does its period (day, week, month, year)
count, and do all its BY parts allow it?  So the cost depends on the window and not on how long ago the order began,
only a counted rule is followed from its start, and a rule that never comes costs no more than one that does: a search
for the next day goes on to the year 9999, whatever UNTIL says, which is a minute's work for one line of input.

Worked example: every second Tuesday and Friday, from Wednesday 4 March 2026.  The week of the start counts, so Friday
6 March is the first day and Tuesday 17 March the next.

>>> days = occurrences("FREQ=WEEKLY;INTERVAL=2;BYDAY=TU,FR", starts_on=date(2026, 3, 4),
...                    first=date(2026, 3, 1), last=date(2026, 3, 20))
>>> [f"{day:%d.%m.}" for day in days]
['06.03.', '17.03.', '20.03.']

Source: RFC 5545, sections 3.3.10 and 3.8.5.3.
"""

from __future__ import annotations

from calendar import isleap, monthrange
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import islice
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import numpy as np

from fulfilment.core.calendar.days import in_words
from fulfilment.core.calendar.rules import Rule, parse
from fulfilment.core.problems import Invalid

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

YEARS_SEARCHED: Final = 10
"""A rule that gives no day in the ten years after its start is refused as giving none."""
_REFERENCE: Final = date(2024, 1, 1)
_EPOCH_MONDAY: Final = date(1, 1, 1).toordinal()
"""Day 1 of year 1 is a Monday: week numbers count from there."""
_NEVER: Final = date.max.toordinal()


@dataclass(frozen=True, slots=True)
class Recurrence:
    """A rule with its start and, where a standing order has one, its own last day (inclusive)."""

    rule: str
    starts_on: date
    until: date | None = None


@dataclass(frozen=True, slots=True)
class Patterns:
    """Many recurrences, read once, to be asked for many windows.

    The arrays run over recurrences; ``bits`` has Monday in bit 0, ``start`` and ``end`` are day ordinals, ``week`` is
    the ordinal on which the start's week begins.  Recurrences that are no weekly pattern have no bits and are kept
    whole, by index, in ``others``.
    """

    bits: NDArray[np.uint8]
    start: NDArray[np.int64]
    end: NDArray[np.int64]
    interval: NDArray[np.int64]
    week: NDArray[np.int64]
    others: tuple[tuple[int, Recurrence], ...]

    @classmethod
    def of(cls, recurrences: Sequence[Recurrence]) -> Patterns:
        size = len(recurrences)
        start = np.fromiter((each.starts_on.toordinal() for each in recurrences), np.int64, size)
        end = np.fromiter((each.until.toordinal() if each.until else _NEVER for each in recurrences), np.int64, size)
        known: dict[str, int] = {}
        which = np.fromiter((known.setdefault(each.rule, len(known)) for each in recurrences), np.int64, size)
        rules = [parse(text) for text in known]
        bits = np.array([rule.weekday_bits if rule.is_weekly else 0 for rule in rules], np.uint8)[which]
        interval = np.array([rule.interval for rule in rules], np.int64)[which]
        week_start = np.array([rule.week_start for rule in rules], np.int64)[which]
        plain = np.array([rule.is_weekly and rule.count is None and bool(rule.by_day) for rule in rules], np.bool_)
        ends = np.array([rule.until.toordinal() if rule.until else _NEVER for rule in rules], np.int64)[which]
        others: list[tuple[int, Recurrence]] = []
        for index in np.flatnonzero(~plain[which]).tolist():
            rule, each = rules[which[index]], recurrences[index]
            if rule.is_weekly:
                bits[index] = _weekdays(rule, starts_on=each.starts_on)
                ends[index] = _weekly_end(rule, starts_on=each.starts_on)
            else:
                others.append((index, each))
        since = _EPOCH_MONDAY + week_start
        return cls(
            bits=bits,
            start=start,
            end=np.minimum(end, ends),
            interval=interval,
            week=start - (start - since) % 7,
            others=tuple(others),
        )

    def days(self, *, first: date, last: date) -> NDArray[np.bool_]:
        """``[recurrence, day]``, days counted from ``first``: whether each comes round on that day."""
        ordinals = np.arange(first.toordinal(), last.toordinal() + 1, dtype=np.int64)
        by_weekday = (self.bits[:, None] >> np.arange(7, dtype=np.uint8)) & 1
        hits: NDArray[np.bool_] = by_weekday.astype(np.bool_)[:, (ordinals - _EPOCH_MONDAY) % 7]
        cut = np.flatnonzero((self.start > first.toordinal()) | (self.end < last.toordinal()))
        hits[cut] &= (ordinals >= self.start[cut, None]) & (ordinals <= self.end[cut, None])
        sparse = np.flatnonzero((self.interval > 1) & (self.bits > 0))
        weeks = (ordinals - self.week[sparse, None]) // 7
        hits[sparse] &= weeks % self.interval[sparse, None] == 0
        for index, each in self.others:
            for day in occurrences(each.rule, starts_on=each.starts_on, first=first, last=last, until=each.until):
                hits[index, (day - first).days] = True
        return hits


def check_rule(text: str, *, starts_on: date | None = None, where: str = "rule") -> str:
    """The rule in its one normal spelling; :class:`Invalid` with the sentence where it is none.

    With ``starts_on`` it is also checked that the rule gives a day from that start.
    """
    try:
        rule = parse(text)
        start = starts_on or _REFERENCE
        horizon = date(min(start.year + YEARS_SEARCHED, date.max.year), 12, 31)
        free = rule if starts_on else replace(rule, until=None, interval=1)  # which periods count, a start decides
        if not any(_by_days(free, starts_on=start, last=horizon)):
            after = f" after {in_words(starts_on)}" if starts_on else ""
            raise Invalid(
                f"This rule gives no day in the ten years{after or ' looked at'}: check its month, day and end.",
                code="no_dates",
            )
    except Invalid as problem:
        problem.at(where)
        raise
    return str(rule)


def occurrences(rule: str, *, starts_on: date, first: date, last: date, until: date | None = None) -> list[date]:
    """The rule's days from ``first`` to ``last``, both included, in order; none after ``until``."""
    parsed = parse(rule)
    ends = [day for day in (last, until, parsed.until) if day is not None]
    begin, end = max(first, starts_on), min(ends)
    if begin > end:
        return []
    if parsed.is_weekly:
        return _weekly(parsed, starts_on=starts_on, first=begin, last=end)
    return list(_by_days(parsed, starts_on=starts_on, first=begin, last=end))


def expand(recurrences: Sequence[Recurrence], *, first: date, last: date) -> NDArray[np.bool_]:
    """``[recurrence, day]``, days counted from ``first``: whether each comes round on that day."""
    return Patterns.of(recurrences).days(first=first, last=last)


def _weekly(rule: Rule, *, starts_on: date, first: date, last: date) -> list[date]:
    since = _EPOCH_MONDAY + rule.week_start
    in_week = _in_week(rule, starts_on=starts_on)
    begin, end = first.toordinal(), min(last.toordinal(), _weekly_end(rule, starts_on=starts_on))
    anchor = (starts_on.toordinal() - since) // 7
    week = (begin - since) // 7
    week += (anchor - week) % rule.interval
    found: list[date] = []
    while (monday := since + 7 * week) <= end:
        found += [date.fromordinal(monday + o) for o in in_week if begin <= monday + o <= end]
        week += rule.interval
    return found


def _weekly_end(rule: Rule, *, starts_on: date) -> int:
    """The ordinal of the last day that UNTIL or COUNT leave a weekly rule."""
    if rule.count is None:
        return (rule.until or date.max).toordinal()
    since = _EPOCH_MONDAY + rule.week_start
    in_week = _in_week(rule, starts_on=starts_on)
    week, offset = divmod(starts_on.toordinal() - since, 7)
    skipped = sum(1 for each in in_week if each < offset)
    weeks, index = divmod(skipped + rule.count - 1, len(in_week))
    return since + 7 * (week + rule.interval * weeks) + in_week[index]


def _in_week(rule: Rule, *, starts_on: date) -> list[int]:
    """The rule's weekdays as days after its week start."""
    bits = _weekdays(rule, starts_on=starts_on)
    return [offset for offset in range(7) if bits >> (offset + rule.week_start) % 7 & 1]


def _weekdays(rule: Rule, *, starts_on: date) -> int:
    return rule.weekday_bits or 1 << starts_on.weekday()


def _by_days(rule: Rule, *, starts_on: date, last: date, first: date | None = None) -> Iterator[date]:
    """The days of any rule, in order, from ``first`` (or the start) to ``last``: nothing outside them is looked at,
    but the start of a counted rule, and the rest of a period from which BYSETPOS picks.
    """
    rule = _explicit(rule, starts_on=starts_on)
    end = min(last, rule.until) if rule.until else last
    begin = starts_on if first is None or rule.count is not None else max(first, starts_on)
    days = _picked(rule, starts_on, begin, end) if "BYSETPOS" in rule.by else _plain(rule, starts_on, begin, end)
    return (day for day in islice(days, rule.count) if first is None or day >= first)


def _plain(rule: Rule, starts_on: date, begin: date, end: date) -> Iterator[date]:
    anchor = _period(rule, starts_on)
    for ordinal in range(begin.toordinal(), end.toordinal() + 1):
        day = date.fromordinal(ordinal)
        if (_period(rule, day) - anchor) % rule.interval == 0 and _fits(rule, day):
            yield day


def _picked(rule: Rule, starts_on: date, begin: date, end: date) -> Iterator[date]:
    """BYSETPOS: the nth fitting days of each period, counted from its beginning or, negative, from its end."""
    anchor = _period(rule, starts_on)
    day = begin
    while day <= end:
        from_day, to_day = _bounds(rule, day)
        if rule.freq == "WEEKLY":
            from_day = max(from_day, starts_on)  # as dateutil does: the first week begins with the start
        if (_period(rule, day) - anchor) % rule.interval == 0:
            fitting = [each for each in _between(from_day, to_day) if _fits(rule, each)]
            places = {n - 1 if n > 0 else len(fitting) + n for n in rule.by["BYSETPOS"]}
            yield from (each for place, each in enumerate(fitting) if place in places and begin <= each <= end)
        if to_day == date.max:
            return
        day = to_day + timedelta(days=1)


def _period(rule: Rule, day: date) -> int:
    """The number of the day, week, month or year that the rule's interval counts."""
    if rule.freq == "DAILY":
        return day.toordinal()
    if rule.freq == "WEEKLY":
        return (day.toordinal() - _EPOCH_MONDAY - rule.week_start) // 7
    return 12 * day.year + day.month if rule.freq == "MONTHLY" else day.year


def _bounds(rule: Rule, day: date) -> tuple[date, date]:
    """The first and the last day of the period that holds ``day``."""
    if rule.freq == "DAILY":
        return day, day
    if rule.freq == "WEEKLY":
        begin = day.toordinal() - (day.weekday() - rule.week_start) % 7
        return date.fromordinal(max(1, begin)), date.fromordinal(min(_NEVER, begin + 6))
    if rule.freq == "MONTHLY":
        return day.replace(day=1), day.replace(day=monthrange(day.year, day.month)[1])
    return date(day.year, 1, 1), date(day.year, 12, 31)


def _between(first: date, last: date) -> Iterator[date]:
    return map(date.fromordinal, range(first.toordinal(), last.toordinal() + 1))


def _fits(rule: Rule, day: date) -> bool:
    """Whether every BY part but BYSETPOS allows the day."""
    by = rule.by
    if "BYMONTH" in by and day.month not in by["BYMONTH"]:
        return False
    if "BYMONTHDAY" in by and not _counted_in(by["BYMONTHDAY"], day.day, monthrange(day.year, day.month)[1]):
        return False
    of_year, year_length = day.timetuple().tm_yday, 365 + isleap(day.year)
    if "BYYEARDAY" in by and not _counted_in(by["BYYEARDAY"], of_year, year_length):
        return False
    if "BYWEEKNO" in by and not _counted_in(by["BYWEEKNO"], *_week_of_year(day, week_start=rule.week_start)):
        return False
    if not rule.by_day:
        return True
    in_month = rule.freq == "MONTHLY" or "BYMONTH" in by
    place, length = (day.day, monthrange(day.year, day.month)[1]) if in_month else (of_year, year_length)
    from_begin, from_end = (place - 1) // 7 + 1, -((length - place) // 7 + 1)
    return any(weekday == day.weekday() and nth in {0, from_begin, from_end} for nth, weekday in rule.by_day)


def _counted_in(wanted: tuple[int, ...], place: int, length: int) -> bool:
    """Whether place 1 to ``length`` is wanted, counted from the beginning or, negative, from the end."""
    return place in wanted or place - length - 1 in wanted


def _week_of_year(day: date, *, week_start: int) -> tuple[int, int]:
    """The number of the day's week and how many weeks its year has; week 1 is the first with four days in the year.

    The first and last days of a year may lie in a week of the year before or after.
    """

    def begins(year: int) -> int:
        fourth = date(year, 1, 4)
        return fourth.toordinal() - (fourth.weekday() - week_start) % 7

    year = day.year
    if day.toordinal() < begins(year):
        year -= 1
    elif year < date.max.year and day.toordinal() >= begins(year + 1):
        year += 1
    last = begins(year + 1) if year < date.max.year else begins(year) + 52 * 7
    return (day.toordinal() - begins(year)) // 7 + 1, (last - begins(year)) // 7


def _explicit(rule: Rule, *, starts_on: date) -> Rule:
    """With what the start's date says for the rule written out."""
    by = dict(rule.by)
    by_day = rule.by_day
    if not by_day and not by.keys() & {"BYWEEKNO", "BYYEARDAY", "BYMONTHDAY"}:
        if rule.freq == "YEARLY":
            by.setdefault("BYMONTH", (starts_on.month,))
        if rule.freq in {"YEARLY", "MONTHLY"}:
            by["BYMONTHDAY"] = (starts_on.day,)
        elif rule.freq == "WEEKLY":
            by_day = ((0, starts_on.weekday()),)
    return replace(rule, by_day=by_day, by=MappingProxyType(by))
