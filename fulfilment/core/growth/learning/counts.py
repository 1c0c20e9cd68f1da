"""Shares that are learned by counting: bags lost, weight trimmed off, grades, and how the log is kept."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final

from fulfilment.core.growth.crops import GradeLog, LossLog, TrimLog
from fulfilment.core.growth.profile import StrainProfile
from fulfilment.core.problems import Invalid

_TRIM_WEIGHT: Final = 10.0
_GRADE_WEIGHT: Final = 5.0
UNWRITTEN: Final = (1.0, 9.0)
"""Belief in flushes whose pins nobody writes down, among those that are picked: some of ten."""
SKIPPED: Final = (0.0, 10.0)
"""Belief in picking days left out, among those between the first and the last: none until the farm shows otherwise."""


def share(found: Iterable[bool], *, belief: tuple[float, float]) -> float:
    """Mean of a beta belief (yes, no) after what was found."""
    yes, no = belief
    for each in found:
        yes, no = yes + each, no + (not each)
    return yes / (yes + no)


def loss(profile: StrainProfile, losses: Iterable[LossLog]) -> tuple[float, float]:
    lost, kept = profile.loss
    for log in losses:
        if not 0 <= log.lost <= log.bags:
            raise Invalid(f"{log.lost} lost of {log.bags} bags: between 0 and all of them.", code="impossible")
        lost += log.lost
        kept += log.bags - log.lost
    return lost, kept


def trim_loss(profile: StrainProfile, trims: Iterable[TrimLog]) -> float:
    weight, cut = _TRIM_WEIGHT, _TRIM_WEIGHT * profile.trim_loss
    for log in trims:
        if not 0 <= log.trimmed_g <= log.weighed_g:
            raise Invalid("What is left after trimming must be at most what was weighed.", code="impossible")
        if log.weighed_g:
            weight += 1
            cut += 1 - log.trimmed_g / log.weighed_g
    return min(cut / weight, 0.99)


def grade_shares(profile: StrainProfile, logs: Iterable[GradeLog]) -> tuple[tuple[str, float], ...]:
    sums = {name: _GRADE_WEIGHT * share for name, share in profile.grades}
    for log in logs:
        grams = {name: amount for name, amount in log.grams if name in sums}
        if min(grams.values(), default=0) < 0:
            raise Invalid("Grams of a grade must be 0 or more.", code="negative")
        whole = sum(grams.values())
        for name, amount in grams.items():
            sums[name] += amount / whole if whole else 0.0
    return tuple((name, share / math.fsum(sums.values())) for name, share in sums.items())
