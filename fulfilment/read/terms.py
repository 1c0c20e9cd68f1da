"""Which harvest days a delivery accepts, and what a kitchen takes instead: an order's terms, as the core wants them."""

from __future__ import annotations

from collections.abc import Collection, Container, Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from itertools import chain
from typing import TYPE_CHECKING, Any

from fulfilment.core.calendar import FarmCalendar
from fulfilment.core.promises import Choice, window
from fulfilment.core.units import Goods
from fulfilment.models import ClosedDay, Farm, Kitchen, Product, Substitute
from fulfilment.read.farm import KIT_DAYS_LEFT, calendar, calendar_of, farm, lives, lives_of

if TYPE_CHECKING:
    from django.db.models import QuerySet

KIT_CHANCE = 99
"""Kits are promised by date, and only where practically sure."""

Instead = Mapping[tuple[int, Goods], tuple[Goods, ...]]
"""(kitchen id, goods ordered) → the substitutes it accepts, best liked first."""


@dataclass(frozen=True, slots=True)
class Terms:
    farm: Farm
    calendar: FarmCalendar
    life: Mapping[Goods, int]
    instead: Instead

    def choices(
        self, kitchen: Kitchen | None, goods: Goods, on: date, *, keeps_until: date | None = None
    ) -> tuple[Choice, ...]:
        """The goods ordered and the substitutes accepted, each with its harvest days for a delivery ``on`` that day."""
        others = self.instead.get((kitchen.pk, goods), ()) if kitchen is not None else ()
        return tuple(
            Choice(each, *self.window(kitchen, each, on, keeps_until=keeps_until)) for each in (goods, *others)
        )

    def window(
        self, kitchen: Kitchen | None, goods: Goods, on: date, *, keeps_until: date | None = None
    ) -> tuple[date, date]:
        """``keeps_until``: kits are not past their start-by date on that day."""
        life = self.life[goods]
        left = max(KIT_DAYS_LEFT, (keeps_until - on).days if keeps_until is not None else 0)
        age = life - left if goods.is_kit or kitchen is None else kitchen.max_age_days
        same_day = self.farm.harvest_before_packing and not goods.is_kit
        return window(on, max_age_days=age, life_days=life, harvest_before_packing=same_day)


def terms(goods: Collection[Goods], *, instead: Instead) -> Terms:
    """The terms for ``goods``, whose substitutes must be among them."""
    whose = farm()
    return Terms(whose, calendar(whose), lives(goods), instead)


def questions(*, kitchens: Any) -> dict[str, QuerySet[Any, Any]]:
    """What :func:`terms_of` wants told beside how long things keep."""
    return {"closed": ClosedDay.objects.values_list("on"), "substitutes": _substitutes(kitchens)}


def terms_of(whose: Farm, goods: Collection[Goods], told: Mapping[str, list[Any]], *, known: Container[Goods]) -> Terms:
    """The same of what was told, for these goods and those of their substitutes that are ``known``."""
    instead = {
        key: tuple(each for each in others if each in known)
        for key, others in _instead(told["substitutes"]).items()
        if key[1] in goods
    }
    closed = (day for (day,) in told["closed"])
    life = lives_of({*goods, *chain.from_iterable(instead.values())}, told)
    return Terms(whose, calendar_of(whose, closed=closed), life, instead)


def substitutes(kitchens: Collection[int]) -> Instead:
    return _instead(_substitutes(kitchens)) if kitchens else {}


def _substitutes(kitchens: Any) -> QuerySet[Any, Any]:
    rows = Substitute.objects.filter(kitchen__in=kitchens).order_by("position", "pk")
    return rows.values_list("kitchen_id", "strain_id", "grade", "instead_strain_id", "instead_grade")


def _instead(rows: Iterable[Any]) -> Instead:
    found: dict[tuple[int, Goods], tuple[Goods, ...]] = {}
    for kitchen, strain, grade, instead_strain, instead_grade in rows:
        key = (kitchen, Goods(strain, grade))
        found[key] = (*found.get(key, ()), Goods(instead_strain, instead_grade))
    return found


def asked_pct(kitchen: Kitchen | None, product: Product) -> int:
    """The chance at which this line is promised."""
    return KIT_CHANCE if kitchen is None or product.is_kit else kitchen.chance_pct
