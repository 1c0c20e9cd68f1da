"""Which harvest days a delivery accepts, and what a kitchen takes instead: an order's terms, as the core wants them."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date

from fulfilment.core.calendar import FarmCalendar
from fulfilment.core.promises import Choice, window
from fulfilment.core.units import Goods
from fulfilment.models import Farm, Kitchen, Product, Substitute
from fulfilment.read.farm import KIT_DAYS_LEFT, calendar, farm, lives

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


def substitutes(kitchens: Collection[int]) -> Instead:
    found: dict[tuple[int, Goods], tuple[Goods, ...]] = {}
    if kitchens:
        for row in Substitute.objects.filter(kitchen__in=kitchens).order_by("position", "pk"):
            key = (row.kitchen_id, Goods(row.strain_id, row.grade))
            found[key] = (*found.get(key, ()), Goods(row.instead_strain_id, row.instead_grade))
    return found


def asked_pct(kitchen: Kitchen | None, product: Product) -> int:
    """The chance at which this line is promised."""
    return KIT_CHANCE if kitchen is None or product.is_kit else kitchen.chance_pct
