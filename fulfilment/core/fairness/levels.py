"""The common level at which a group of curves uses up a given total, exactly.

The sum of the curves rises with the level in straight pieces.  Floating point finds the piece, whole numbers
solve on it, and the answer counts only if the curves then sum to the total exactly; else (two bends closer than
a double can tell) the bends are sorted as fractions.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fulfilment.core.fairness.rules import Curve
from fulfilment.core.problems import Invalid

Whole = NDArray[Any]
"""int64 where everything fits, Python integers (dtype object) where it would not; axis: curve."""

_SAFE = 1 << 61


class Bundle:
    """Many curves side by side as columns; axis: curve."""

    __slots__ = ("least", "most", "size", "slope", "start")

    def __init__(self, curves: Sequence[Curve]) -> None:
        self.slope = np.array([c.slope for c in curves], dtype=np.int64)
        self.start = np.array([c.start for c in curves], dtype=np.int64)
        self.least = np.array([c.least for c in curves], dtype=np.int64)
        self.most = np.array([c.most for c in curves], dtype=np.int64)
        self.size = int(max(np.abs(column).max(initial=0) for column in self._columns())) + 1

    def _columns(self) -> tuple[NDArray[np.int64], ...]:
        return self.slope, self.start, self.least, self.most

    def numerators(self, level: Fraction, chosen: NDArray[np.intp]) -> Whole:
        """Amounts of the chosen curves at ``level``, in units of one over its denominator."""
        top, below = level.numerator, level.denominator
        columns: Sequence[Whole] = [column[chosen] for column in self._columns()]
        if self.size * (abs(top) + below) * (len(chosen) + 1) >= _SAFE:
            columns = [column.astype(object) for column in columns]
        slope, start, least, most = columns
        amounts: Whole = np.minimum(most * below, np.maximum(least * below, slope * top + start * below))
        return amounts

    def level(self, chosen: NDArray[np.intp], *, total: int) -> Fraction:
        """The level at which the chosen curves sum to ``total``; raises :class:`Invalid` where none does."""
        lowest, highest = int(self.least[chosen].sum()), int(self.most[chosen].sum())
        if not lowest <= total <= highest:
            raise Invalid(
                f"{total} cannot be shared by lines that need at least {lowest} and take at most {highest}.",
                code="not_shareable",
                total=total,
                at_least=lowest,
                at_most=highest,
            )
        bending = chosen[self.slope[chosen] > 0]
        if bending.size == 0:
            return Fraction(0)
        quick = self._by_piece(bending, total=total - int(self.least[chosen].sum() - self.least[bending].sum()))
        if quick is not None and sum(self.numerators(quick, chosen).tolist()) == total * quick.denominator:
            return quick
        return self._by_sorting(chosen, bending, total=total)

    def _by_piece(self, bending: NDArray[np.intp], *, total: int) -> Fraction | None:
        slope, start, least, most = (column[bending] for column in self._columns())
        bends = np.concatenate([(least - start) / slope, (most - start) / slope])
        turns = np.concatenate([slope, -slope])
        order = np.argsort(bends, kind="stable")
        steepness = np.cumsum(turns[order])
        rises = steepness[:-1] * np.diff(bends[order])
        reached = np.concatenate([[0.0], np.cumsum(rises)]) + float(least.sum())
        piece = min(max(int(np.searchsorted(reached, total, side="left")) - 1, 0), len(bends) - 2)
        place = np.empty(len(bends), dtype=np.intp)
        place[order] = np.arange(len(bends))
        opened, closed = place[: len(slope)] <= piece, place[len(slope) :] <= piece
        moving = opened & ~closed
        steep = int(slope[moving].sum())
        if steep == 0:
            return None
        settled = int(least[~opened].sum() + most[closed].sum() + start[moving].sum())
        return Fraction(total - settled, steep)

    def _by_sorting(self, chosen: NDArray[np.intp], bending: NDArray[np.intp], *, total: int) -> Fraction:
        bends = sorted(
            {
                Fraction(int(bound[i]) - int(self.start[i]), int(self.slope[i]))
                for i in bending
                for bound in (self.least, self.most)
            }
        )
        low, high = 0, len(bends) - 1
        while low < high:
            middle = (low + high) // 2
            if self._sum(bends[middle], chosen) < total:
                low = middle + 1
            else:
                high = middle
        above, reached = bends[low], self._sum(bends[low], chosen)
        if low == 0 or reached == total:
            return above
        below, under = bends[low - 1], self._sum(bends[low - 1], chosen)
        return below + (above - below) * (total - under) / (reached - under)

    def _sum(self, level: Fraction, chosen: NDArray[np.intp]) -> Fraction:
        return Fraction(sum(self.numerators(level, chosen).tolist()), level.denominator)
