"""How a flush comes over its picking days: the mean shares by day, and how alike crops are in them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from fulfilment.core.growth.crops import PickingLog
from fulfilment.core.growth.draws import Floats
from fulfilment.core.growth.profile import StrainProfile
from fulfilment.core.problems import Invalid

_LATE_DAYS: Final = 3
"""How many days beyond the profile's a picking window can be learned to last."""
_LIKENESS_WEIGHT: Final = 6.0
"""How many flushes the profile's likeness of crops in their picking days is worth."""
_SELDOM: Final = 0.002
_LIKENESS: Final = (0.005, 0.6)
"""Bounds of the part of the spread over picking days that is the crop's own."""


def window(profile: StrainProfile, logs: Sequence[PickingLog]) -> tuple[tuple[float, ...], float]:
    """Mean shares by picking day, and the Dirichlet's concentration between crops.

    A flush's squared distance from the mean shares is, expected, the part of the spread that is the crop's plus what
    so many bags, each taken on one day, scatter by themselves; what is left after that is the crop's.
    """
    prior = list(profile.picking_shares)
    if any(min(log.grams, default=0) < 0 or log.bags < 1 for log in logs):
        raise Invalid("A picking needs at least one bag and grams of 0 or more.", code="impossible")
    logs = [log for log in logs if sum(log.grams)]
    if not logs:
        return tuple(prior), profile.picking_concentration
    days = min(max(len(prior), *(len(log.grams) for log in logs)), len(prior) + _LATE_DAYS)
    shares = np.zeros((len(logs), days))
    believed = np.array(prior + [0.0] * (days - len(prior)))
    for row, log in enumerate(logs):
        np.add.at(shares[row], np.minimum(np.arange(len(log.grams)), days - 1), np.array(log.grams) / sum(log.grams))
        _put_back(shares[row], believed)
    mean = (profile.flush_weight * believed + shares.sum(axis=0)) / (profile.flush_weight + len(logs))
    # A day on which nothing was ever picked may still come, seldom.
    mean = np.maximum(mean, _SELDOM) / np.maximum(mean, _SELDOM).sum()
    apart = ((shares - mean) ** 2).sum(axis=1) / (mean * (1 - mean)).sum() if days > 1 else np.zeros(len(logs))
    bags = np.array([max(log.bags / (1 + profile.bag_cv**2), 1.0 + 1e-9) for log in logs])
    own = (apart - 1 / bags) / (1 - 1 / bags)
    # A lone bag says nothing of how alike crops are: what it shows is all its own.
    counts = 1 - 1 / bags
    part = (_LIKENESS_WEIGHT / (profile.picking_concentration + 1) + counts @ own) / (_LIKENESS_WEIGHT + counts.sum())
    return tuple(mean.tolist()), 1 / float(np.clip(part, *_LIKENESS)) - 1


def _put_back(shares: Floats, believed: Floats) -> None:
    """What was taken after days left out, given back to those days in the proportions of the belief."""
    since = 0
    for day in range(1, shares.size):
        if not shares[day]:
            continue
        if day - since > 1:
            span = slice(since + 1, day + 1)
            parts = np.maximum(believed[span], _SELDOM)
            shares[span] = shares[day] * parts / parts.sum()
        since = day
