"""Farm days, delivery days, cut-offs and nights: what a clock on the farm's wall says.

A *day* is a local date of the farm, an *instant* an aware datetime in UTC.  Twice a year a wall clock jumps, so some
wall times never are and some are twice.  The rule here: :func:`instant` gives the first real instant at which the wall
clock shows the wanted time or later.  A time that is skipped becomes the end of the gap, one that comes twice its
first coming.  A day that a zone skipped whole (it changed sides of the date line) begins with the next.

A delivery day is a day on one of the farm's weekdays (and on one of the kitchen's own, where it has some) that is
neither closed by the farm nor a public holiday; ``open_on`` names the holidays on which it delivers all the same.
The cut-off of a delivery day is ``cut_off_days`` calendar days before it at ``cut_off_time`` on the wall.

Worked example: clocks in Berlin go from 02:00 to 03:00 on 29 March 2026, so half past two becomes three o'clock.

>>> instant(date(2026, 3, 29), time(2, 30), "Europe/Berlin").isoformat()
'2026-03-29T01:00:00+00:00'

Sources: the IANA time zone data for zones, the ``holidays`` library for public holidays.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from fulfilment.core.problems import Conflict, Invalid

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

WEEKDAYS: Final = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS: Final = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
LOOK_AHEAD: Final = 730
"""Days searched for a delivery day before giving up: a farm closed for two years has none."""


@lru_cache(maxsize=64)
def zone_of(name: str) -> ZoneInfo:
    """The IANA time zone of that name; :class:`Invalid` where there is none."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise Invalid(
            f"There is no time zone {name[:60]!r}: give one of the IANA names, such as 'Europe/Berlin'.",
            code="unknown_zone",
            where="zone",
        ) from error


def farm_day(now: datetime, zone: str) -> date:
    """The date on the wall at an instant."""
    return now.astimezone(zone_of(zone)).date()


def instant(day: date, at: time, zone: str) -> datetime:
    """The first real instant, in UTC, at which the wall clock shows ``at`` of ``day`` or later."""
    wall = datetime.combine(day, at)
    here = zone_of(zone)
    first, second = (wall.replace(tzinfo=here, fold=fold).astimezone(UTC) for fold in (0, 1))
    if first.astimezone(here).replace(tzinfo=None) == wall:
        return first
    too_early, late_enough = min(first, second) - timedelta(seconds=1), max(first, second)
    while late_enough - too_early > timedelta(seconds=1):
        middle = too_early + timedelta(seconds=int((late_enough - too_early).total_seconds()) // 2)
        if middle.astimezone(here).replace(tzinfo=None) < wall:
            too_early = middle
        else:
            late_enough = middle
    return late_enough


def in_words(day: date) -> str:
    """``Friday 1 May 2026``."""
    return f"{WEEKDAYS[day.weekday()]} {day.day} {MONTHS[day.month - 1]} {day.year}"


@lru_cache(maxsize=256)
def public_holidays(country: str, subdivision: str, year: int) -> Mapping[date, str]:
    """The public holidays of a country (ISO 3166-1) and part of it (ISO 3166-2) in a year, with their names."""
    import holidays  # the largest import of this room, and a farm without a country never needs it

    if not country:
        return MappingProxyType({})
    supported = holidays.list_supported_countries(include_aliases=False)
    if country not in supported:
        raise Invalid(
            f"No public holidays are known for the country {country[:20]!r}: give two letters such as 'DE', or none.",
            code="unknown_country",
            where="country",
        )
    if subdivision and subdivision not in supported[country]:
        raise Invalid(
            f"{country} has no part {subdivision[:20]!r} with holidays of its own: leave it empty, or give one of "
            f"{', '.join(supported[country]) or 'none'}.",
            code="unknown_subdivision",
            where="subdivision",
        )
    languages = holidays.list_localized_countries(include_aliases=False).get(country, ())
    found = holidays.country_holidays(
        country, subdiv=subdivision or None, years=year, language="en_US" if "en_US" in languages else None
    )
    return MappingProxyType({day: str(name) for day, name in found.items() if day.year == year})


@dataclass(frozen=True, slots=True)
class FarmCalendar:
    """When the farm delivers and until when a delivery can be changed.  Weekdays count from Monday = 0."""

    zone: str
    delivery_weekdays: frozenset[int] = frozenset({0, 1, 2, 3, 4})
    closed: frozenset[date] = frozenset()
    country: str = ""
    subdivision: str = ""
    open_on: frozenset[date] = frozenset()
    cut_off_days: int = 1
    cut_off_time: time = time(12, 0)

    def __post_init__(self) -> None:
        zone_of(self.zone)
        _check_weekdays(self.delivery_weekdays)
        if not 0 <= self.cut_off_days <= 28:
            raise Invalid(
                f"A cut-off {self.cut_off_days} days before delivery cannot be: give 0 to 28 days.",
                code="impossible_cut_off",
                where="cut_off_days",
            )
        if self.country:
            public_holidays(self.country, self.subdivision, 2000)

    def farm_day(self, now: datetime) -> date:
        return farm_day(now, self.zone)

    def holiday(self, day: date) -> str:
        """The public holiday's name, or nothing."""
        return public_holidays(self.country, self.subdivision, day.year).get(day, "") if self.country else ""

    def is_delivery_day(self, day: date, *, weekdays: frozenset[int] | None = None) -> bool:
        """``weekdays`` are the kitchen's own, on top of the farm's."""
        return not self.why_no_delivery(day, weekdays=weekdays)

    def why_no_delivery(self, day: date, *, weekdays: frozenset[int] | None = None) -> str:
        """A clause such as ``the farm does not deliver on Mondays``; empty on a delivery day."""
        if day.weekday() not in self.delivery_weekdays:
            return f"the farm does not deliver on {WEEKDAYS[day.weekday()]}s"
        if weekdays is not None and day.weekday() not in weekdays:
            return f"this kitchen takes no deliveries on {WEEKDAYS[day.weekday()]}s"
        if day in self.closed:
            return "the farm is closed that day"
        holiday = "" if day in self.open_on else self.holiday(day)
        return f"it is a public holiday ({holiday})" if holiday else ""

    def next_delivery_days(self, after: date, count: int = 1, *, weekdays: frozenset[int] | None = None) -> list[date]:
        """The first ``count`` delivery days later than ``after``; fewer where the next two years hold no more."""
        if weekdays is not None:
            _check_weekdays(weekdays)
        found: list[date] = []
        for day in _days_after(after, LOOK_AHEAD):
            if len(found) == count:
                break
            if self.is_delivery_day(day, weekdays=weekdays):
                found.append(day)
        return found

    def cut_off_at(self, delivery_day: date) -> datetime:
        """The instant from which a delivery is frozen."""
        return instant(delivery_day - timedelta(days=self.cut_off_days), self.cut_off_time, self.zone)

    def check_delivery(
        self, day: date, *, now: datetime, weekdays: frozenset[int] | None = None, where: str = "day"
    ) -> None:
        """Raises what keeps an order for ``day`` from being placed at ``now``: a day past or closed, a cut-off past."""
        if day < self.farm_day(now):
            raise Invalid(
                f"{in_words(day)} is past{self._instead(now, weekdays)}", code="delivery_in_the_past", where=where
            )
        closed = self.why_no_delivery(day, weekdays=weekdays)
        if closed:
            raise Invalid(
                f"There is no delivery on {in_words(day)}: {closed}{self._instead(now, weekdays)}",
                code="no_delivery_day",
                where=where,
            )
        cut_off = self.cut_off_at(day)
        if now >= cut_off:
            local = cut_off.astimezone(zone_of(self.zone))
            raise Conflict(
                f"Orders for {in_words(day)} closed on {in_words(local.date())} at {local:%H:%M}"
                f"{self._instead(now, weekdays)}",
                code="past_cut_off",
                where=where,
                cut_off_at=cut_off.isoformat(),
            )

    def next_open_day(self, now: datetime, *, weekdays: frozenset[int] | None = None) -> date | None:
        """The first delivery day that can still be ordered for."""
        first = self.farm_day(now) - timedelta(days=1)
        return next(
            (
                day
                for day in _days_after(first, LOOK_AHEAD)
                if self.is_delivery_day(day, weekdays=weekdays) and now < self.cut_off_at(day)
            ),
            None,
        )

    def night_due(self, now: datetime, *, night_at: time, last_night: date | None) -> date | None:
        """The newest farm day whose night has come at ``now`` and was not run; after an outage only that one.

        ``night_at`` is the local time at which the night of a day begins.
        """
        today = self.farm_day(now)
        newest = today if now >= instant(today, night_at, self.zone) else today - timedelta(days=1)
        return newest if last_night is None or newest > last_night else None

    def _instead(self, now: datetime, weekdays: frozenset[int] | None) -> str:
        day = self.next_open_day(now, weekdays=weekdays)
        return f". The next day you can order for is {in_words(day)}." if day else "."


def _check_weekdays(weekdays: frozenset[int]) -> None:
    if not weekdays <= frozenset(range(7)):
        raise Invalid(
            "Weekdays are counted from 0 for Monday to 6 for Sunday.", code="unknown_weekday", where="delivery_weekdays"
        )


def _days_after(day: date, count: int) -> Iterator[date]:
    return (day + timedelta(days=i) for i in range(1, count + 1))
