"""The farm's own row, its calendar and how long things keep, as the core wants them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from fulfilment.core.calendar import FarmCalendar, farm_day
from fulfilment.core.problems import Missing
from fulfilment.core.units import KIT, Goods
from fulfilment.models import ClosedDay, Farm, Keeping, Kitchen, Strain

if TYPE_CHECKING:
    from django.db.models import QuerySet

KIT_DAYS_LEFT = 14
"""A kit is not sent out with fewer days than these before its start-by date."""


def farm_if_any() -> Farm | None:
    """The one row of this installation; None before it is set up."""
    return Farm.objects.filter(pk=1).first()


def farm() -> Farm:
    """The one row of this installation."""
    return the_one(Farm.objects.filter(pk=1))


def the_one(rows: Iterable[Farm]) -> Farm:
    """The one row, where there is one."""
    for found in rows:
        return found
    raise Missing("There is no farm yet: set it up first (name, time zone, delivery days, cut-off).", code="no_farm")


def calendar(of: Farm) -> FarmCalendar:
    return calendar_of(of, closed=ClosedDay.objects.values_list("on", flat=True))


def calendar_of(of: Farm, *, closed: Iterable[date]) -> FarmCalendar:
    return FarmCalendar(
        zone=of.zone,
        delivery_weekdays=frozenset(of.delivery_weekdays),
        closed=frozenset(closed),
        country=of.holiday_country,
        subdivision=of.holiday_region,
        cut_off_days=of.cut_off_days,
        cut_off_time=of.cut_off_time,
    )


def today(now: datetime) -> date:
    """The farm-local date."""
    return farm_day(now, farm().zone)


def weekdays(kitchen: Kitchen | None) -> frozenset[int] | None:
    """The kitchen's own delivery weekdays; None where any of the farm's will do."""
    return frozenset(kitchen.delivery_weekdays) if kitchen is not None and kitchen.delivery_weekdays else None


def lives(goods: Iterable[Goods]) -> Mapping[Goods, int]:
    """Days that each of the goods keeps: from harvest to best before, or from full run to start by."""
    wanted = set(goods)
    asked = keeping_questions(strains={g.strain_id for g in wanted}, kits=any(g.is_kit for g in wanted))
    return lives_of(wanted, asked)


def keeping_questions(*, strains: Any, kits: bool) -> dict[str, QuerySet[Any, Any]]:
    """What :func:`lives_of` wants told of these strains, and of their kits where there are some among the goods."""
    asked: dict[str, QuerySet[Any, Any]] = {
        "keepings": Keeping.objects.filter(strain__in=strains).values_list("strain_id", "grade", "best_before_days")
    }
    return asked | {"weeks": Strain.objects.filter(pk__in=strains).values_list("pk", "kit_weeks")} if kits else asked


def lives_of(goods: Iterable[Goods], told: Mapping[str, Iterable[Any]]) -> Mapping[Goods, int]:
    """The same of what was told."""
    wanted = set(goods)
    found = {Goods(strain, grade): days for strain, grade, days in told["keepings"]}
    found |= {Goods(strain, KIT): 7 * weeks for strain, weeks in told.get("weeks", ())}
    for each in wanted - found.keys():
        raise Missing(
            f"Nobody has said how long grade {each.grade!r} of this strain keeps: set its best-before days first.",
            code="no_keeping",
            strain_id=each.strain_id,
            grade=each.grade,
        )
    return {g: found[g] for g in wanted}
