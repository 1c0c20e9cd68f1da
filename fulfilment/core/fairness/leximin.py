"""Exact leximin on a network: nobody can get more except from somebody who has, level for level, no more.

Divide and conquer: find the one level at which the whole group would use up what the network carries.  If the
network carries those amounts, they are the answer.  If not, the minimum cut names the lines that ask more of their
sources than these hold; they share those sources among themselves, the others share the rest, each group by
the same question again.  Every division is exact, in whole numbers over the level's denominator.

>>> from fulfilment.core.fairness.rules import Rule, curve
>>> lines = [curve(Rule.PRO_RATA, ordered=8), curve(Rule.PRO_RATA, ordered=6), curve(Rule.PRO_RATA, ordered=6)]
>>> [str(x) for x in leximin(lines, masks=[0b01, 0b10, 0b10], amounts=[2, 9])]
['2', '9/2', '9/2']

Source: the decomposition of S. Fujishige, Lexicographically optimal base of a polymatroid with respect to a weight
vector, Mathematics of Operations Research 5 (1980), and its form for separable convex functions (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import lcm

import numpy as np
from numpy.typing import NDArray

from fulfilment.core.fairness.flow import Flow, bits
from fulfilment.core.fairness.levels import Bundle
from fulfilment.core.fairness.rules import Curve


@dataclass(frozen=True, slots=True)
class Division:
    """The fair amount of every curve, and why none can have more: masks of sources, lowest level first.

    What lies in the sources of such a mask is given, to the last gram, to curves that can use no others; none of them
    stands higher, above its ``least``, than those short at that level.
    """

    shares: list[Fraction]
    tight: tuple[int, ...]


def leximin(
    curves: Sequence[Curve],
    *,
    masks: Sequence[int],
    amounts: Sequence[int],
    sharer_of: Sequence[int] | None = None,
) -> list[Fraction]:
    """The fair amount of every curve, see :func:`leximin_proved`."""
    return leximin_proved(curves, masks=masks, amounts=amounts, sharer_of=sharer_of).shares


def leximin_proved(
    curves: Sequence[Curve],
    *,
    masks: Sequence[int],
    amounts: Sequence[int],
    sharer_of: Sequence[int] | None = None,
) -> Division:
    """The fair division, with the sets that prove it.

    ``masks[s]`` has bit t set where sharer s may use source t of ``amounts``; ``sharer_of[c]`` says which sharer
    curve c belongs to (by default each is its own).  Lines with the same sources should be one sharer: it is exact
    and much faster.  The ``least`` of all must be carried together, else :class:`Invalid`.
    """
    owners = np.array(range(len(curves)) if sharer_of is None else sharer_of, dtype=np.intp)
    bundle = Bundle(curves)
    members: list[list[int]] = [[] for _ in masks]
    for place, owner in enumerate(owners.tolist()):
        members[owner].append(place)
    shares = [Fraction(0)] * len(curves)
    everything = [s for s, group in enumerate(members) if group]
    most = [int(bundle.most[group].sum()) if group else 0 for group in members]
    carried = Flow(masks, amounts)
    total = sum(carried.add(s, most[s]) for s in sorted(everything, key=masks.__getitem__))
    work: list[tuple[list[int], int, int, int]] = [(everything, (1 << len(amounts)) - 1, total, 0)]
    tight_sets: list[tuple[Fraction, int]] = []
    while work:
        group, sources, total, given = work.pop()
        if not group:
            continue
        chosen = np.array([c for s in group for c in members[s]], dtype=np.intp)
        level = bundle.level(chosen, total=total)
        numerators = bundle.numerators(level, chosen)
        flow, inside = _cut(group, sources, level, numerators, owners[chosen], masks=masks, amounts=amounts)
        if not inside:
            short: set[int] = set()
            below = level.denominator
            for c, numerator, most_of in zip(
                chosen.tolist(), numerators.tolist(), bundle.most[chosen].tolist(), strict=True
            ):
                shares[c] = Fraction(numerator, below)
                if numerator < most_of * below:
                    short.add(int(owners[c]))
            if short:
                tight_sets.append((level, given | _used_up(flow, [i for i, s in enumerate(group) if s in short])))
            continue
        tight = 0
        for s in inside:
            tight |= masks[s]
        tight &= sources
        held = sum(amounts[t] for t in bits(tight))
        within = set(inside)
        work.append(([s for s in group if s not in within], sources & ~tight, total - held, given | tight))
        work.append((inside, tight, held, given))
    return Division(shares, tuple(mask for _, mask in sorted(tight_sets)))


def _used_up(flow: Flow, short: Sequence[int]) -> int:
    """The sources that the short ones reach, over others' pieces too; nothing is left of any."""
    for i in short:
        if flow.add(i, 1):
            raise AssertionError("a line is short while the network carries more")
    return flow.tight_sources


def _cut(
    group: list[int],
    sources: int,
    level: Fraction,
    numerators: NDArray[np.int64],
    owners: NDArray[np.intp],
    *,
    masks: Sequence[int],
    amounts: Sequence[int],
) -> tuple[Flow, list[int]]:
    """The flow of what is carried, and the sharers that ask too much of their sources; none where all is carried."""
    wanted = dict.fromkeys(group, 0)
    for owner, numerator in zip(owners.tolist(), numerators.tolist(), strict=True):
        wanted[owner] += numerator
    flow = Flow(
        [masks[s] & sources for s in group],
        [amount * level.denominator if sources >> t & 1 else 0 for t, amount in enumerate(amounts)],
    )
    by_choice = sorted(range(len(group)), key=flow.masks.__getitem__)
    short = False
    for i in by_choice:
        short |= flow.add(i, wanted[group[i]]) < wanted[group[i]]
    return flow, [s for i, s in enumerate(group) if flow.tight_sharers >> i & 1] if short else []


def unfairness(
    curves: Sequence[Curve], shares: Sequence[Fraction], *, masks: Sequence[int], amounts: Sequence[int]
) -> list[str]:
    """What is wrong with ``shares`` as a leximin division; empty when nothing is.  ``masks`` per curve.

    Checks bounds, that the network carries the amounts, that nothing is left that somebody short could use, and
    that no line short of its order could be raised out of one that stands on a higher level above its bound.
    """
    faults = [
        f"curve {i} has {share}, outside {c.least} to {c.most}"
        for i, (c, share) in enumerate(zip(curves, shares, strict=True))
        if not c.least <= share <= c.most
    ]
    unit = lcm(*(share.denominator for share in shares)) if shares else 1
    flow = Flow(masks, [amount * unit for amount in amounts])
    for i, share in enumerate(shares):
        if flow.add(i, int(share * unit)) < share * unit:
            return [*faults, f"the sources of curve {i} do not carry its {share}"]
    for i, (c, share) in enumerate(zip(curves, shares, strict=True)):
        if share >= c.most:
            continue
        for j in _givers(flow, i):
            if j < 0:
                faults.append(f"curve {i} has {share} of {c.most} while something it could use is left")
            elif shares[j] > curves[j].least and curves[j].level(shares[j]) > c.level(share):
                faults.append(f"curve {j} stands above curve {i} and could give to it")
    return faults


def _givers(flow: Flow, start: int) -> list[int]:
    """Sharers from whom ``start`` could be raised, -1 standing for a source with something left."""
    seen, sources, queue = {start}, 0, [start]
    for sharer in queue:
        fresh = flow.masks[sharer] & ~sources
        sources |= fresh
        if fresh & flow.spare_mask:
            return [-1]
        for source in bits(fresh):
            for other in flow.given[source]:
                if other not in seen:
                    seen.add(other)
                    queue.append(other)
    return queue[1:]
