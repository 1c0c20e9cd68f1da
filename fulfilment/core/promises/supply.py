"""What there is of one strain and grade (or of its kits), scenario by scenario and harvest day by harvest day.

The day axis begins at the oldest lot that can still be sold.  A lot on hand is the same in every scenario.  It
counts on the day ``min(harvested_on, best_before - life_days)``: a lot that was written down keeps less long than
its harvest day says, so it is treated as the older lot that it behaves like.  That keeps "harvested earlier" and
"spoils earlier" the same order, which the book needs, and errs on the safe side.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np

from fulfilment.core.problems import Invalid

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from fulfilment.core.units import Goods

MOST: Final = int(np.iinfo(np.int32).max)
"""What one scenario may hold over all its days, so that every sum of days fits 32 bits."""


@dataclass(frozen=True, slots=True)
class LotOnHand:
    """A lot in store that may be sold; held, recalled and reserved-by-hand amounts are left out by the caller."""

    goods: Goods
    grams: int
    harvested_on: date
    best_before: date


@dataclass(frozen=True, slots=True, eq=False)
class Supply:
    """``amounts[scenario, day]`` (grams, or pieces of kits); day 0 is ``first_day``."""

    goods: Goods
    first_day: date
    amounts: NDArray[np.int32]

    @property
    def scenarios(self) -> int:
        return int(self.amounts.shape[0])

    @property
    def days(self) -> int:
        return int(self.amounts.shape[1])

    @property
    def last_day(self) -> date:
        return self.first_day + timedelta(days=self.days - 1)

    def span(self, first: date, last: date) -> tuple[int, int] | None:
        """The harvest days ``first`` to ``last`` as indices on this axis; None where they do not meet it."""
        a = max(0, (first - self.first_day).days)
        b = min(self.days - 1, (last - self.first_day).days)
        return (a, b) if a <= b else None

    def within(self, first: date, last: date) -> NDArray[np.int64]:
        """What the harvest days ``first`` to ``last`` hold together [scenario], promised or not."""
        span = self.span(first, last)
        a, b = span if span is not None else (0, -1)
        held: NDArray[np.int64] = self.amounts[:, a : b + 1].sum(axis=1, dtype=np.int64)
        return held


def stack(
    goods: Goods,
    *,
    today: date,
    lots: Sequence[LotOnHand],
    coming: NDArray[np.int32] | None,
    life_days: int,
    scenarios: int,
) -> Supply:
    """Lots on hand and ``coming[scenario, day]`` (day 0 is ``today``) on one axis.

    Lots past their best before and lots so old that no delivery can take them any more supply nothing.
    """
    counted = [(_counting_day(lot, life_days=life_days), lot) for lot in lots if _is_of(lot, goods, today)]
    # A lot past its best before has a counting day more than its life ago, so this one line leaves out both kinds.
    sellable = [(day, lot) for day, lot in counted if (today - day).days <= life_days]
    first_day = min([today, *(day for day, _ in sellable)])
    past = (today - first_day).days
    ahead = 1 if coming is None else coming.shape[1]
    amounts = np.zeros((scenarios, past + ahead), dtype=np.int64)
    if coming is not None:
        if coming.shape[0] != scenarios:
            raise ValueError(f"coming has {coming.shape[0]} scenarios, not {scenarios}")
        if coming.size and int(coming.min()) < 0:
            raise ValueError("a coming harvest below zero")
        amounts[:, past:] = coming
    for day, lot in sellable:
        amounts[:, (day - first_day).days] += lot.grams
    if amounts.size and int(amounts.sum(axis=1).max()) > MOST:
        raise Invalid(
            f"One strain's stock and coming harvest may not pass {MOST} in all; look for a wrong weight.",
            code="too_large",
            at_most=MOST,
        )
    return Supply(goods, first_day, amounts.astype(np.int32))


def window(
    delivery_day: date, *, max_age_days: int | None, life_days: int, harvest_before_packing: bool
) -> tuple[date, date]:
    """The harvest days, both included, that a delivery on ``delivery_day`` accepts.

    ``max_age_days`` is the kitchen's "harvested at most n days before" (None: as long as it keeps).  The delivery
    day's own harvest counts only where the farm harvests before packing.  A kitchen that takes same-day harvests
    only, on a farm that packs first, gets a window whose end lies before its beginning: nothing fits it.
    """
    oldest = life_days if max_age_days is None else min(max_age_days, life_days)
    newest = 0 if harvest_before_packing else 1
    return delivery_day - timedelta(days=oldest), delivery_day - timedelta(days=newest)


def _is_of(lot: LotOnHand, goods: Goods, today: date) -> bool:
    if lot.harvested_on > today:
        raise Invalid(
            f"A lot on hand cannot have been harvested on {lot.harvested_on}, after today ({today}).",
            code="in_the_future",
        )
    return lot.goods == goods and lot.grams > 0


def _counting_day(lot: LotOnHand, *, life_days: int) -> date:
    return min(lot.harvested_on, lot.best_before - timedelta(days=life_days))
