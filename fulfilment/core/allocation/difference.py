"""What moved between two plans, piece by piece: only this is written; and how much unrest that is.

Unrest counts what customers and packers had reason to rely on: for each line that had something, the grams it now takes
from another source, and those it has more or less.  What is near weighs more: 0.8 for each day ahead, so that a kilo
moved a week from now counts as a fifth of one moved today.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Final

from fulfilment.core.allocation.terms import Change, Difference, Piece, Unrest

A_DAY_AHEAD: Final = 0.8


def unrest(before: Iterable[Piece], after: Iterable[Piece], *, days: Mapping[int, date], today: date) -> Unrest:
    """``days`` are the delivery days by line; a line without one is counted as if it were for today."""
    old, less, more = _moves(before, after)
    resourced = changed = 0
    weighted_resourced = weighted_changed = 0.0
    for line in sorted({line for line, _ in old}):
        lost, won = less.get(line, 0), more.get(line, 0)
        weight = A_DAY_AHEAD ** max(0, (days.get(line, today) - today).days)
        resourced += min(lost, won)
        changed += abs(won - lost)
        weighted_resourced += weight * min(lost, won)
        weighted_changed += weight * abs(won - lost)
    return Unrest(resourced, changed, round(weighted_resourced), round(weighted_changed))


def _moves(
    before: Iterable[Piece], after: Iterable[Piece]
) -> tuple[dict[tuple[int, str], int], dict[int, int], dict[int, int]]:
    """Yesterday's amounts by line and source, and by line the grams its sources give less and more now."""
    old: dict[tuple[int, str], int] = {}
    moved: dict[tuple[int, str], int] = {}
    for piece in before:
        key = piece.line_id, piece.source
        old[key] = old.get(key, 0) + piece.amount
        moved[key] = moved.get(key, 0) - piece.amount
    for piece in after:
        key = piece.line_id, piece.source
        moved[key] = moved.get(key, 0) + piece.amount
    less: dict[int, int] = {}
    more: dict[int, int] = {}
    for (line, _), amount in moved.items():
        side = more if amount > 0 else less
        side[line] = side.get(line, 0) + abs(amount)
    return old, less, more


def difference(before: Iterable[Piece], after: Iterable[Piece]) -> Difference:
    """Pieces added, removed and changed, in order of line and source."""
    old = {(p.line_id, p.source): p for p in before}
    new = {(p.line_id, p.source): p for p in after}
    less: dict[int, int] = {}
    more: dict[int, int] = {}
    for key in old.keys() | new.keys():
        moved = (new[key].amount if key in new else 0) - (old[key].amount if key in old else 0)
        side = more if moved > 0 else less
        side[key[0]] = side.get(key[0], 0) + abs(moved)
    return Difference(
        added=tuple(new[key] for key in sorted(new.keys() - old.keys())),
        removed=tuple(old[key] for key in sorted(old.keys() - new.keys())),
        changed=tuple(
            Change(line_id=key[0], source=key[1], goods=new[key].goods, before=old[key].amount, after=new[key].amount)
            for key in sorted(old.keys() & new.keys())
            if old[key].amount != new[key].amount
        ),
        resourced_g=sum(min(amount, more.get(line, 0)) for line, amount in less.items()),
    )
