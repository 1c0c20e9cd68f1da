"""A flush's weight, given to its picking days and grades.

Each bag is picked on one day, so of a few bags some days get none, and of one bag one day gets all.  A crop has shares
of its own by day, Dirichlet about the strain's.  Up to ``MANY_BAGS`` every bag alive is then put on its day, one number
of 16 bits a bag, and a day's weight is its bags times the mean of so many bags' own luck: exact but for taking a mean
of few lognormals as lognormal.  Of more bags the days' shares are Dirichlet with just the variance that such bags have,
so that the cost never grows with them.

Arrays are [day, crop, scenario] unless named otherwise; days are those still to come.

Worked example: 10 bags with shares 0.2, 0.4, 0.3, 0.1 leave the fourth day empty in about 40 scenarios of 100, and not
in 35 (0.9 to the tenth), because crops differ in their shares.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fulfilment.core.growth import Knowledge
from fulfilment.core.growth.draws import Floats, Numbers, dirichlet

MANY_BAGS: Final = 60
_EVEN: Final = 2.0
"""A strain with a smaller Dirichlet parameter needs a second uniform a day: below 1 the first alone is too even."""
_NONE: Final = -1e3
"""A logarithm of nothing."""


def scatter(likely: Floats, knowledge: Knowledge) -> Floats:
    """Which part of p(1 - p) a day's share p varies by, between crops and with so many bags."""
    lookalike = np.maximum(likely / (1 + knowledge.profile.bag_cv**2), 1.0)
    crop_part = 1 / (knowledge.window_concentration + 1)
    return crop_part + (1 - crop_part) / lookalike


class Days:
    """The numbers by which one flush of some crops comes over its days, and what they make of it.

    ``begin`` is the first day of the window still to come and ``hanging`` [crop, 1] the share that was left for it.
    """

    def __init__(
        self, knowledge: Knowledge, numbers: Numbers, *, flush: int, keys: Sequence[str], begin: int, hanging: Floats
    ) -> None:
        self.knowledge, self.numbers, self.flush, self.keys, self.begin = knowledge, numbers, flush, keys, begin
        window = np.array(knowledge.window)
        self.shares = np.repeat(window[begin:, None, None], len(keys), axis=1)
        self.shares[:1] += hanging
        self.past = np.maximum(window[:begin].sum() - hanging, 1e-3)
        self._small = knowledge.window_concentration * min(knowledge.window) < _EVEN

    def by_bag(self, alive: Floats) -> Floats:
        """What each day gets, as shares, of crops with ``alive`` [crop, scenario] bags at most ``MANY_BAGS``."""
        past = 1 if self.begin else 0
        parts = np.concatenate((self.past[None], self.shares)) if past else self.shares
        own = self._dirichlet(self.knowledge.window_concentration * parts, first=self.begin - past)
        until = self._count(alive.astype(np.uint8), own)
        found = own[past:]
        # where all that is left hangs on bags of which none was put on these days, as the crop's shares say
        none = until[-1] == (until[past - 1] if past else 0)
        kept = found[:, none]
        logs, spread = _luck(self.knowledge.profile.bag_cv)
        for part in range(past, len(own)):
            bags = (until[part] - until[part - 1] if part else until[part]).astype(np.intp)
            weight = self._deviate("days", part - past)
            weight *= spread.take(bags)
            weight += logs.take(bags)
            np.exp(weight, out=own[part])
        if kept.size:
            found[:, none] = kept
        found /= sum(found[1:], start=found[0])
        return found

    def _count(self, alive: NDArray[np.uint8], own: Floats) -> NDArray[np.uint8]:
        """[part, crop, scenario] how many bags are picked by the end of each part, each where its own number falls."""
        until = np.empty(own.shape, dtype=np.uint8)
        until[-1] = alive
        edges = np.empty(own.shape, dtype=np.uint16)
        below = np.zeros(alive.shape)
        for part in range(len(own) - 1):
            below += own[part]
            edges[part] = np.minimum(below * 2**16, 2**16 - 1)
        for place, key in enumerate(self.keys):
            most, fewest = int(alive[place].max()), int(alive[place].min())
            on = self.numbers.halves(f"bags {self.flush}", key, slots=most)[:, : alive.shape[1]]
            if fewest < most:
                gone = np.arange(fewest, most, dtype=np.uint8)[:, None] >= alive[place]
                np.maximum(on[fewest:], gone * np.uint16(2**16 - 1), out=on[fewest:])
            for part in range(len(own) - 1):
                until[part, place] = np.add.reduce((on < edges[part, place]).view(np.uint8), axis=0, dtype=np.uint8)
        return until

    def by_law(self, likely: Floats) -> Floats:
        """The same of many bags, ``likely`` [crop, 1] of them."""
        certainty = np.maximum(1 / scatter(likely, self.knowledge) - 1, 0.05)
        return self._dirichlet(certainty * self.shares, first=self.begin)

    def _dirichlet(self, alpha: Floats, *, first: int) -> Floats:
        slots = range(first, first + len(alpha))
        second = [self._uniform("few bags", slot) for slot in slots] if self._small else None
        return dirichlet((self._deviate("shares", slot) for slot in slots), alpha=alpha, uniform=second)

    def _uniform(self, kind: str, slot: int) -> Floats:
        return self.numbers.uniform(f"{kind} {self.flush}", self.keys, slot=slot)

    def _deviate(self, kind: str, slot: int) -> Floats:
        return self.numbers.deviate(f"{kind} {self.flush}", self.keys, slot=slot)

    def leave(self, spread: Floats) -> None:
        """Let some days' mushrooms hang until the next, as often as this farm does."""
        skipped = self.knowledge.skipped
        if skipped <= 0:
            return
        # the first picking day of all is one on which somebody picked
        for day in range(0 if self.begin else 1, len(spread) - 1):
            left = spread[day] * (self._uniform("left", self.begin + day) < skipped)
            spread[day] -= left
            spread[day + 1] += left


@lru_cache(maxsize=16)
def _luck(bag_cv: float) -> tuple[Floats, Floats]:
    """By number of bags, the log of the number with the middle of their mean luck, and the spread of its log."""
    counts = np.arange(MANY_BAGS + 1, dtype=np.float64)
    variance = mean_of_bags(counts, bag_cv)
    return np.where(counts > 0, np.log(np.maximum(counts, 1.0)) - variance / 2, _NONE), np.sqrt(variance)


def grams(coming: Floats, spread: Floats, by_grade: Floats) -> NDArray[np.int32]:
    """[grade, day, crop, scenario] whole grams of ``coming`` [crop, scenario]: running sums are rounded, so that days
    and grades sum to the flush.  ``by_grade`` [grade but the last, crop, scenario] is the running sum of their shares.
    """
    found = np.empty((len(by_grade) + 1, *spread.shape), dtype=np.int32)
    share, before = np.zeros_like(coming), np.zeros_like(coming)
    for day, part in enumerate(spread):
        share += part
        until = share * coming
        until += 0.5
        np.floor(until, out=until)
        by_day = until - before
        before = until
        found[-1, day] = by_day
        for grade, until_grade in enumerate(by_grade):
            graded = by_day * until_grade
            graded += 0.5
            found[grade, day] = graded
    for grade in range(len(by_grade), 0, -1):
        found[grade] -= found[grade - 1]
    return found


def mean_of_bags(alive: Floats, bag_cv: float) -> Floats:
    """Variance of the log of the mean of so many bags' luck."""
    return np.log1p(bag_cv**2 / np.maximum(alive, 1.0))


def left_hanging(knowledge: Knowledge, *, day: int, missed: int, bags: float) -> float:
    """The part of the flush that was due on the days just missed and probably hangs there still.

    Nothing taken says that nothing was ripe or that somebody left it for the next day; with many bags the first is
    unlikely.
    """
    due = math.fsum(knowledge.window[max(day - missed, 0) : day])
    if not due:
        return 0.0
    nothing = math.pow(1 - due, min(bags, knowledge.window_concentration))
    skipped = math.pow(knowledge.skipped, missed)
    rather = skipped * (1 - nothing)
    return due * rather / max(rather + nothing, 1e-12)
