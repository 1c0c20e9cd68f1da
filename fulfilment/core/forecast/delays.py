"""What picking a growing crop a day earlier costs, and what a day's wait brings.

A flush that is picked as it ripens weighs what the forecast draws.  Begun a day before it is ripe, each of its usual
picking days a day sooner, it weighs what the growth curve (:mod:`fulfilment.core.growth.mass`) leaves of that; begun
later, no more: caps flatten, spores fall, and what they lose in keeping is not counted here.  In each scenario the
growing stage has its own length and the flush its own weight, so the cost is a range.  How mass follows a cap's width
is not known better than between its square and its cube: each scenario has a power of its own, the same for every crop.

The day on which another day's wait brings less than a hundredth of the flush is the plateau; from there on a wait is
told to bring nothing.

Worked example: 3 kg, ripe three days from now in every scenario, five days after the pins: begun today some 1.0 kg,
then 2.0, 2.7 and 3: the waits bring 0.9, 0.7 and 0.3 kg, and nothing after.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fulfilment.core.growth import mass_before
from fulfilment.core.growth.draws import Floats

MOST_DAYS: Final = 21
"""A crop that is not ripe by then in half of the scenarios is told nothing of."""
PLATEAU: Final = 0.01
_POWERS: Final = 8
POWERS: Final = 2 + (np.arange(_POWERS) + 0.5) / _POWERS
"""By which mass follows a cap's width: from an area's power to a body's (geometry, no source)."""
_GOLDEN: Final = (5**0.5 - 1) / 2
"""Its multiples, less their whole parts, are spread evenly however many are taken, and go with no scenario's luck."""

Grams = tuple[int, int, int]
"""Tenth percentile, mean, ninetieth percentile."""
NOTHING: Final[Grams] = (0, 0, 0)


@dataclass(frozen=True, slots=True)
class DelayCost:
    """``now_g`` is the flush as it comes off the bags, trimmed, if its picking began on ``first_on``; ``waits[i]`` what
    the wait from i to i + 1 days later brings.  The means sum to the whole flush but for the last hundredth.
    """

    first_on: date
    now_g: Grams
    waits: tuple[Grams, ...]

    @property
    def full_on(self) -> date:
        """From this day on waiting brings nothing."""
        return self.day(len(self.waits))

    def day(self, place: int) -> date:
        """The day on which the wait at ``place`` begins."""
        return self.first_on + timedelta(days=place)

    def wait(self, on: date) -> Grams:
        """What waiting from ``on`` to the next day brings."""
        place = (on - self.first_on).days
        return self.waits[place] if 0 <= place < len(self.waits) else NOTHING

    def as_data(self) -> dict[str, object]:
        return {
            "first_on": self.first_on.isoformat(),
            "now_g": list(self.now_g),
            "waits_g": [list(each) for each in self.waits],
        }

    @classmethod
    def from_data(cls, data: object) -> DelayCost | None:
        """What :meth:`as_data` wrote; None where nothing was."""
        if not isinstance(data, Mapping):
            return None
        return cls(date.fromisoformat(data["first_on"]), _grams(data["now_g"]), tuple(map(_grams, data["waits_g"])))


def delay_cost(
    grams: NDArray[np.integer], *, ripe_on: NDArray[np.integer], elapsed: float, pace: float, today: date
) -> DelayCost | None:
    """Of a crop whose pins have grown ``elapsed`` physiological days: ``grams`` [scenario] the whole flush, ``ripe_on``
    [scenario] the day from today on which it is first picked; None for one that hardly grows.
    """
    if pace <= 0 or not grams.any():
        return None
    ordered = np.sort(ripe_on)
    if ordered[_place(ordered.size, 50)] > MOST_DAYS:
        return None
    # of the few that are riper later, a day's gain is less than the plateau's
    last = min(int(ordered[_place(ordered.size, 99)]), MOST_DAYS)
    left = _left(min(int(ordered[-1]), 2 * MOST_DAYS), last=last, elapsed=elapsed, pace=pace)
    weights = left[:, np.minimum(ripe_on, left.shape[1] // _POWERS - 1) * _POWERS + _powers(grams.size)] * grams
    means = weights.mean(axis=1)
    gains = means[1:] - means[:-1]
    worth = np.nonzero(gains >= PLATEAU * grams.mean())[0]
    told = int(worth[-1]) + 1 if worth.size else 0
    # running sums are rounded, so that the waits add up
    rounded = np.floor(means + 0.5).astype(np.int64)
    by_day = np.concatenate((weights[:1], weights[1 : told + 1] - weights[:told])).astype(np.int32)
    by_day.sort(axis=1)
    lows, highs = (by_day[:, _place(grams.size, level)].tolist() for level in (10, 90))
    mean = [int(rounded[0]), *(rounded[1 : told + 1] - rounded[:told]).tolist()]
    now, *waits = zip(lows, mean, highs, strict=True)
    return DelayCost(first_on=today, now_g=now, waits=tuple(waits))


def _left(latest: int, *, last: int, elapsed: float, pace: float) -> Floats:
    """[day, ripe day and power] the share of the mass it is picked with that what is ripe on a day up to ``latest`` has
    on a day up to ``last``.
    """
    ripe = np.arange(latest + 1.0)[:, None]
    days = np.arange(last + 1.0)[:, None, None]
    found = mass_before((ripe - days) * pace, growing_days=elapsed + ripe * pace, power=POWERS)
    return found.reshape(last + 1, -1)


@lru_cache(maxsize=8)
def _powers(scenarios: int) -> NDArray[np.int64]:
    """[scenario] which of the powers is its own."""
    return np.asarray(_POWERS * (np.arange(1, scenarios + 1) * _GOLDEN % 1), dtype=np.int64)


def _place(size: int, level: int) -> int:
    """Where, of so many in order, the smallest stands that at least ``level`` percent do not exceed."""
    return max(math.ceil(size * level / 100) - 1, 0)


def _grams(given: Sequence[int]) -> Grams:
    low, mean, high = given
    return int(low), int(mean), int(high)
