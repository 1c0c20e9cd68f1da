"""Where a row of a pick list stands: what was taken from its lot, and what is still to take.

What was taken for the line from a lot that no row names counts for its rows in their order, and so does what was taken
above a row's amount.

A row that got less than its line's customer tolerates is ``short``: what was on the scale is recorded as it is, and
more can be taken.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

OPEN: Final = "open"
TAKEN: Final = "taken"
SHORT: Final = "short"
COVERED: Final = "covered"
COMING: Final = "coming"
DONE: Final = frozenset({TAKEN, SHORT, COVERED})
"""What a person has dealt with."""


@dataclass(frozen=True, slots=True)
class Standing:
    """``picked`` is from the row's own lot; ``left`` is never below zero."""

    picked: int
    left: int
    state: str


def standings(
    rows: Sequence[tuple[str, int]], picked: Mapping[str, int], *, tolerance_pct: int
) -> tuple[Standing, ...]:
    """Of one line's rows, each a lot's code (empty for a coming harvest) and an amount; ``picked`` is net, by lot."""
    own = [picked.get(lot, 0) if lot else 0 for lot, _ in rows]
    named = {lot for lot, _ in rows if lot}
    spare = sum(amount for lot, amount in picked.items() if lot not in named)
    spare += sum(max(0, taken - amount) for taken, (_, amount) in zip(own, rows, strict=True))
    found = []
    for taken, (lot, amount) in zip(own, rows, strict=True):
        missing = max(0, amount - taken)
        given = min(missing, spare)
        spare -= given
        left = missing - given
        found.append(Standing(taken, left, _state(lot, amount, taken, left, tolerance_pct=tolerance_pct)))
    return tuple(found)


def _state(lot: str, amount: int, taken: int, left: int, *, tolerance_pct: int) -> str:
    enough = 100 * left <= amount * tolerance_pct
    if taken:
        return TAKEN if enough else SHORT
    if enough:
        return COVERED
    return OPEN if lot else COMING
