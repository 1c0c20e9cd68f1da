"""One pool, several claims: the classic rules, and how even a division is."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from fulfilment.core.fairness.levels import Bundle
from fulfilment.core.fairness.rules import Rule, curve
from fulfilment.core.problems import Invalid


def divide(claims: Sequence[int], *, estate: int, rule: Rule) -> list[Fraction]:
    """``estate`` among ``claims`` under ``rule``; nobody gets more than the claim, what is too much stays undivided."""
    if estate < 0 or any(claim < 0 for claim in claims):
        raise Invalid("Claims and what is to be divided cannot be below zero.", code="negative")
    bundle = Bundle([curve(rule, ordered=claim) for claim in claims])
    everyone = np.arange(len(claims), dtype=np.intp)
    level = bundle.level(everyone, total=min(estate, sum(claims)))
    return [Fraction(n, level.denominator) for n in bundle.numerators(level, everyone).tolist()]


def jain(values: Sequence[int | Fraction]) -> Fraction:
    """Jain's fairness index: 1 where all are equal, 1/n where one has everything.  Nothing at all is even: 1."""
    squares = sum((Fraction(v) ** 2 for v in values), Fraction(0))
    if squares == 0:
        return Fraction(1)
    return sum((Fraction(v) for v in values), Fraction(0)) ** 2 / (len(values) * squares)
