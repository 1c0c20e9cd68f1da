"""How long the stages take: lognormal times, those still running as survival terms."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from typing import Final

import numpy as np

from fulfilment.core.growth.crops import StageLog
from fulfilment.core.growth.learning.posteriors import Belief, Posterior, weigh
from fulfilment.core.growth.profile import StagePrior
from fulfilment.core.problems import Invalid

_SHORTEST: Final = 0.5
"""Days: a stage seen to begin and end on one day took about half of one."""
_FOLLOWS_WEIGHT: Final = 8.0
"""How many flushes the belief that pinning and growing times have nothing to do with each other is worth."""
_WAIT_WEIGHT: Final = 1.0
_LONGEST_WAIT: Final = 28


def stage_posterior(prior: StagePrior, logs: Sequence[StageLog]) -> Posterior:
    """Location and spread of the log of one stage's time."""
    spread = math.sqrt(math.log1p(prior.cv**2))
    ended = np.array([math.log(max(log.days, _SHORTEST)) for log in logs if log.ended])
    # to a tenth of a day, so that many crops opened together cost as one
    tenths = (round(log.days, 1) for log in logs if not log.ended)
    running = Counter(math.log(days) for days in tenths if days > 0)
    belief = Belief(
        location=math.log(prior.mean_days) - spread**2 / 2,
        spread=spread,
        weight=prior.weight,
        doubt=None,
        of_mean=False,
    )
    return weigh(belief, seen=ended, counts=np.ones_like(ended), running=running)


def follows(pairs: Sequence[tuple[float, float]]) -> float:
    """Pins that were seen a day late have a day less to grow, so the two together scatter less than each alone says."""
    if len(pairs) < 3:
        return 0.0
    logs = np.log(np.maximum(np.array(pairs), _SHORTEST))
    logs = logs - logs.mean(axis=0)
    squares = (logs**2).sum(axis=0)
    if not squares.all():
        return 0.0
    seen = float((logs[:, 0] * logs[:, 1]).sum() / math.sqrt(squares[0] * squares[1]))
    return seen * len(pairs) / (len(pairs) + _FOLLOWS_WEIGHT)


def waits(days: Sequence[int]) -> tuple[float, ...]:
    """Chances of waiting 0, 1, 2 ... days; none at all is believed until the farm shows otherwise."""
    counts = [_WAIT_WEIGHT] + [0.0] * min(max(days, default=0), _LONGEST_WAIT)
    for each in days:
        if each < 0:
            raise Invalid("A batch cannot have waited less than 0 days to be opened.", code="negative")
        counts[min(each, _LONGEST_WAIT)] += 1
    return tuple(count / math.fsum(counts) for count in counts)
