"""What is still to come of a flush that is partly picked.

Taken grams p came from a flush of unknown weight Y of which a share w was due by now.  Before the picking log Y is
normal (strain, batch, crop and bags together) and w is beta with mean S and concentration c, so for the rest R = Y - p

    density of log R  ~  normal(log(p + R))  x  w^(c S) (1 - w)^(c (1 - S)),   w = p / (p + R)

A lean first day says in part "a poor flush" and in part "a late one"; this weighs the two.  The rest is never negative.

Worked example: log Y about log 2,784 with spread 0.3, and 1,800 g taken where 60 % was due with c = 30: Y alone
would leave 984 g, the share alone 1,200 g; the middle of the two laws together is 1,135 g.
"""

from __future__ import annotations

import math

import numpy as np

from fulfilment.core.growth.draws import Floats

_POINTS = 2001


def rest_of_flush(
    *, taken: int, due: float, certainty: float, believed: float, variance: float
) -> tuple[Floats, Floats, float]:
    """(below, log_rest, spread): the distribution function of log R on a grid, and the variance that log Y keeps.

    ``believed`` and ``variance`` are of log Y before the picking, ``due`` is S and ``certainty`` c.
    """
    to_come = certainty * (1 - due)
    middle = math.log((1 - due) / due)
    odds = np.linspace(middle - 10 - min(30 / to_come, 60), middle + 15, _POINTS)
    more = np.logaddexp(0, odds)
    log_total = math.log(taken) + more
    logs = -((log_total - believed) ** 2) / (2 * variance)
    logs -= certainty * more - to_come * odds
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    mean = float(weights @ log_total)
    below = np.cumsum(weights) - weights / 2
    return below, math.log(taken) + odds, float(weights @ (log_total - mean) ** 2)
