"""What the clock on the farm's wall says, also on the days when it jumps."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fulfilment.core.calendar import FarmCalendar, farm_day, instant, public_holidays, zone_of
from fulfilment.core.problems import Conflict, Invalid

ZONES = (
    "Europe/Berlin",
    "Europe/London",
    "America/New_York",
    "America/St_Johns",
    "America/Sao_Paulo",
    "America/Santiago",
    "Africa/Cairo",
    "Asia/Kolkata",
    "Australia/Lord_Howe",
    "Antarctica/Troll",
    "Pacific/Auckland",
    "Pacific/Apia",
)
BERLIN = "Europe/Berlin"
FARM = FarmCalendar(
    zone=BERLIN, delivery_weekdays=frozenset({1, 4}), country="DE", cut_off_days=2, cut_off_time=time(14)
)


def jumps(zone: str) -> list[date]:
    """The days on which the zone's clock jumps, from 2008 to 2028."""
    here, found = ZoneInfo(zone), []
    at = datetime(2008, 1, 1, tzinfo=UTC)
    while at.year < 2029:
        later = at + timedelta(days=1)
        if at.astimezone(here).utcoffset() != later.astimezone(here).utcoffset():
            found.append(at.astimezone(here).date())
        at = later
    return found


@pytest.mark.parametrize("zone", ZONES)
def test_an_instant_is_the_first_minute_that_shows_the_wall_time_or_later(zone: str) -> None:
    here = ZoneInfo(zone)
    for day in (jumps(zone) or [date(2026, 3, 1)])[-12:]:
        for on in (day - timedelta(days=1), day, day + timedelta(days=1)):
            for at in (time(0, 0), time(0, 30), time(1, 15), time(2, 30), time(3, 0), time(12, 0)):
                wall = datetime.combine(on, at)
                begin = datetime(on.year, on.month, on.day, tzinfo=UTC) - timedelta(hours=16)
                minutes = (begin + timedelta(minutes=15 * i) for i in range(4 * 60))
                first = next(m for m in minutes if m.astimezone(here).replace(tzinfo=None) >= wall)
                assert instant(on, at, zone) == first


def test_skipped_and_doubled_hours_of_berlin_in_2026() -> None:
    # EU summer time: clocks change at 01:00 UTC on the last Sundays of March and October (Directive 2000/84/EC).
    assert instant(date(2026, 3, 29), time(2, 30), BERLIN) == datetime(2026, 3, 29, 1, 0, tzinfo=UTC)
    assert instant(date(2026, 10, 25), time(2, 30), BERLIN) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)


def test_a_day_that_samoa_never_had_begins_with_the_next() -> None:
    # Samoa had no 30 December 2011 (IANA time zone data, Pacific/Apia).
    assert instant(date(2011, 12, 30), time(9), "Pacific/Apia") == datetime(2011, 12, 30, 10, tzinfo=UTC)
    assert farm_day(datetime(2011, 12, 30, 10, tzinfo=UTC), "Pacific/Apia") == date(2011, 12, 31)


@given(st.sampled_from(ZONES), st.integers(0, 7_600 * 86_400))
def test_the_farm_day_contains_its_instant(zone: str, seconds: int) -> None:
    now = datetime(2008, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
    day = farm_day(now, zone)
    assert instant(day, time(), zone) <= now < instant(day + timedelta(days=1), time(), zone)


@pytest.mark.parametrize("name", ["Mars/Base", "", "../etc/passwd", "Europe/Berlin\0"])
def test_an_unknown_zone_is_refused_with_a_sentence(name: str) -> None:
    with pytest.raises(Invalid, match="time zone"):
        zone_of(name)


def test_deliveries_skip_holidays_closed_days_and_the_kitchens_own_days() -> None:
    # 25 December 2026 is a Friday and a public holiday all over Germany; so is 1 January 2027.
    closed = FarmCalendar(
        zone=BERLIN, delivery_weekdays=frozenset({1, 4}), country="DE", closed=frozenset({date(2026, 12, 29)})
    )
    assert closed.next_delivery_days(date(2026, 12, 18), 4) == [
        date(2026, 12, 22), date(2027, 1, 5), date(2027, 1, 8), date(2027, 1, 12),
    ]  # fmt: skip
    fridays = closed.next_delivery_days(date(2026, 12, 18), 1, weekdays=frozenset({4}))
    assert fridays == [date(2027, 1, 8)]
    assert "public holiday" in closed.why_no_delivery(date(2026, 12, 25))
    assert "closed" in closed.why_no_delivery(date(2026, 12, 29))
    assert "Fridays" in closed.why_no_delivery(date(2027, 1, 8), weekdays=frozenset({1}))


def test_the_farm_may_deliver_on_a_holiday_all_the_same() -> None:
    farm = FarmCalendar(zone=BERLIN, country="DE", open_on=frozenset({date(2026, 12, 25)}))
    assert farm.is_delivery_day(date(2026, 12, 25))


def test_holidays_of_a_part_of_a_country() -> None:
    # Corpus Christi 2026 is 4 June: sixty days after Easter Sunday, 5 April; a holiday in Bavaria, not in Berlin.
    assert date(2026, 6, 4) in public_holidays("DE", "BY", 2026)
    assert date(2026, 6, 4) not in public_holidays("DE", "BE", 2026)


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"country": "XX"}, "country"),
        ({"country": "DE", "subdivision": "ZZ"}, "no part"),
        ({"delivery_weekdays": frozenset({7})}, "Monday"),
        ({"cut_off_days": -1}, "cut-off"),
        ({"zone": "Nowhere"}, "time zone"),
    ],
)
def test_an_impossible_calendar_is_refused(fields: dict[str, object], says: str) -> None:
    with pytest.raises(Invalid, match=says):
        FarmCalendar(**({"zone": BERLIN} | fields))  # type: ignore[arg-type]  # wrong on purpose


def test_the_cut_off_keeps_its_wall_time_over_a_clock_change() -> None:
    # Tuesday 31 March 2026, two days back is the Sunday on which summer time begins.
    assert FARM.cut_off_at(date(2026, 3, 31)) == datetime(2026, 3, 29, 12, 0, tzinfo=UTC)
    assert FARM.cut_off_at(date(2026, 3, 27)) == datetime(2026, 3, 25, 13, 0, tzinfo=UTC)


def test_an_order_is_open_until_the_very_instant_of_its_cut_off() -> None:
    day = date(2026, 3, 27)
    cut_off = FARM.cut_off_at(day)
    FARM.check_delivery(day, now=cut_off - timedelta(microseconds=1))
    with pytest.raises(Conflict, match=r"closed on Wednesday 25 March 2026 at 14:00\. .*Tuesday 31 March") as refused:
        FARM.check_delivery(day, now=cut_off)
    assert refused.value.reason_code == "past_cut_off"


@pytest.mark.parametrize(
    ("day", "code"), [(date(2026, 3, 20), "delivery_in_the_past"), (date(2026, 4, 3), "no_delivery_day")]
)
def test_a_closed_or_past_day_names_the_next_one(day: date, code: str) -> None:
    # 3 April 2026 is Good Friday.
    with pytest.raises(Invalid, match="next day you can order for is") as refused:
        FARM.check_delivery(day, now=datetime(2026, 3, 24, 9, tzinfo=UTC))
    assert refused.value.reason_code == code


def test_a_farm_that_never_delivers_has_no_next_day() -> None:
    never = FarmCalendar(zone=BERLIN, delivery_weekdays=frozenset())
    assert never.next_delivery_days(date(2026, 1, 1), 3) == []
    assert never.next_open_day(datetime(2026, 1, 1, tzinfo=UTC)) is None


class TestNight:
    at = time(2, 30)

    def test_it_comes_once_a_day_and_at_the_end_of_a_skipped_hour(self) -> None:
        before = datetime(2026, 3, 29, 0, 59, tzinfo=UTC)
        assert FARM.night_due(before, night_at=self.at, last_night=date(2026, 3, 28)) is None
        after = before + timedelta(minutes=1)
        assert FARM.night_due(after, night_at=self.at, last_night=date(2026, 3, 28)) == date(2026, 3, 29)
        assert FARM.night_due(after, night_at=self.at, last_night=date(2026, 3, 29)) is None

    def test_after_an_outage_only_the_newest(self) -> None:
        now = datetime(2026, 5, 10, 12, tzinfo=UTC)
        assert FARM.night_due(now, night_at=self.at, last_night=date(2026, 4, 1)) == date(2026, 5, 10)
        assert FARM.night_due(now, night_at=self.at, last_night=None) == date(2026, 5, 10)

    def test_a_clock_set_back_runs_no_night_twice(self) -> None:
        assert (
            FARM.night_due(datetime(2026, 5, 9, 12, tzinfo=UTC), night_at=self.at, last_night=date(2026, 5, 10)) is None
        )

    @settings(deadline=None)
    @given(st.sampled_from(ZONES), st.integers(0, 7000))
    def test_asked_every_hour_each_day_has_one_night(self, zone: str, start: int) -> None:
        farm = FarmCalendar(zone=zone)
        now = datetime(2008, 1, 1, tzinfo=UTC) + timedelta(days=start)
        last, ran = farm.farm_day(now) - timedelta(days=1), []
        for _ in range(24 * 6):
            now += timedelta(hours=1)
            night = farm.night_due(now, night_at=self.at, last_night=last)
            if night:
                ran.append(night)
                last = night
        assert len(ran) == len(set(ran))
        assert ran == sorted(ran)
        lived = {farm.farm_day(now - timedelta(hours=h)) for h in range(12, 24 * 6)}
        assert len(lived - set(ran)) <= 1
