"""When to open a grown-through batch: the grower's main lever on when food comes.

A bag of a hardy strain may wait in the cold before it is opened, up to a limit; opened later, its flushes come later.
For each waiting batch, oldest first, a few delays are tried.  A delay moves the batch's expected grams that many days
on; the demand is then served day by day, oldest grams first, and the delay under which most of it is served is
taken, the shortest among equals.  Grams, days and expectations only: what a promise may count on is drawn afterwards,
with the openings chosen here.

Worked example.  Ten kilos are wanted on day 12 and none on day 9, and the batch, opened now, gives ten on day 8,
which keep three days: opened now it serves nothing, three days later all ten.

Source: common practice for the waiting; the rule is worked out here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fulfilment.core.units import Goods

DELAYS: Final = (0, 2, 4, 7, 10, 14)
"""Days tried; a batch's own limit cuts them."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A batch not yet opened: its expected grams [day] by goods if opened as soon as it can be, and how long it may
    wait.
    """

    batch_id: int
    coming: Mapping[Goods, NDArray[np.float64]]
    may_wait_days: int


@dataclass(frozen=True, slots=True)
class Demand:
    """Grams of goods wanted, from harvest days ``first`` to ``last`` (indices, both included)."""

    goods: Goods
    first: int
    last: int
    grams: float


def choose_delays(
    waiting: Sequence[Waiting], *, others: Mapping[Goods, NDArray[np.float64]], demands: Sequence[Demand]
) -> dict[int, int]:
    """Days to wait by batch.  ``others`` is what comes without these batches, [day] by goods, all of one length."""
    supply = {goods: row.copy() for goods, row in others.items()}
    for batch in waiting:
        for goods, row in batch.coming.items():
            supply[goods] = supply.get(goods, np.zeros_like(row)) + row
    chosen: dict[int, int] = {}
    for batch in waiting:
        wanted = [d for d in demands if d.goods in batch.coming]
        without = {goods: supply[goods] - row for goods, row in batch.coming.items()}
        best, best_served = 0, -1.0
        for delay in DELAYS:
            if delay > batch.may_wait_days:
                break
            served = sum(
                _served(without[goods] + later(row, days=delay), [d for d in wanted if d.goods == goods])
                for goods, row in batch.coming.items()
            )
            if served > best_served + 1:
                best, best_served = delay, served
        chosen[batch.batch_id] = best
        for goods, row in batch.coming.items():
            supply[goods] = without[goods] + later(row, days=best)
    return chosen


def later(row: NDArray[np.float64], *, days: int) -> NDArray[np.float64]:
    """The same grams, ``days`` days on; what falls off the end is beyond the horizon."""
    moved = np.zeros_like(row)
    moved[days:] = row[: max(0, row.size - days)]
    return moved


def _served(supply: NDArray[np.float64], demands: Sequence[Demand]) -> float:
    """Grams served, taking demands by their last day and the oldest grams first."""
    left = supply.tolist()
    total = 0.0
    for demand in sorted(demands, key=lambda d: (d.last, d.first)):
        missing = demand.grams
        for day in range(max(0, demand.first), min(len(left), demand.last + 1)):
            taken = min(missing, left[day])
            left[day] -= taken
            missing -= taken
            if missing <= 0:
                break
        total += demand.grams - missing
    return total
