"""The farm's own row, its calendar and how long things keep, as the core wants them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime

from fulfilment.core.calendar import FarmCalendar, farm_day
from fulfilment.core.problems import Missing
from fulfilment.core.units import KIT, Goods
from fulfilment.models import ClosedDay, Farm, Keeping, Kitchen, Strain

KIT_DAYS_LEFT = 14
"""A kit is not sent out with fewer days than these before its start-by date."""


def farm_if_any() -> Farm | None:
    """The one row of this installation; None before it is set up."""
    return Farm.objects.filter(pk=1).first()


def farm() -> Farm:
    """The one row of this installation."""
    found = farm_if_any()
    if found is None:
        raise Missing(
            "There is no farm yet: set it up first (name, time zone, delivery days, cut-off).", code="no_farm"
        )
    return found


def calendar(of: Farm) -> FarmCalendar:
    return FarmCalendar(
        zone=of.zone,
        delivery_weekdays=frozenset(of.delivery_weekdays),
        closed=frozenset(ClosedDay.objects.values_list("on", flat=True)),
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
    strains = {g.strain_id for g in wanted}
    found = {
        Goods(strain, grade): days
        for strain, grade, days in Keeping.objects.filter(strain__in=strains).values_list(
            "strain_id", "grade", "best_before_days"
        )
    }
    if any(g.is_kit for g in wanted):
        found |= {
            Goods(strain, KIT): 7 * weeks
            for strain, weeks in Strain.objects.filter(pk__in=strains).values_list("pk", "kit_weeks")
        }
    for each in wanted - found.keys():
        raise Missing(
            f"Nobody has said how long grade {each.grade!r} of this strain keeps: set its best-before days first.",
            code="no_keeping",
            strain_id=each.strain_id,
            grade=each.grade,
        )
    return {g: found[g] for g in wanted}
