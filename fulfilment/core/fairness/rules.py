"""The three rules a farm may share a short week by, each written as the same kind of curve.

Under every rule a line's amount follows one number, the *level*, that is the same for all who share::

    amount(level) = min(most, max(least, slope × level + start))

``pro_rata``: slope is the whole order, the level is the fill ratio.  ``equal_shares``: slope one, the level is
the amount itself.  ``equal_losses``: slope one from ``start = ordered``, the level is minus what is missing.
``least`` is what is promised (or the customer's minimum), ``most`` what is ordered.  What was picked already
counts towards ratio and share: 400 g picked of 1,000 g is a fill of 0.4 before anything is shared.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction


class Rule(StrEnum):
    PRO_RATA = "pro_rata"
    EQUAL_SHARES = "equal_shares"
    EQUAL_LOSSES = "equal_losses"


@dataclass(frozen=True, slots=True)
class Curve:
    """A line's amount as a function of the level it shares with others; whole grams or pieces throughout."""

    slope: int
    start: int
    least: int
    most: int

    def at(self, level: Fraction) -> Fraction:
        return min(Fraction(self.most), max(Fraction(self.least), self.slope * level + self.start))

    def level(self, amount: Fraction | int) -> Fraction:
        """The level at which the sloping part reaches ``amount``; only where ``slope`` is positive."""
        return (Fraction(amount) - self.start) / self.slope


def fixed(amount: int) -> Curve:
    """A line that neither gives nor takes."""
    return Curve(slope=0, start=amount, least=amount, most=amount)


def curve(rule: Rule, *, ordered: int, least: int = 0, most: int | None = None, picked: int = 0) -> Curve:
    """The curve of a line that still wants ``ordered`` after ``picked`` and may end between ``least`` and ``most``."""
    top = ordered if most is None else most
    if top <= least:
        return fixed(least)
    if rule is Rule.PRO_RATA:
        return Curve(slope=ordered + picked, start=-picked, least=least, most=top)
    if rule is Rule.EQUAL_SHARES:
        return Curve(slope=1, start=-picked, least=least, most=top)
    return Curve(slope=1, start=ordered, least=least, most=top)
