"""How good a forecast was, once the day is over.

Pinball loss of a quantile q: q per gram picked above it, 1 - q per gram below (grams).  CRPS is the mean distance
of the scenarios from what was picked less half their mean distance from each other: the pinball loss over all
quantiles, twice (grams; for a single sure number it is the plain error).  Both are smallest for an honest
forecast.

Whether a forecast is *honest* is read from where the truth fell among its scenarios: the share of them below it, which
over many days is even between 0 and 1.  On a day with nothing to pick the truth falls upon most scenarios at once and
any place among them would do; there a uniform of the day's own chooses one (the randomised probability integral
transform).  Counting such days as "inside the band", as plain coverage does, would flatter every forecast.

Worked example: scenarios 0, 10, 20 and 10 picked: CRPS = 20/3 - 80/18 = 2.22 g.  One scenario of three lies below and
one upon it: the transform is between 1/3 and 2/3, with an even uniform of 0.5 just 0.5.

Sources: Gneiting & Raftery 2007, J. Am. Stat. Assoc. 102:359-378; Czado, Gneiting & Held 2009, Biometrics
65:1254-1261 for the transform of counts (both from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from fulfilment.core.forecast.results import LEVELS
from fulfilment.core.growth.draws import uniforms
from fulfilment.core.problems import Invalid

LEADS: Final = (1, 3, 7, 14)
"""Days ahead at which a forecast is scored."""
COMING_WEEK: Final = 0
"""Stands among the leads for the sum of the seven days that begin with the day a forecast is made."""
WHOLE: Final = ""
"""Stands among the grades for a strain's grades together."""
WEEK: Final = 7


@dataclass(frozen=True, slots=True)
class Score:
    """``quantiles`` and ``pinball`` by percent level, ``inside`` the P10-P90 band, ``bias`` positive where too much was
    forecast, ``place`` the randomised transform between 0 and 1.
    """

    quantiles: Mapping[int, int]
    mean: float
    pinball: Mapping[int, float]
    crps: float
    inside: bool
    bias: float
    place: float


def score(samples: ArrayLike, *, observed: int, uniform: float = 0.5) -> Score:
    """``samples`` [scenario] of one amount against what it became; ``uniform`` breaks the ties of its place."""
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
    below, up_to = np.searchsorted(values, observed, side="left"), np.searchsorted(values, observed, side="right")
    mean = float(values.mean())
    return Score(
        quantiles={level: int(quantile) for level, quantile in quantiles.items()},
        mean=mean,
        pinball=pinball,
        crps=crps,
        inside=quantiles[LEVELS[0]] <= observed <= quantiles[LEVELS[-1]],
        bias=mean - observed,
        place=float(below + uniform * (up_to - below)) / count,
    )


def tie_breaker(seed: int, *, name: str) -> float:
    """The uniform that belongs to one scored amount: the same whenever it is scored, on any machine."""
    return float(uniforms(seed, kind="score", name=name, scenarios=1, slots=1)[0, 0])


def ahead(lead: int) -> slice:
    """The days of a forecast, counted from the one it is made on, that this lead is about."""
    return slice(0, WEEK) if lead == COMING_WEEK else slice(lead, lead + 1)
