"""On which days a rule comes round.

A rule counts from ``starts_on`` and never gives a day before it; ``starts_on`` itself is a day of the rule only where
it fits the rule.  ``python-dateutil`` expands every rule, and two things stand in front of it.  Weekly patterns
(FREQ=WEEKLY with BYDAY, INTERVAL, WKST, COUNT, UNTIL), which nearly all standing orders are, are arithmetic on week
numbers: a week belongs to the rule when its number less that of the start's week is a multiple of INTERVAL.  And any
other rule without COUNT is handed to dateutil from the newest aligned period before the window, not from its start: the
cost depends on the window, not on how long ago the standing order began.

Worked example: every second Tuesday and Friday, from Wednesday 4 March 2026.  The week of the start counts, so Friday
6 March is the first day and Tuesday 17 March the next.

>>> days = occurrences("FREQ=WEEKLY;INTERVAL=2;BYDAY=TU,FR", starts_on=date(2026, 3, 4),
...                    first=date(2026, 3, 1), last=date(2026, 3, 20))
>>> [f"{day:%d.%m.}" for day in days]
['06.03.', '17.03.', '20.03.']

Source: RFC 5545, sections 3.3.10 and 3.8.5.3.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from itertools import islice
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from dateutil import rrule as du

from fulfilment.core.calendar.days import in_words
from fulfilment.core.calendar.rules import Rule, parse
from fulfilment.core.problems import Invalid

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

YEARS_SEARCHED: Final = 10
"""A rule that gives no day in the ten years after its start is refused as giving none."""
_REFERENCE: Final = date(2024, 1, 1)
_EPOCH_MONDAY: Final = date(1, 1, 1).toordinal()
"""Day 1 of year 1 is a Monday: week numbers count from there."""
_NEVER: Final = date.max.toordinal()
_FREQUENCIES: Final[Mapping[str, Literal[0, 1, 2, 3]]] = MappingProxyType(
    {"DAILY": du.DAILY, "WEEKLY": du.WEEKLY, "MONTHLY": du.MONTHLY, "YEARLY": du.YEARLY}
)


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
        free = rule if starts_on else replace(rule, until=None)
        if not _first_day(free, starts_on=start, last=horizon):
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
    return _by_dateutil(parsed, starts_on=starts_on, first=begin, last=end)


def expand(recurrences: Sequence[Recurrence], *, first: date, last: date) -> NDArray[np.bool_]:
    """``[recurrence, day]``, days counted from ``first``: whether each comes round on that day."""
    return Patterns.of(recurrences).days(first=first, last=last)


def _first_day(rule: Rule, *, starts_on: date, last: date) -> date | None:
    end = min(last, rule.until) if rule.until else last
    return next(_dateutil(rule, starts_on=starts_on, last=end), None)


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


def _by_dateutil(rule: Rule, *, starts_on: date, first: date, last: date) -> list[date]:
    if rule.count is None:
        rule = _explicit(rule, starts_on=starts_on)
        starts_on = _aligned(rule, starts_on=starts_on, first=first)
    return [day for day in _dateutil(rule, starts_on=starts_on, last=last) if day >= first]


def _dateutil(rule: Rule, *, starts_on: date, last: date) -> Iterator[date]:
    """dateutil's own expansion, from ``starts_on`` and not beyond ``last``."""
    end = min(last, rule.until) if rule.until else last
    days = du.rrule(
        _FREQUENCIES[rule.freq],
        dtstart=datetime.combine(starts_on, time()),
        interval=rule.interval,
        until=datetime.combine(end, time()),
        wkst=rule.week_start,
        bymonth=rule.by.get("BYMONTH"),
        byweekno=rule.by.get("BYWEEKNO"),
        byyearday=rule.by.get("BYYEARDAY"),
        bymonthday=rule.by.get("BYMONTHDAY"),
        byweekday=[du.weekdays[day](nth) if nth else du.weekdays[day] for nth, day in rule.by_day] or None,
        bysetpos=rule.by.get("BYSETPOS"),
    )
    # Counted here: dateutil deprecates COUNT beside UNTIL, and a rule that never comes must still have an end.
    return (day.date() for day in islice(days, rule.count))


def _explicit(rule: Rule, *, starts_on: date) -> Rule:
    """With what the start's date says for it written out, so that the start can be moved."""
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


def _aligned(rule: Rule, *, starts_on: date, first: date) -> date:
    """The beginning of the newest period of the rule that is not after ``first``, or the start where that is later."""
    if rule.freq == "DAILY":
        days = (first - starts_on).days
        moved = first - timedelta(days=days % rule.interval)
    elif rule.freq == "WEEKLY":
        since = _EPOCH_MONDAY + rule.week_start
        anchor, week = ((day.toordinal() - since) // 7 for day in (starts_on, first))
        moved = date.fromordinal(max(1, since + 7 * (week - (week - anchor) % rule.interval)))
    elif rule.freq == "MONTHLY":
        anchor, month = (12 * day.year + day.month - 1 for day in (starts_on, first))
        year, index = divmod(month - (month - anchor) % rule.interval, 12)
        moved = date(year, index + 1, 1)
    else:
        moved = date(first.year - (first.year - starts_on.year) % rule.interval, 1, 1)
    return max(moved, starts_on)
