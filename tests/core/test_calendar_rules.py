"""When a standing order comes round: RFC 5545's own examples, and dateutil on rules nobody wrote."""

from __future__ import annotations

import datetime as dt
from datetime import date, datetime, time, timedelta
from types import SimpleNamespace
from unittest.mock import patch

import numpy as np
import pytest
from dateutil.rrule import rrulestr
from hypothesis import given, settings
from hypothesis import strategies as st

from fulfilment.core.calendar import Patterns, Recurrence, check_rule, describe, expand, occurrences
from fulfilment.core.calendar.expansion import _fits
from fulfilment.core.problems import Invalid

WEEK = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")


def days(text: str, *, year: int) -> list[date]:
    """``"9: 2 9; 10: 7; +1 1: 5"``: months with their days; ``+1`` steps to a later year."""
    found = []
    for part in text.split(";"):
        head, tail = part.split(":")
        if "+" in head:
            step, head = head.split()
            year += int(step)
        for token in tail.split():
            begin, _, end = token.partition("-")
            found += [date(year, int(head), day) for day in range(int(begin), int(end or begin) + 1)]
    return found


# RFC 5545, section 3.8.5.3, with its dates; an UNTIL given there as midnight UTC is the day before in New York.
EXAMPLES = [
    ("FREQ=DAILY;COUNT=10", date(1997, 9, 2), "9: 2-11"),
    ("FREQ=DAILY;UNTIL=19971223", date(1997, 9, 2), "9: 2-30; 10: 1-31; 11: 1-30; 12: 1-23"),
    ("FREQ=DAILY;INTERVAL=10;COUNT=5", date(1997, 9, 2), "9: 2 12 22; 10: 2 12"),
    ("FREQ=YEARLY;UNTIL=20000131;BYMONTH=1;BYDAY=SU,MO,TU,WE,TH,FR,SA", date(1998, 1, 1),
     "1: 1-31; +1 1: 1-31; +1 1: 1-31"),
    ("FREQ=DAILY;UNTIL=20000131;BYMONTH=1", date(1998, 1, 1), "1: 1-31; +1 1: 1-31; +1 1: 1-31"),
    ("FREQ=WEEKLY;COUNT=10", date(1997, 9, 2), "9: 2 9 16 23 30; 10: 7 14 21 28; 11: 4"),
    ("FREQ=WEEKLY;UNTIL=19971223", date(1997, 9, 2),
     "9: 2 9 16 23 30; 10: 7 14 21 28; 11: 4 11 18 25; 12: 2 9 16 23"),
    ("FREQ=WEEKLY;INTERVAL=2;WKST=SU;COUNT=9", date(1997, 9, 2), "9: 2 16 30; 10: 14 28; 11: 11 25; 12: 9 23"),
    ("FREQ=WEEKLY;COUNT=10;WKST=SU;BYDAY=TU,TH", date(1997, 9, 2), "9: 2 4 9 11 16 18 23 25 30; 10: 2"),
    ("FREQ=WEEKLY;INTERVAL=2;UNTIL=19971223;WKST=SU;BYDAY=MO,WE,FR", date(1997, 9, 1),
     "9: 1 3 5 15 17 19 29; 10: 1 3 13 15 17 27 29 31; 11: 10 12 14 24 26 28; 12: 8 10 12 22"),
    ("FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH", date(1997, 9, 2), "9: 2 4 16 18 30; 10: 2 14 16"),
    ("FREQ=MONTHLY;COUNT=10;BYDAY=1FR", date(1997, 9, 5),
     "9: 5; 10: 3; 11: 7; 12: 5; +1 1: 2; 2: 6; 3: 6; 4: 3; 5: 1; 6: 5"),
    ("FREQ=MONTHLY;UNTIL=19971223;BYDAY=1FR", date(1997, 9, 5), "9: 5; 10: 3; 11: 7; 12: 5"),
    ("FREQ=MONTHLY;INTERVAL=2;COUNT=10;BYDAY=1SU,-1SU", date(1997, 9, 7),
     "9: 7 28; 11: 2 30; +1 1: 4 25; 3: 1 29; 5: 3 31"),
    ("FREQ=MONTHLY;COUNT=6;BYDAY=-2MO", date(1997, 9, 22), "9: 22; 10: 20; 11: 17; 12: 22; +1 1: 19; 2: 16"),
    ("FREQ=MONTHLY;BYMONTHDAY=-3;COUNT=6", date(1997, 9, 28), "9: 28; 10: 29; 11: 28; 12: 29; +1 1: 29; 2: 26"),
    ("FREQ=MONTHLY;COUNT=10;BYMONTHDAY=2,15", date(1997, 9, 2), "9: 2 15; 10: 2 15; 11: 2 15; 12: 2 15; +1 1: 2 15"),
    ("FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1", date(1997, 9, 30),
     "9: 30; 10: 1 31; 11: 1 30; 12: 1 31; +1 1: 1 31; 2: 1"),
    ("FREQ=MONTHLY;INTERVAL=18;COUNT=10;BYMONTHDAY=10,11,12,13,14,15", date(1997, 9, 10), "9: 10-15; +2 3: 10-13"),
    ("FREQ=MONTHLY;INTERVAL=2;BYDAY=TU;UNTIL=19980131", date(1997, 9, 2),
     "9: 2 9 16 23 30; 11: 4 11 18 25; +1 1: 6 13 20 27"),
    ("FREQ=YEARLY;COUNT=10;BYMONTH=6,7", date(1997, 6, 10),
     "6: 10; 7: 10; +1 6: 10; 7: 10; +1 6: 10; 7: 10; +1 6: 10; 7: 10; +1 6: 10; 7: 10"),
    ("FREQ=YEARLY;INTERVAL=2;COUNT=10;BYMONTH=1,2,3", date(1997, 3, 10),
     "3: 10; +2 1: 10; 2: 10; 3: 10; +2 1: 10; 2: 10; 3: 10; +2 1: 10; 2: 10; 3: 10"),
    ("FREQ=YEARLY;INTERVAL=3;COUNT=10;BYYEARDAY=1,100,200", date(1997, 1, 1),
     "1: 1; 4: 10; 7: 19; +3 1: 1; 4: 9; 7: 18; +3 1: 1; 4: 10; 7: 19; +3 1: 1"),
    ("FREQ=YEARLY;BYDAY=20MO;COUNT=3", date(1997, 5, 19), "5: 19; +1 5: 18; +1 5: 17"),
    ("FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO;COUNT=3", date(1997, 5, 12), "5: 12; +1 5: 11; +1 5: 17"),
    ("FREQ=YEARLY;BYMONTH=3;BYDAY=TH;UNTIL=19991231", date(1997, 3, 13),
     "3: 13 20 27; +1 3: 5 12 19 26; +1 3: 4 11 18 25"),
    ("FREQ=YEARLY;BYDAY=TH;BYMONTH=6,7,8;UNTIL=19971231", date(1997, 6, 5),
     "6: 5 12 19 26; 7: 3 10 17 24 31; 8: 7 14 21 28"),
    ("FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13;COUNT=5", date(1997, 9, 2), "+1 2: 13; 3: 13; 11: 13; +1 8: 13; +1 10: 13"),
    ("FREQ=MONTHLY;BYDAY=SA;BYMONTHDAY=7,8,9,10,11,12,13;COUNT=10", date(1997, 9, 13),
     "9: 13; 10: 11; 11: 8; 12: 13; +1 1: 10; 2: 7; 3: 7; 4: 11; 5: 9; 6: 13"),
    ("FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8;COUNT=3", date(1996, 11, 5),
     "11: 5; +4 11: 7; +4 11: 2"),
    ("FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3", date(1997, 9, 4), "9: 4; 10: 7; 11: 6"),
    ("FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2;COUNT=7", date(1997, 9, 29),
     "9: 29; 10: 30; 11: 27; 12: 30; +1 1: 29; 2: 26; 3: 30"),
    ("FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", date(1997, 8, 5), "8: 5 10 19 24"),
    ("FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU", date(1997, 8, 5), "8: 5 17 19 31"),
    ("FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5", date(2007, 1, 15), "1: 15 30; 2: 15; 3: 15 30"),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "start", "expected"), EXAMPLES)
def test_the_examples_of_rfc_5545(rule: str, start: date, expected: str) -> None:
    found = occurrences(check_rule(rule, starts_on=start), starts_on=start, first=start, last=date(2012, 1, 1))
    assert found == days(expected, year=start.year)


STARTS = st.dates(date(1990, 1, 1), date(2030, 12, 31))


@st.composite
def rules(draw: st.DrawFn, *, freq: str | None = None) -> str:
    """Any rule RFC 5545 allows with whole days."""
    freq = freq or draw(st.sampled_from(["DAILY", "WEEKLY", "MONTHLY", "YEARLY"]))
    parts = [f"FREQ={freq}"]

    def maybe(name: str, values: st.SearchStrategy[int], most: int = 3) -> bool:
        if not draw(st.booleans()):
            return False
        chosen = draw(st.lists(values, min_size=1, max_size=most, unique=True))
        parts.append(f"{name}={','.join(map(str, chosen))}")
        return True

    if draw(st.booleans()):
        parts.append(f"INTERVAL={draw(st.integers(1, 8))}")
    if draw(st.booleans()):
        parts.append(f"WKST={draw(st.sampled_from(WEEK))}")
    by = maybe("BYMONTH", st.integers(1, 12))
    week_numbers = False
    if freq == "YEARLY":
        week_numbers = maybe("BYWEEKNO", st.one_of(st.integers(1, 53), st.integers(-51, -1)))
        by |= week_numbers | maybe("BYYEARDAY", st.one_of(st.integers(1, 366), st.integers(-366, -1)))
    if freq != "WEEKLY":
        by |= maybe("BYMONTHDAY", st.one_of(st.integers(1, 31), st.integers(-31, -1)))
    if draw(st.booleans()):
        weekdays = draw(st.lists(st.sampled_from(WEEK), min_size=1, max_size=4, unique=True))
        if freq in {"MONTHLY", "YEARLY"} and not week_numbers and draw(st.booleans()):
            weekdays = [f"{draw(st.sampled_from([1, 2, 4, -1, -2]))}{day}" for day in weekdays]
        parts.append(f"BYDAY={','.join(weekdays)}")
        by = True
    if by:
        maybe("BYSETPOS", st.one_of(st.integers(1, 5), st.integers(-5, -1)))
    end = draw(st.sampled_from(["", "COUNT", "UNTIL"]))
    if end == "COUNT":
        parts.append(f"COUNT={draw(st.integers(1, 40))}")
    if end == "UNTIL":
        parts.append(f"UNTIL={draw(STARTS):%Y%m%d}")
    return ";".join(parts)


def by_dateutil(rule: str, *, start: date, first: date, last: date) -> list[date]:
    """dateutil's days.  It looks for a rule's next day until the last year there is, so it is given an earlier one."""
    parts = [part for part in rule.split(";") if not part.startswith(("COUNT", "UNTIL"))]
    count = int(rule.split("COUNT=")[1].split(";")[0]) if "COUNT" in rule else None
    until = date.fromisoformat(rule.split("UNTIL=")[1].split(";")[0]) if "UNTIL" in rule else last
    found: list[date] = []
    shorter = SimpleNamespace(**{**vars(dt), "MAXYEAR": last.year + 1})
    with patch("dateutil.rrule.datetime", shorter):
        for at in rrulestr(";".join(parts), dtstart=datetime.combine(start, time())):
            if at.date() > min(until, last) or len(found) == count:
                break
            found.append(at.date())
    return [day for day in found if day >= first]


@settings(deadline=None, max_examples=100)
@given(rules(), STARTS, st.integers(-200, 900), st.integers(0, 200))
def test_every_rule_is_equal_to_dateutil(rule: str, start: date, ahead: int, length: int) -> None:
    # dateutil counts no week of the next year from that year's end (-52, -53), so the corpus leaves those out.
    first = start + timedelta(days=ahead)
    last = first + timedelta(days=length)
    expected = by_dateutil(rule, start=start, first=first, last=last)
    assert occurrences(rule, starts_on=start, first=first, last=last) == expected


@settings(deadline=None)
@given(st.lists(st.tuples(rules(freq="WEEKLY"), STARTS, st.none() | STARTS), max_size=8), STARTS, st.integers(0, 90))
def test_the_sweep_over_many_standing_orders_says_the_same_as_one_by_one(
    orders: list[tuple[str, date, date | None]], first: date, length: int
) -> None:
    last = first + timedelta(days=length)
    hits = expand([Recurrence(rule, start, until) for rule, start, until in orders], first=first, last=last)
    assert hits.shape == (len(orders), length + 1)
    for row, (rule, start, until) in zip(hits, orders, strict=True):
        expected = occurrences(rule, starts_on=start, first=first, last=last, until=until)
        assert [first + timedelta(days=int(i)) for i in np.flatnonzero(row)] == expected


def test_one_reading_serves_many_windows() -> None:
    orders = [Recurrence("FREQ=WEEKLY;BYDAY=TU,FR", date(2026, 1, 1)), Recurrence("FREQ=MONTHLY", date(2026, 1, 31))]
    patterns = Patterns.of(orders)
    for first in (date(2026, 1, 1), date(2026, 3, 1), date(2031, 7, 1)):
        last = first + timedelta(days=27)
        assert (patterns.days(first=first, last=last) == expand(orders, first=first, last=last)).all()


def test_a_standing_order_four_centuries_old_comes_on_the_same_days() -> None:
    # 400 Gregorian years are 20,871 whole weeks, which three divides: every third week stays every third week.
    window = {"first": date(2026, 1, 1), "last": date(2026, 3, 31)}
    rule = "FREQ=WEEKLY;INTERVAL=3;BYDAY=TU,FR"
    assert occurrences(rule, starts_on=date(2025, 12, 29), **window) == occurrences(
        rule, starts_on=date(1625, 12, 29), **window
    )


@given(rules())
def test_the_normal_spelling_means_the_same_and_is_its_own(rule: str) -> None:
    start, last = date(2026, 1, 1), date(2028, 1, 1)
    window = {"starts_on": start, "first": start, "last": last}
    try:
        normal = check_rule(rule.lower())
    except Invalid:
        assert occurrences(rule, **window) == []
        return
    assert check_rule(f"RRULE:{normal}") == normal
    assert occurrences(normal, **window) == occurrences(rule, **window)
    assert describe(normal).startswith("every ")


@pytest.mark.parametrize(
    ("rule", "code"),
    [
        ("", "malformed_rule"),
        ("every tuesday", "malformed_rule"),
        ("FREQ=WEEKLY;FREQ=DAILY", "malformed_rule"),
        ("BYDAY=TU", "unknown_frequency"),
        ("FREQ=HOURLY", "more_than_one_a_day"),
        ("FREQ=DAILY;BYHOUR=9,12", "more_than_one_a_day"),
        ("FREQ=WEEKLY;BYEASTER=0", "unknown_part"),
        ("FREQ=WEEKLY;BYDAY=XX", "malformed_rule"),
        ("FREQ=WEEKLY;BYDAY=2TU", "parts_do_not_go_together"),
        ("FREQ=MONTHLY;BYDAY=0FR", "malformed_rule"),
        ("FREQ=WEEKLY;BYMONTHDAY=13", "parts_do_not_go_together"),
        ("FREQ=MONTHLY;BYSETPOS=1", "parts_do_not_go_together"),
        ("FREQ=MONTHLY;BYWEEKNO=20", "parts_do_not_go_together"),
        ("FREQ=DAILY;INTERVAL=0", "out_of_range"),
        ("FREQ=DAILY;INTERVAL=99999999999999999999", "out_of_range"),
        ("FREQ=MONTHLY;BYMONTHDAY=32", "out_of_range"),
        ("FREQ=DAILY;COUNT=3;UNTIL=20261224", "two_ends"),
        ("FREQ=DAILY;UNTIL=20260230", "malformed_until"),
        ("FREQ=DAILY;UNTIL=20261224T120000Z", "malformed_until"),
        ("FREQ=DAILY;UNTIL=tomorrow", "malformed_until"),
        ("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", "no_dates"),
        ("FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30;COUNT=1", "no_dates"),
        ("FREQ=DAILY;" + "BYMONTH=1;" * 60, "rule_too_long"),
        ("FREQ=DAILY;BYMONTH=١", "out_of_range"),
    ],
)
def test_a_wrong_rule_is_refused_with_a_sentence(rule: str, code: str) -> None:
    with pytest.raises(Invalid) as refused:
        check_rule(rule, where="lines.0.rule")
    assert refused.value.reason_code == code
    assert refused.value.where == "lines.0.rule"
    assert refused.value.sentence.endswith(".")


def test_a_rule_that_ends_before_it_starts_gives_no_day() -> None:
    rule = "FREQ=WEEKLY;UNTIL=20260105;BYDAY=TU"
    assert check_rule(rule) == rule
    with pytest.raises(Invalid, match="no day in the ten years after Tuesday 6 January 2026"):
        check_rule(rule, starts_on=date(2026, 1, 6))


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        ("FREQ=WEEKLY;BYDAY=TU,FR", "every Tuesday and Friday"),
        ("FREQ=WEEKLY;INTERVAL=2;BYDAY=TU,FR", "every second week on Tuesday and Friday"),
        ("FREQ=WEEKLY;INTERVAL=3;BYDAY=FR", "every 3 weeks on Friday"),
        ("FREQ=WEEKLY;INTERVAL=2;BYDAY=FR", "every second Friday"),
        ("FREQ=DAILY;INTERVAL=3;COUNT=5", "every 3 days, 5 times"),
        ("FREQ=MONTHLY;BYDAY=-1FR", "every month on the last Friday"),
        ("FREQ=MONTHLY;BYMONTHDAY=1,15", "every month on the 1st and the 15th"),
        ("FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13", "every month on each Friday, if it is the 13th"),
        ("FREQ=YEARLY;BYMONTH=12;BYMONTHDAY=24", "every year on the 24th in December"),
        ("FREQ=WEEKLY;BYDAY=TU;UNTIL=20261224", "every Tuesday, until Thursday 24 December 2026"),
        ("FREQ=MONTHLY;BYDAY=MO,TU;BYSETPOS=-1", "every month on each Monday and each Tuesday, only the last of these"),
    ],
)
def test_a_rule_in_words(rule: str, words: str) -> None:
    assert describe(rule) == words


def test_29_february_comes_every_fourth_year() -> None:
    found = occurrences("FREQ=YEARLY", starts_on=date(2024, 2, 29), first=date(2025, 1, 1), last=date(2037, 1, 1))
    assert found == [date(2028, 2, 29), date(2032, 2, 29), date(2036, 2, 29)]


@pytest.mark.parametrize(
    "rule",
    ["FREQ=WEEKLY;INTERVAL=3;BYDAY=MO,FR", "FREQ=WEEKLY;BYDAY=MO,WE,FR;BYSETPOS=1", "FREQ=WEEKLY;INTERVAL=2;COUNT=9"],
)
def test_windows_that_begin_in_any_week_after_the_start(rule: str) -> None:
    start = date(2026, 3, 4)
    for ahead in range(0, 60, 4):
        window = {"first": start + timedelta(days=ahead), "last": start + timedelta(days=ahead + 30)}
        assert occurrences(rule, starts_on=start, **window) == by_dateutil(rule, start=start, **window)


def test_weeks_are_numbered_as_iso_8601_numbers_them() -> None:
    # datetime.isocalendar of the standard library is ISO 8601's week, the rule's own with WKST=MO.
    for year in range(2015, 2032):
        for week in (1, 2, 52, 53):
            found = occurrences(
                f"FREQ=YEARLY;BYWEEKNO={week};BYDAY={','.join(WEEK)}",
                starts_on=date(2000, 1, 1), first=date(year, 1, 1), last=date(year, 12, 31),
            )  # fmt: skip
            assert found == [
                day for day in (date(year, 1, 1) + timedelta(days=i) for i in range(366))
                if day.year == year and day.isocalendar().week == week
            ]  # fmt: skip


@pytest.mark.parametrize("freq", ["DAILY", "MONTHLY", "YEARLY"])
def test_a_rule_that_never_comes_is_not_searched_for(freq: str) -> None:
    window = {"starts_on": date(1, 1, 1), "first": date(2026, 1, 1), "last": date(2026, 12, 31)}
    with patch("fulfilment.core.calendar.expansion._fits", wraps=_fits) as asked:
        assert occurrences(f"FREQ={freq};BYMONTH=2;BYMONTHDAY=30", **window) == []
    assert asked.call_count == 365


def test_the_last_days_there_are_end_a_rule() -> None:
    last = date.max
    for rule in ("FREQ=DAILY;BYSETPOS=1;BYDAY=FR", "FREQ=WEEKLY;BYDAY=FR", "FREQ=WEEKLY;COUNT=2000;BYDAY=FR",
                 "FREQ=YEARLY;BYWEEKNO=52;BYDAY=FR"):  # fmt: skip
        assert occurrences(rule, starts_on=last - timedelta(days=6), first=last - timedelta(days=6), last=last) == [
            last
        ]
