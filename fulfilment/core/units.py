"""Grams, pieces, money and packs: whole numbers only.

Weights are integer grams, counts integer pieces, money integer minor units with its ISO 4217 code.  Fractions
exist only inside a computation and leave it through :func:`largest_remainder` or :func:`packs_down`, so that
what is shared out always sums to what there was.

>>> packs_down(2_700, pack=500)
2500
>>> largest_remainder([1, 1, 1], total=100)
[34, 33, 33]
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from fulfilment.core.problems import Invalid

MAX_GRAMS: Final = 100_000_000
"""A hundred tonnes: far above any farm here, far below what a 32-bit column holds."""

KIT: Final = "kit"
"""The grade of a bag sold whole; its amounts are pieces."""


@dataclass(frozen=True, slots=True, order=True)
class Goods:
    """What a forecast, a book and a promise part are kept for: a strain in a grade (grams), or its kits (pieces)."""

    strain_id: int
    grade: str

    @property
    def is_kit(self) -> bool:
        return self.grade == KIT


@dataclass(frozen=True, slots=True)
class Money:
    """``amount`` in minor units of ``currency`` (ISO 4217)."""

    amount: int
    currency: str

    def __str__(self) -> str:
        return f"{self.decimal} {self.currency}"

    @property
    def decimal(self) -> str:
        return decimal(self.amount)


def decimal(minor: int) -> str:
    """``1250`` as ``"12.50"``: two places, as the currencies of the farms served here have."""
    whole, rest = divmod(abs(minor), 100)
    return f"{'-' if minor < 0 else ''}{whole}.{rest:02d}"


def accepted(*, picked: int, refused: int) -> int:
    """What of a line stays with the customer, and is billed."""
    return picked - refused


def amount(value: object, *, where: str, at_least: int = 1, at_most: int = MAX_GRAMS, unit: str = "grams") -> int:
    """``value`` as a whole number of ``unit`` inside its bounds; raises :class:`Invalid` with the sentence for a
    person.
    """
    if isinstance(value, bool) or not isinstance(value, int):
        raise Invalid(f"This must be a whole number of {unit}.", code="not_whole", where=where)
    if value < at_least:
        raise Invalid(
            f"{value} {unit} is too little: at least {at_least} {unit.removesuffix('s') if at_least == 1 else unit}.",
            code="too_small",
            where=where,
            at_least=at_least,
        )
    if value > at_most:
        raise Invalid(
            f"{value} {unit} is too much: at most {at_most} {unit}.", code="too_large", where=where, at_most=at_most
        )
    return value


def packs_down(quantity: int, *, pack: int) -> int:
    """The largest whole number of packs that ``quantity`` holds, in the quantity's own unit."""
    return quantity - quantity % pack


def packs_up(quantity: int, *, pack: int) -> int:
    """The smallest whole number of packs that holds ``quantity``, in the quantity's own unit."""
    return -(-quantity // pack) * pack


def said(quantity: int, *, is_kit: bool) -> str:
    """An amount as people say it.

    >>> said(3, is_kit=True), said(450, is_kit=False), said(2_500, is_kit=False)
    ('3 kits', '450 g', '2.5 kg')
    """
    if is_kit:
        return f"{quantity} kit" if quantity == 1 else f"{quantity} kits"
    return f"{quantity} g" if quantity < 1000 else f"{quantity / 1000:.3f}".rstrip("0").rstrip(".") + " kg"


def largest_remainder(weights: Sequence[Fraction | int], *, total: int) -> list[int]:
    """``total`` shared in whole units in proportion to ``weights``; ties go to the earlier place."""
    whole = sum((Fraction(w) for w in weights), Fraction(0))
    if whole <= 0:
        return [0 for _ in weights]
    exact = [Fraction(w) * total / whole for w in weights]
    floors = [int(x) for x in exact]
    left = total - sum(floors)
    by_rest = sorted(range(len(exact)), key=lambda i: (floors[i] - exact[i], i))
    for i in by_rest[:left]:
        floors[i] += 1
    return floors
