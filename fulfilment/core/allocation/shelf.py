"""What an auditor lays out before counting a plan: what there is, who accepts it, and what must stay where it was."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from datetime import date

from fulfilment.core.allocation.terms import Cohort, Source, Want
from fulfilment.core.units import Goods


class Shelf:
    """What there is, by cells of like goods, harvest day and last day, and which of them each line accepts."""

    def __init__(self, sources: Sequence[Source], wants: Sequence[Want], *, today: date | None) -> None:
        self.by_key = {source.key: source for source in sources}
        self.cells: dict[Cohort, int] = {}
        self.cell_of: dict[str, int] = {}
        self.holds: list[int] = []
        self.shares: list[int] = []
        """By cell, what of it may go beyond promises."""
        for source in sources:
            cell = self.cells.setdefault((source.goods, source.ready_on, source.usable_until), len(self.cells))
            if cell == len(self.holds):
                self.holds.append(0)
                self.shares.append(0)
            self.cell_of[source.key] = cell
            self.holds[cell] += source.amount
            past = today is not None and source.usable_until < today
            self.shares[cell] += source.amount if past else source.sharable
        self._of_goods: dict[Goods, list[tuple[date, date, int]]] = {}
        for (goods, ready, until), cell in self.cells.items():
            self._of_goods.setdefault(goods, []).append((ready, until, cell))
        for own in self._of_goods.values():
            own.sort()
        kinds: dict[tuple[tuple[tuple[Goods, date, date], ...], date], int] = {}
        self.reach: list[frozenset[int]] = []
        """By kind of line: the cells it accepts."""
        self.kind_of: dict[int, int] = {}
        for want in wants:
            day = want.day if today is None else max(want.day, today)
            kind = kinds.setdefault((want.choices, day), len(kinds))
            if kind == len(self.reach):
                self.reach.append(self._accepted(want.choices, day))
            self.kind_of[want.line_id] = kind

    def _accepted(self, choices: Sequence[tuple[Goods, date, date]], day: date) -> frozenset[int]:
        found: list[int] = []
        for goods, first, last in choices:
            own = self._of_goods.get(goods, [])
            begin = bisect_left(own, first, key=lambda entry: entry[0])
            end = bisect_right(own, min(last, day), key=lambda entry: entry[0])
            found += [cell for _, until, cell in own[begin:end] if until >= day]
        return frozenset(found)

    def sums(self, by_cell: Sequence[int]) -> list[int]:
        """By kind of line, what the cells it accepts have together."""
        return [sum(by_cell[cell] for cell in cells) for cells in self.reach]


def stays(want: Want) -> bool:
    return want.frozen or want.picked > 0


def kept_pieces(wants: Sequence[Want], shelf: Shelf, *, today: date | None) -> dict[int, dict[str, int]]:
    """By line past cut-off or picked in part: what of yesterday's sources must stay with it, by rank."""
    left: dict[str, int] = {}
    kept: dict[int, dict[str, int]] = {}
    for want in sorted((w for w in wants if stays(w)), key=lambda w: (w.rank, w.line_id)):
        day = want.day if today is None else max(want.day, today)
        room = want.ordered
        own = kept.setdefault(want.line_id, {})
        for key, amount in want.previous:
            source = shelf.by_key.get(key)
            if source is None or not source.ready_on <= day <= source.usable_until:
                continue
            step = min(amount, left.setdefault(key, source.amount), room)
            left[key] -= step
            room -= step
            own[key] = own.get(key, 0) + step
    return kept
