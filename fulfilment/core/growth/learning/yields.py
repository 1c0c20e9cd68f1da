"""How much a crop gives: efficiency with the spread between crops, and the shares of the flushes.

A crop's flushes share its luck, so each counts by its share and a whole crop counts once. What a crop's flushes do not
share is learned from crops of which more than one is over.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from typing import Final

import numpy as np

from fulfilment.core.growth.crops import FlushLog
from fulfilment.core.growth.learning.posteriors import Belief, Posterior, weigh
from fulfilment.core.growth.profile import FLUSHES, StrainProfile

_FAILED: Final = 0.05
"""A flush that gave nothing counts as this part of what was due: a logarithm needs something."""
FLUSH_SPREAD: Final = (0.1, 8.0)
"""What a crop's flushes do not share, as a spread of the log, and how many flushes that belief is worth."""
_ROUNDS: Final = 20
"""In which levels of crops and shares of flushes are fitted in turn."""


def efficiency_posterior(
    profile: StrainProfile, flushes: Sequence[FlushLog], shares: Sequence[float], flush_spread: float
) -> Posterior:
    """Log of the strain's mean efficiency (as a ratio) and the spread of crops around it, batch and crop effect
    together.  Of a crop that is named its flushes count as one, blurred by what is the flushes' and the bags' own.
    """
    variance = math.log1p(profile.efficiency_cv**2 / profile.efficiency_weight)
    belief = Belief(
        location=math.log(profile.efficiency_pct / 100) - variance / 2,
        spread=max(math.sqrt(math.log1p(profile.batch_cv**2 + profile.crop_cv**2)), 0.02),
        weight=profile.efficiency_weight,
        doubt=math.sqrt(variance),
        of_mean=True,
    )
    least = _FAILED * profile.efficiency_pct / 100
    seen, counts, noises = [], [], []
    by_crop: dict[str, list[tuple[float, float]]] = {}
    for log in flushes:
        ratio = math.log(max(log.picked_g / (shares[log.flush - 1] * log.dry_g), least))
        if log.crop and log.bags:
            noise = flush_spread**2 + math.log1p(profile.bag_cv**2 / log.bags)
            by_crop.setdefault(log.crop, []).append((ratio + noise / 2, noise))
        else:
            seen.append(ratio)
            counts.append(shares[log.flush - 1])
            noises.append(0.0)
    for own in by_crop.values():
        weight = sum(1 / noise for _, noise in own)
        seen.append(sum(ratio / noise for ratio, noise in own) / weight)
        counts.append(1.0)
        noises.append(1 / weight)
    return weigh(
        belief, seen=np.array(seen), counts=np.array(counts), running=Counter(), noises=np.array(noises).round(3)
    )


def flush_spread(profile: StrainProfile, flushes: Sequence[FlushLog], shares: Sequence[float]) -> float:
    """What the flushes of one crop differ by beyond their shares and their bags' own luck."""
    believed, weight = FLUSH_SPREAD
    squares = weight * believed**2
    by_crop: dict[str, list[FlushLog]] = {}
    for log in flushes:
        if log.crop and log.bags and log.picked_g:
            by_crop.setdefault(log.crop, []).append(log)
    for own in by_crop.values():
        logs = np.array([math.log(log.picked_g / log.dry_g / shares[log.flush - 1]) for log in own])
        bags = sum(math.log1p(profile.bag_cv**2 / log.bags) for log in own) / len(own)
        squares += float(((logs - logs.mean()) ** 2).sum()) - (len(own) - 1) * bags
        weight += len(own) - 1
    return math.sqrt(max(squares / weight, 1e-4))


def flush_shares(profile: StrainProfile, flushes: Sequence[FlushLog], flush_spread: float) -> tuple[list[float], float]:
    """Mean shares, and the Dirichlet's concentration: how surely they are known."""
    if not any(log.picked_g for log in flushes):
        return list(profile.flush_shares), profile.flush_concentration
    if all(log.crop and log.bags for log in flushes):
        return _shares_within_crops(profile, flushes, flush_spread)
    prior = profile.flush_shares
    per_dry = [[log.picked_g / log.dry_g for log in flushes if log.flush == place + 1] for place in range(FLUSHES)]
    due = math.fsum(len(found) * share for found, share in zip(per_dry, prior, strict=True))
    overall = math.fsum(math.fsum(found) for found in per_dry) / due
    rates = [
        (profile.flush_weight * share * overall + math.fsum(found)) / (profile.flush_weight + len(found))
        for found, share in zip(per_dry, prior, strict=True)
    ]
    crops = len(flushes) / FLUSHES
    certainty = profile.flush_concentration * (1 + crops / profile.flush_weight)
    return [rate / math.fsum(rates) for rate in rates], certainty


def _shares_within_crops(
    profile: StrainProfile, flushes: Sequence[FlushLog], flush_spread: float
) -> tuple[list[float], float]:
    """Each flush against the others of its own crop, so that a good crop does not pass for a big flush.

    A log yield is the crop's level plus the log of the flush's share plus noise; levels and shares are fitted in turn,
    levels drawn towards their mean by the spread between crops, shares towards the profile's by its concentration.
    """
    believed = np.array(profile.flush_shares)
    crops = {key: place for place, key in enumerate(dict.fromkeys(log.crop for log in flushes))}
    crop = np.array([crops[log.crop] for log in flushes])
    flush = np.array([log.flush - 1 for log in flushes])
    noise = np.array([flush_spread**2 + math.log1p(profile.bag_cv**2 / log.bags) for log in flushes])
    least = _FAILED * profile.efficiency_pct / 100
    logs = np.log([max(log.picked_g / log.dry_g, least * believed[log.flush - 1]) for log in flushes]) + noise / 2
    weights = 1 / noise
    apart = max(math.log1p(profile.batch_cv**2 + profile.crop_cv**2), 1e-4)
    prior = profile.flush_concentration * believed / (1 - believed)
    shares, by_crop = np.log(believed), np.bincount(crop, weights)
    middle = float(np.average(logs - shares[flush], weights=weights))
    for _ in range(_ROUNDS):
        told = np.bincount(crop, weights * (logs - shares[flush]))
        levels = (told + middle / apart) / (by_crop + 1 / apart)
        middle = float(levels.mean())
        pull = np.bincount(flush, weights * (logs - levels[crop]), minlength=FLUSHES)
        shares = (prior * np.log(believed) + pull) / (prior + np.bincount(flush, weights, minlength=FLUSHES))
        shares = shares - math.log(np.exp(shares).sum())
    # a level that is itself known from few flushes hides part of what a flush says
    count = np.bincount(crop)[crop].astype(np.float64)
    says = np.where(count > 1, (count - 1) / count * weights, 1 / (noise + apart))
    precision = prior + np.bincount(flush, says, minlength=FLUSHES)
    found = np.exp(shares)
    certainty = float(np.min(precision * (1 - found) / found))
    return found.tolist(), max(certainty, profile.flush_concentration / 2)
