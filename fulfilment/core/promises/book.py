"""The book of one strain and grade: its supply, and what each promised part receives of it in each scenario.

``slack[i, j, scenario]`` for i <= j is kept whole, in 32 bits, scenarios side by side in memory: for 45 days and
1,000 scenarios 8 MB whatever the number of parts.  Booking a part is one minimum and one subtraction over the runs
that contain its window.  Slack never falls below zero, because a part receives at most the smallest of it.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Self

import numpy as np

from fulfilment.core.promises.supply import MOST, Supply

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import date

    from numpy.typing import NDArray

    from fulfilment.core.units import Goods

_ALMOST: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Part:
    """A promised amount of one strain and grade that is not yet picked; ``rank`` is farm-wide, by acceptance.

    ``first`` and ``last`` are the harvest days accepted, both included.  ``order_id`` 0 stands for no order.
    """

    part_id: int
    line_id: int
    goods: Goods
    first: date
    last: date
    amount: int
    rank: int
    order_id: int = 0


class Book:
    """What has been promised of ``goods`` against its supply, in rank order."""

    __slots__ = ("_last_rank", "_received", "_slack", "supply")

    def __init__(self, supply: Supply) -> None:
        self.supply = supply
        self._slack = _runs(supply.amounts)
        self._received: dict[int, NDArray[np.int32]] = {}
        self._last_rank: int | None = None

    @classmethod
    def replay(cls, supply: Supply, parts: Iterable[Part]) -> Self:
        """The book after all ``parts``, served in rank order whatever order they come in."""
        book = cls(supply)
        for part in sorted(parts, key=lambda part: (part.rank, part.part_id)):
            book.append(part)
        return book

    @property
    def goods(self) -> Goods:
        return self.supply.goods

    @property
    def scenarios(self) -> int:
        return self.supply.scenarios

    @property
    def last_rank(self) -> int | None:
        return self._last_rank

    @property
    def received(self) -> Mapping[int, NDArray[np.int32]]:
        """By part id, what the part receives [scenario]."""
        return self._received

    def available(self, first: date, last: date) -> NDArray[np.int32]:
        """What one more part with this window could receive [scenario]."""
        span = self.supply.span(first, last)
        if span is None:
            return np.zeros(self.scenarios, dtype=np.int32)
        return _least(self._containing(span))

    def largest(self, first: date, last: date, *, chance: int) -> int:
        """The most that a share of at least ``chance`` percent of the scenarios carries."""
        available = self.available(first, last)
        return carried_by(available, count=needed(chance, scenarios=self.scenarios))

    def chance(self, first: date, last: date, amount: int) -> float:
        """The share of scenarios in which one more part of ``amount`` receives all of it."""
        return float(np.mean(self.available(first, last) >= amount))

    def append(self, part: Part) -> NDArray[np.int32]:
        """Books ``part`` behind all others and returns what it receives [scenario]."""
        if part.goods != self.goods:
            raise ValueError(f"a part of {part.goods} in the book of {self.goods}")
        if part.amount < 0:
            raise ValueError(f"part {part.part_id} promises {part.amount}, below zero")
        if self._last_rank is not None and part.rank < self._last_rank:
            raise ValueError(f"part {part.part_id} ranks {part.rank}, before {self._last_rank}: replay the book")
        if part.part_id in self._received:
            raise ValueError(f"part {part.part_id} is in the book already")
        span = self.supply.span(part.first, part.last)
        if span is None:
            received = np.zeros(self.scenarios, dtype=np.int32)
        else:
            runs = self._containing(span)
            received = np.minimum(_least(runs), np.int32(min(part.amount, MOST)))
            np.subtract(runs, received, out=runs)
        self._received[part.part_id] = received
        self._last_rank = part.rank
        return received

    def copy(self) -> Self:
        """A book of its own with the same bookings, to try things on; what a part received never changes."""
        other = copy(self)
        other._slack, other._received = self._slack.copy(), self._received.copy()  # noqa: SLF001 - its own class
        return other

    def _containing(self, span: tuple[int, int]) -> NDArray[np.int32]:
        """The slack of all runs of days that contain ``span`` [i, j, scenario], as a view."""
        a, b = span
        return self._slack[: a + 1, b:]


def needed(chance: int, *, scenarios: int) -> int:
    """How many of the scenarios make up ``chance`` percent, rounded up; never none."""
    return max(1, -(-chance * scenarios // 100))


def carried_by(available: NDArray[np.int32] | NDArray[np.int64], *, count: int) -> int:
    """The largest amount that at least ``count`` of the scenarios hold: an order statistic, not interpolated."""
    place = available.size - count
    return int(np.partition(available, place)[place])


def percent(share: float) -> int:
    """A share of scenarios as whole percents, rounded down: 0.8999 is not 90 %."""
    return int(100 * share + _ALMOST)


def _runs(amounts: NDArray[np.int32]) -> NDArray[np.int32]:
    """Sums of ``amounts[scenario, day]`` over every run of days, as [i, j, scenario]; zero where j < i."""
    scenarios, days = amounts.shape
    until = np.zeros((days + 1, scenarios), dtype=np.int32)
    np.cumsum(amounts.T, axis=0, out=until[1:])
    runs = np.zeros((days, days, scenarios), dtype=np.int32)
    for i in range(days):
        np.subtract(until[i + 1 :], until[i], out=runs[i, i:])
    return runs


def _least(runs: NDArray[np.int32]) -> NDArray[np.int32]:
    # Two passes over one axis each run at memory speed; one reduction over both axes is half as fast.
    least: NDArray[np.int32] = np.minimum.reduce(np.minimum.reduce(runs, axis=1), axis=0)
    return least
