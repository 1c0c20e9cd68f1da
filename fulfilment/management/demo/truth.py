"""What really grows: the world's own dice, which the farm's forecast never sees.

Days are calendar days, weights grams.  Each strain has a *nature*: its mean stage times, its yield and its spread,
drawn once for a world around what the trade would expect, so that the farm's first beliefs are a little wrong and its
logs have something to teach.  A batch has an effect of its own, and a crop another; every weight is rounded to what a
kitchen scale shows.

Worked example: 10 pearl bags of 1,500 g dry at a true efficiency of 0.55 give about 10 × 1,500 × 0.55 × 0.6 = 5.0 kg in
their first flush, over four picking days that begin some twelve days after opening.

The numbers are common practice of the trade, no source; they are drawn by ``random.Random``, so a seed repeats a world.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from random import Random
from types import MappingProxyType
from typing import Final

SCALE_G: Final = 5
"""What the farm's scale can tell apart."""

LAST_FLUSH: Final = 3


@dataclass(frozen=True, slots=True)
class Nature:
    """One strain as it really is: mean days of each stage, shares, spreads (as sigma of a logarithm)."""

    colonising: float
    pinning: float
    growing: float
    resting: float
    stage_spread: float
    efficiency: float
    flushes: tuple[float, float, float]
    picking: tuple[float, ...]
    yield_spread: float
    best_grade: float
    trimming: float
    loss: float
    """Share of bags that go mouldy or wet in the dark."""


COMMON: Final[Mapping[str, Nature]] = MappingProxyType(
    {
        "pearl": Nature(17, 7, 5, 10, 0.11, 0.58, (0.60, 0.27, 0.13), (0.2, 0.4, 0.3, 0.1), 0.12, 0.84, 0.05, 0.04),
        "pink": Nature(13, 5, 4, 7, 0.12, 0.54, (0.62, 0.26, 0.12), (0.3, 0.5, 0.2), 0.14, 0.78, 0.06, 0.05),
        "golden": Nature(16, 6, 5, 10, 0.12, 0.49, (0.61, 0.27, 0.12), (0.3, 0.5, 0.2), 0.14, 0.74, 0.06, 0.05),
    }
)


def natures(rng: Random) -> dict[str, Nature]:
    """Each strain somewhat off what is commonly expected of it."""
    return {
        name: replace(
            common,
            colonising=common.colonising * rng.lognormvariate(0, 0.05),
            pinning=common.pinning * rng.lognormvariate(0, 0.06),
            growing=common.growing * rng.lognormvariate(0, 0.06),
            resting=common.resting * rng.lognormvariate(0, 0.06),
            efficiency=common.efficiency * rng.lognormvariate(0, 0.08),
            trimming=common.trimming * rng.lognormvariate(0, 0.2),
        )
        for name, common in COMMON.items()
    }


@dataclass(frozen=True, slots=True)
class Dark:
    """The days of one batch in the dark: when it has run, and which bags are lost on the way (day → bags)."""

    quarter_on: date
    half_on: date
    full_on: date
    lost: Mapping[date, int]
    effect: float


@dataclass(frozen=True, slots=True)
class Flush:
    """One flush of a crop as it comes: when pins show, and grams by picking day while all bags live."""

    pins_on: date
    picks: tuple[tuple[date, int], ...]


@dataclass(frozen=True, slots=True)
class Weights:
    """One day's harvest of a crop in one grade: as weighed, and what is left after trimming."""

    grade: str
    weighed_g: int
    trimmed_g: int


def run(nature: Nature, *, mixed_on: date, bags: int, rng: Random) -> Dark:
    """How a batch runs through its bags."""
    effect = rng.lognormvariate(0, nature.yield_spread * 0.7)
    days = max(8, round(nature.colonising * rng.lognormvariate(0, nature.stage_spread)))
    lost: dict[date, int] = {}
    for _ in range(bags):
        if rng.random() < nature.loss:
            day = mixed_on + timedelta(days=rng.randint(5, days))
            lost[day] = lost.get(day, 0) + 1
    return Dark(
        quarter_on=mixed_on + timedelta(days=round(days * 0.4)),
        half_on=mixed_on + timedelta(days=round(days * 0.65)),
        full_on=mixed_on + timedelta(days=days),
        lost=lost,
        effect=effect,
    )


def fruit(nature: Nature, *, flush: int, begun_on: date, bags: int, dry_g: int, effect: float, rng: Random) -> Flush:
    """A flush from opening or watering on; ``effect`` is what its batch and crop have in common."""
    pins_on = begun_on + timedelta(days=_stage(nature.pinning, nature, rng))
    first = pins_on + timedelta(days=_stage(nature.growing, nature, rng))
    noise = rng.lognormvariate(0, nature.yield_spread / math.sqrt(max(1, bags / 4)))
    whole = bags * dry_g * nature.efficiency * nature.flushes[flush - 1] * effect * noise
    uneven = [share * rng.lognormvariate(0, 0.25) for share in nature.picking]
    picks = []
    for place, share in enumerate(uneven):
        grams = _scaled(whole * share / sum(uneven))
        if grams:
            picks.append((first + timedelta(days=place), grams))
    return Flush(pins_on, tuple(picks) or ((first, SCALE_G),))


def sort(nature: Nature, grams: int, *, rng: Random) -> list[Weights]:
    """A day's grams sorted into grades and trimmed."""
    best = min(0.98, max(0.4, rng.gauss(nature.best_grade, 0.06)))
    found = []
    for grade, share in (("a", best), ("b", 1 - best)):
        weighed = _scaled(grams * share)
        if weighed:
            cut = min(0.3, max(0.0, rng.gauss(nature.trimming, 0.01)))
            found.append(Weights(grade, weighed, max(1, min(weighed, _scaled(weighed * (1 - cut)) or weighed))))
    return found


def _stage(mean: float, nature: Nature, rng: Random) -> int:
    return max(2, round(mean * rng.lognormvariate(0, nature.stage_spread)))


def _scaled(grams: float) -> int:
    return SCALE_G * round(grams / SCALE_G)
