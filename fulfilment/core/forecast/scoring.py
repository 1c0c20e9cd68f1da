"""How good a forecast was, once the day is over.

Pinball loss of a quantile q: q per gram picked above it, 1 - q per gram below (grams).  CRPS is the mean distance
of the scenarios from what was picked less half their mean distance from each other: the pinball loss over all
quantiles, twice (grams; for a single sure number it is the plain error).  Both are smallest for an honest
forecast.

Worked example: scenarios 0, 10, 20 and 10 picked: CRPS = 20/3 - 80/18 = 2.22 g.

Source: Gneiting & Raftery 2007, J. Am. Stat. Assoc. 102:359-378 (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fulfilment.core.forecast.results import LEVELS
from fulfilment.core.problems import Invalid


@dataclass(frozen=True, slots=True)
class Score:
    """``pinball`` by percent level, ``inside`` the P10-P90 band, ``bias`` positive where too much was forecast."""

    pinball: Mapping[int, float]
    crps: float
    inside: bool
    bias: float


def score(samples: ArrayLike, *, observed: int) -> Score:
    """``samples`` [scenario] of one amount against what it became."""
    values = np.sort(np.asarray(samples, dtype=np.float64).ravel())
    count = values.size
    if count == 0:
        raise Invalid("A score needs at least one scenario.", code="no_scenarios")
    quantiles = {level: float(np.percentile(values, level, method="inverted_cdf")) for level in LEVELS}
    pinball = {
        level: float(max(level * (observed - quantile), (level - 100) * (observed - quantile)) / 100)
        for level, quantile in quantiles.items()
    }
    apart = 2 * np.dot(2 * np.arange(1, count + 1) - count - 1, values) / count**2
    crps = float(np.abs(values - observed).mean() - apart / 2)
    return Score(
        pinball=pinball,
        crps=crps,
        inside=quantiles[LEVELS[0]] <= observed <= quantiles[LEVELS[-1]],
        bias=float(values.mean() - observed),
    )
