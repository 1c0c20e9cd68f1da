"""What moved between two plans, piece by piece: only this is written."""

from __future__ import annotations

from collections.abc import Iterable

from fulfilment.core.allocation.terms import Change, Difference, Piece


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
