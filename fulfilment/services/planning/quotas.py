"""How many bags of each batch are meant as kits: the plan raises the quota towards the grower's wish.

Every bag kept as a kit is one that gives no fresh mushrooms.  A quota is raised as far as no promise already booked
falls below the chance it was made at (or, where it has fallen there already, any lower), found by bisection over the
scenarios, and never beyond what at least 99 scenarios of 100 have grown through and sound within the days.  Lowering is
nobody's business here: losses, openings and picks do that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np
from numpy.typing import NDArray

from fulfilment.core.chances import chances
from fulfilment.core.forecast import Forecast
from fulfilment.core.growth import CropState
from fulfilment.core.promises import Part, Supply
from fulfilment.core.units import Goods
from fulfilment.models import Batch, Kit, PromisePart
from fulfilment.models import Book as BookRow
from fulfilment.read import supply

Arrays = Mapping[Goods, NDArray[np.int32]]


def choose(made: Forecast, states: Sequence[CropState], *, today: date) -> dict[int, int]:
    """Batch id → how many more bags to set aside; only batches whose quota rises."""
    waiting = {s.batch_id: s for s in states if s.key == f"batch:{s.batch_id}" and s.bags > 0}
    fruiting = {batch_id: state.bags for batch_id, state in waiting.items()}
    raised: dict[int, int] = {}
    batches = Batch.objects.filter(pk__in=fruiting, kits_wanted__gt=0).order_by("mixed_on", "pk")
    short = [(batch, min(_missing(batch, fruiting[batch.pk]), _sure(made, waiting[batch.pk]))) for batch in batches]
    if not any(missing for _, missing in short):
        return raised
    stock, parts = _as_forecast(made, today=today)
    asked = _asked(parts)
    before = chances(stock, parts).by_part
    for batch, missing in short:
        coming = made.unopened.get(batch.pk, {})
        extra = _most(
            missing, bags=fruiting[batch.pk], coming=coming, stock=stock, parts=parts, asked=asked, before=before
        )
        if extra:
            raised[batch.pk] = extra
            stock = _without(stock, coming, share=extra / fruiting[batch.pk])
    return raised


def _sure(made: Forecast, state: CropState) -> int:
    """Bags that will practically surely be there to seal beyond those set aside already: kits are promised by date."""
    return max(0, made.surely_ready(state.batch_id) - state.kits)


def _missing(batch: Batch, bags: int) -> int:
    """Bags still to be set aside: the wish, less what was picked as kits and what is set aside already."""
    out = Kit.objects.filter(batch=batch, line__isnull=False).count()
    return max(0, min(batch.kits_wanted - out - batch.kit_quota, bags))


def _most(
    missing: int, *, bags: int, coming: Arrays, stock: Mapping[Goods, Supply], parts: Sequence[Part],
    asked: Mapping[int, float], before: Mapping[int, float],
) -> int:  # fmt: skip
    """The most bags that can be set aside without taking from a promise."""
    concerned = [part for part in parts if part.goods in coming]

    def holds(extra: int) -> bool:
        without = _without(stock, coming, share=extra / bags)
        after = chances({g: without[g] for g in coming if g in without}, concerned).by_part
        return all(after[p.part_id] >= min(asked[p.part_id], before[p.part_id]) - 1e-9 for p in concerned)

    if holds(missing):
        return missing
    low, high = 0, missing
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def _without(stock: Mapping[Goods, Supply], coming: Arrays, *, share: float) -> dict[Goods, Supply]:
    """What is left when this share of a batch's bags gives no fresh mushrooms."""
    found = dict(stock)
    for goods, amounts in coming.items():
        whole = stock[goods]
        less = whole.amounts.copy()
        offset = whole.days - amounts.shape[1]
        less[:, offset:] -= np.minimum(np.ceil(amounts * share).astype(np.int32), less[:, offset:])
        found[goods] = Supply(goods, whole.first_day, less)
    return found


def _as_forecast(made: Forecast, *, today: date) -> tuple[dict[Goods, Supply], list[Part]]:
    """Lots and the new forecast on one axis, and the live parts, as they will be once it is published."""
    rows = [row for row in BookRow.objects.all() if Goods(row.strain_id, row.grade) in made.supplies]
    stock = supply.supplies_of(made, rows, today=today)
    return stock, supply.parts_now(rows, today=today)


def _asked(parts: Sequence[Part]) -> dict[int, float]:
    return {
        pk: pct / 100
        for pk, pct in PromisePart.objects.filter(pk__in=[p.part_id for p in parts]).values_list(
            "pk", "promise__asked_pct"
        )
    }
