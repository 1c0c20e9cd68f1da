"""Grams: biological efficiency, and how a mushroom grows from pin to picking.

Biological efficiency is 100 x fresh mushrooms / dry substrate.  Worked example: 910.1 g fresh at 105.0 % came
from 866.8 g dry; 200 g from a kilogram of fresh substrate with 70 % water is 66.7 %.

A mushroom's size is logistic over the growing stage: doubling daily at first, flat at the end (logistic fits cap
diameters better than Gompertz: Ryu & Na 2023, J. Mushrooms 21(4):254-260).
"""

from __future__ import annotations

import math
from typing import Final

from fulfilment.core.problems import Invalid

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
    span = max(growing_days, 2.0)
    reach = math.log(GROWN / (1 - GROWN))
    low, high = 0.3, 6.0
    for _ in range(60):
        middle = (low + high) / 2
        start = middle * span - reach
        if (1 + math.exp(start)) / (1 + math.exp(start - middle)) < 2:
            low = middle
        else:
            high = middle
    return 1 / (1 + math.exp(-(reach + high * (day - growing_days))))
