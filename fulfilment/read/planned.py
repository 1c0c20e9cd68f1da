"""The newest plan as staff read it: what it gives, how restless the last days were, what becomes of the bags."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from fulfilment.core.calendar import farm_day
from fulfilment.models import Event, Plan
from fulfilment.read import worths
from fulfilment.read.farm import farm
from fulfilment.read.tonight import Short, coming_short
from fulfilment.read.worths import BagPlan, Cheap

DAYS: Final = 14
"""How far back the unrest of the plans is listed."""


@dataclass(frozen=True, slots=True)
class Rest:
    """What the plans of one day moved, in grams: to another source, and more or less in all; also weighted."""

    on: date
    plans: int
    resourced: int
    changed: int
    resourced_weighted: int
    changed_weighted: int


@dataclass(frozen=True, slots=True)
class Planned:
    """``made_at`` is None before the first plan; ``refused_at`` says since when no plan has passed its audit."""

    made_at: datetime | None
    code: str
    lines: int
    rests: tuple[Rest, ...]
    bags: tuple[BagPlan, ...]
    cheap: tuple[Cheap, ...]
    short: tuple[Short, ...]
    refused_at: datetime | None


def planned(*, today: date) -> Planned:
    """The page's facts; ``today`` is the farm's day."""
    newest = Plan.objects.order_by("-pk").first()
    figures = newest.figures if newest is not None else {}
    bags = worths.bag_plans()
    return Planned(
        made_at=newest.made_at if newest is not None else None,
        code=newest.public_id if newest is not None else "",
        lines=figures.get("lines", 0),
        rests=tuple(_rests(today=today)),
        bags=bags,
        cheap=worths.cheap_kits(bags),
        short=coming_short(today),
        refused_at=refused_at(),
    )


def refused_at() -> datetime | None:
    """Since when every plan has failed its audit, so that an older one stands; None where the newest one passed."""
    passed = Event.objects.filter(kind="planned").order_by("-pk").values_list("pk", flat=True).first() or 0
    refused = Event.objects.filter(kind="plan_refused", pk__gt=passed).order_by("pk")
    return refused.values_list("at", flat=True).first()


def _rests(*, today: date) -> Iterable[Rest]:
    zone = farm().zone
    since = today - timedelta(days=DAYS - 1)
    by_day: dict[date, list[dict[str, int]]] = {}
    # A day earlier than asked, since the farm's day may begin before that day of UTC.
    made = Plan.objects.filter(made_at__date__gte=since - timedelta(days=1)).order_by("-pk")
    for made_at, figures in made.values_list("made_at", "figures"):
        by_day.setdefault(farm_day(made_at, zone), []).append(figures)
    for on, plans in by_day.items():
        if on >= since:
            yield Rest(on, len(plans), *(sum(each.get(name, 0) for each in plans) for name in _COUNTED))


_COUNTED: Final = ("resourced", "changed", "resourced_weighted", "changed_weighted")
