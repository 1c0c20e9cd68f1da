"""Grams: biological efficiency, and how a mushroom grows from pin to picking.

Biological efficiency is 100 x fresh mushrooms / dry substrate.  Worked example: 910.1 g fresh at 105.0 % came
from 866.8 g dry; 200 g from a kilogram of fresh substrate with 70 % water is 66.7 %.

A mushroom's size, its cap's width, is logistic over the growing stage: doubling daily at first, flat at the end
(logistic fits cap diameters better than Gompertz: Ryu & Na 2023, J. Mushrooms 21(4):254-260, who measured x2.855,
1.822, 1.294 and 1.038 from day to day).  Its mass follows the width with a power between two, a flat cap, and three, a
body that keeps its shape (geometry, no source).  Worked example: five days from pins to picking; picked a day before,
the caps have 95 % of their width and, at a power of 2.5, 89 % of the mass.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import numpy as np

from fulfilment.core.growth.draws import Floats
from fulfilment.core.problems import Invalid

IMPOSSIBLE_PCT: Final = 300
"""Biological efficiency that no bag reaches; a profile cannot claim more either."""
GROWN: Final = 0.97
"""Share of its last size at which a mushroom is picked: the caps are about to flatten."""


def biological_efficiency(fresh_g: float, *, dry_g: float) -> float:
    """Percent."""
    if dry_g <= 0 or fresh_g < 0:
        raise Invalid("Dry substrate must weigh more than 0 g and mushrooms at least 0 g.", code="impossible")
    return 100 * fresh_g / dry_g


def dry_substrate(fresh_g: float, *, efficiency_pct: float) -> float:
    """Grams of dry substrate that gave ``fresh_g`` at this efficiency."""
    if efficiency_pct <= 0 or fresh_g < 0:
        raise Invalid("Efficiency must be above 0 % and mushrooms weigh at least 0 g.", code="impossible")
    return 100 * fresh_g / efficiency_pct


def fresh_mass(dry_g: float, *, efficiency_pct: float) -> float:
    """Grams of mushrooms from ``dry_g`` at this efficiency."""
    if efficiency_pct < 0 or dry_g < 0:
        raise Invalid("Efficiency and dry substrate must be 0 or more.", code="impossible")
    return dry_g * efficiency_pct / 100


def size(day: float, *, growing_days: float) -> float:
    """Share of its last size that a mushroom has ``day`` days after pins, ``GROWN`` at ``growing_days``.

    The steepness is the one at which the first day doubles it (a stage of under two days cannot double and then
    flatten: it is as steep as one of two).
    """
    (steep,) = _steepness(np.array([max(growing_days, _SHORTEST)]))
    return float(1 / (1 + math.exp(-(_REACH + steep * (day - growing_days)))))


def mass_before(early: Floats, *, growing_days: Floats, power: Floats) -> Floats:
    """Share of the mass it is picked with that a mushroom has ``early`` days before it is ripe (0 and below: all).

    ``growing_days`` is what it takes from pins to ripe, ``power`` how mass follows size; the three are broadcast.
    """
    spans, slopes = _table()
    steep = np.interp(growing_days, spans, slopes)
    missing = math.log1p(math.exp(-_REACH)) - np.logaddexp(0, steep * np.maximum(early, 0.0) - _REACH)
    return np.asarray(np.exp(power * missing))


_REACH: Final = math.log(GROWN / (1 - GROWN))
_SHORTEST, _LONGEST = 2.0, 60.0


def _steepness(spans: Floats) -> Floats:
    """[span] the slopes of the logistic at which the first of so many growing days doubles the size, by halving."""
    low, high = np.full_like(spans, 0.3), np.full_like(spans, 6.0)
    for _ in range(60):
        middle = (low + high) / 2
        start = middle * spans - _REACH
        doubles = np.logaddexp(0, start) - np.logaddexp(0, start - middle) >= math.log(2)
        low, high = np.where(doubles, low, middle), np.where(doubles, middle, high)
    return high


@lru_cache(maxsize=1)
def _table() -> tuple[Floats, Floats]:
    """Slopes of stages of many lengths, to be read between."""
    spans = np.geomspace(_SHORTEST, _LONGEST, 400)
    return spans, _steepness(spans)
