"""Exact flow from sources to sharers on a network given by masks.

A sharer's neighbours are the bits of one whole number, and so are, for each source, those that anybody who takes from
it could go to instead.  So "which sources can still be reached" is an ``or``, and a search costs the sources, not the
sharers or the arcs.  Amounts are Python integers, exact at any size.

A search that finds nothing has walked a *tight* set: sharers whose sources are all given to sharers of the same
set.  Later searches never need to enter it, and it is the minimum cut that the fair division splits along.  When
something is given back inside it, the set is remembered as a *cut* with so much *room*: no sharer of it can be
raised by more, whatever moves elsewhere, so that hopeless questions cost nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence


def bits(mask: int) -> Iterator[int]:
    """The places of the ones in ``mask``, lowest first."""
    while mask:
        low = mask & -mask
        yield low.bit_length() - 1
        mask ^= low


class Flow:
    """What each sharer takes from each source now.  ``add`` never lowers what any sharer has."""

    __slots__ = (
        "_cuts",
        "_stale",
        "_tight_sets",
        "_wide",
        "given",
        "masks",
        "spare",
        "spare_mask",
        "taken",
        "tight_sharers",
        "tight_sources",
    )

    def __init__(self, masks: Sequence[int], spare: Sequence[int]) -> None:
        self.masks = list(masks)
        self.spare = list(spare)
        self.spare_mask = sum(1 << t for t, amount in enumerate(spare) if amount > 0)
        self.taken: list[dict[int, int]] = [{} for _ in masks]
        self.given: list[dict[int, int]] = [{} for _ in spare]
        self.tight_sharers = 0
        self.tight_sources = 0
        self._tight_sets: list[tuple[int, int]] = []
        """(sharers, sources), disjoint from each other in both"""
        self._cuts: list[tuple[int, int]] = []
        """(sharers, room), disjoint from each other"""
        self._wide = [0] * len(spare)
        """By source, the masks of all who take from it, together; of the sources in ``_stale``, perhaps too much."""
        self._stale = 0

    def amount(self, sharer: int) -> int:
        return sum(self.taken[sharer].values())

    def move(self, sharer: int, source: int, amount: int) -> None:
        """``amount`` more (or less, if negative) from ``source``, with its spare and both ledgers kept."""
        after = self.taken[sharer].get(source, 0) + amount
        if after:
            self.taken[sharer][source] = after
            self.given[source][sharer] = after
            self._wide[source] |= self.masks[sharer]
        else:
            del self.taken[sharer][source]
            del self.given[source][sharer]
            self._stale |= 1 << source
        self.spare[source] -= amount
        if self.spare[source] > 0:
            self.spare_mask |= 1 << source
        else:
            self.spare_mask &= ~(1 << source)

    def supply(self, source: int, amount: int) -> None:
        """``amount`` more is there (or less, if negative); what was tight may no longer be."""
        self.spare[source] += amount
        if self.spare[source] > 0:
            self.spare_mask |= 1 << source
        else:
            self.spare_mask &= ~(1 << source)
        self.tight_sharers = self.tight_sources = 0
        self._tight_sets, self._cuts = [], []

    def add(self, sharer: int, wanted: int) -> int:
        """Raise ``sharer`` by as much of ``wanted`` as the network still carries, moving others only sideways."""
        most = min(wanted, self._room(sharer, wanted))
        left = most
        while left > 0 and not self.tight_sharers >> sharer & 1:
            direct = self.masks[sharer] & self.spare_mask
            if direct:
                source = (direct & -direct).bit_length() - 1
                step = min(left, self.spare[source])
                self.move(sharer, source, step)
            else:
                step = self._reroute(sharer, left)
                if step == 0:
                    break
            left -= step
        self._widen(sharer, left - most)
        return most - left

    def drop(self, sharer: int, amount: int) -> None:
        """Lower ``sharer`` by ``amount``, latest source first; a tight set around it becomes a cut with that room."""
        left = amount
        for source in sorted(self.taken[sharer], reverse=True):
            step = min(left, self.taken[sharer][source])
            self.move(sharer, source, -step)
            left -= step
            if left == 0:
                break
        self._widen(sharer, amount)
        for tight in self._tight_sets:
            if tight[0] >> sharer & 1:
                self._tight_sets.remove(tight)
                self.tight_sharers &= ~tight[0]
                self.tight_sources &= ~tight[1]
                self._cuts = [cut for cut in self._cuts if not cut[0] & tight[0]]
                self._cuts.append((tight[0], amount))
                break

    def carries(self, sharer: int, wanted: int) -> bool:
        """Raise ``sharer`` by exactly ``wanted``, or not at all."""
        if self._room(sharer, wanted) < wanted:
            return False
        got = self.add(sharer, wanted)
        if got == wanted:
            return True
        if got:
            self.drop(sharer, got)
        return False

    def _room(self, sharer: int, otherwise: int) -> int:
        return next((room for sharers, room in self._cuts if sharers >> sharer & 1), otherwise)

    def _widen(self, sharer: int, amount: int) -> None:
        for place, (sharers, room) in enumerate(self._cuts):
            if sharers >> sharer & 1:
                self._cuts[place] = (sharers, room + amount)

    def _reroute(self, start: int, wanted: int) -> int:
        """One shortest path from ``start`` over others' pieces to a source with something left; 0 where none is."""
        unseen = ~self.tight_sources & ~self.masks[start]
        came_from = dict.fromkeys(bits(self.masks[start] & ~self.tight_sources), -1)
        queue = list(came_from)
        for source in queue:
            fresh = self._reach(source) & unseen
            if not fresh:
                continue
            ends = fresh & self.spare_mask
            if ends:
                last = (ends & -ends).bit_length() - 1
                came_from[last] = source
                return self._push(start, last, came_from, wanted)
            unseen ^= fresh
            for other in bits(fresh):
                came_from[other] = source
                queue.append(other)
        self._mark_tight(start, queue)
        return 0

    def _reach(self, source: int) -> int:
        """The sources that those who take from ``source`` could go to."""
        if self._stale >> source & 1:
            wide = 0
            for sharer in self.given[source]:
                wide |= self.masks[sharer]
            self._wide[source] = wide
            self._stale &= ~(1 << source)
        return self._wide[source]

    def _mark_tight(self, start: int, queue: Sequence[int]) -> None:
        sharers, sources = 1 << start, self.masks[start]
        for source in queue:
            for sharer in self.given[source]:
                sharers |= 1 << sharer
                sources |= self.masks[sharer]
        apart = []
        for tight in self._tight_sets:
            if tight[1] & sources:
                sharers |= tight[0]
                sources |= tight[1]
            else:
                apart.append(tight)
        self._tight_sets = [*apart, (sharers, sources)]
        self.tight_sharers |= sharers
        self.tight_sources |= sources

    def _push(self, start: int, last: int, came_from: dict[int, int], wanted: int) -> int:
        """Move along the path: whoever takes most of each source on it makes way to the next."""
        path: list[tuple[int, int, int]] = []
        step = min(wanted, self.spare[last])
        into = last
        while (source := came_from[into]) >= 0:
            movers = self.given[source]
            mover = max((m for m in movers if self.masks[m] >> into & 1), key=movers.__getitem__)
            step = min(step, movers[mover])
            path.append((mover, source, into))
            into = source
        for mover, source, other in path:
            self.move(mover, source, -step)
            self.move(mover, other, step)
        self.move(start, into, step)
        return step
