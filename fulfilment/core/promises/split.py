"""One amount split over several accepted goods, so that all parts together are carried often enough.

``available[c][scenario]`` is what goods ``c`` could still give.  Parts x_c are whole packs, fixed for all scenarios;
they are carried in the scenarios where every x_c <= available[c].  Sought: the largest total, not above what is
wanted, that at least ``carried`` scenarios carry; among equals, more of the goods named first.

What is wanted is a few packs, so all splits are counted at once: a table by packs of each goods holds in how many
scenarios at least so much of every one is there, and the answer is read off it. Where that table would be too large,
parts are searched. For two goods the search is exact: let the first part fall through the values the scenarios give
and keep the best ``carried`` values of the second among the scenarios still in. For more, the first part runs over
its values and the rest is split in the scenarios left. That is exact too while those values are few; where a small
pack leaves many, an even choice of them is tried and each pair of parts is then improved against the others until
none can be.
"""

from __future__ import annotations

from functools import lru_cache
from heapq import heappush, heappushpop
from itertools import combinations
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from fulfilment.core.promises.book import carried_by

if TYPE_CHECKING:
    from collections.abc import Sequence

CELLS: Final = 50_000
"""The largest table of splits that is counted: 222 packs of two goods, 35 of three, 13 of four."""
FEW: Final = 24
"""How many values of an outer part are tried; with packs of 500 g, all of them up to 12 kg."""

Amounts = NDArray[np.int32]


def split(available: Sequence[Amounts], *, carried: int, wanted: int, pack: int, above: int = 0) -> tuple[int, ...]:
    """The parts, one for each of ``available``; all zero where no total above ``above`` is carried often enough."""
    whole = [np.minimum(a - a % pack, wanted) for a in available]
    if _few_cells(len(whole), packs=wanted // pack):
        standing = _standing_in(whole, packs=wanted // pack, pack=pack)
        return _best(standing, carried=carried, above=above // pack, pack=pack)
    parts = _search(whole, carried=carried, wanted=wanted, above=above, few=FEW if len(whole) < 4 else FEW // 4)
    if len(whole) < 3 or sum(parts) in (0, wanted):
        return parts
    return _improve(whole, parts, carried=carried, wanted=wanted)


def surest(available: Sequence[Amounts], *, wanted: int, pack: int) -> tuple[int, ...] | None:
    """The split of all that is wanted which the most scenarios carry; all zero where none does.

    None where there are too many splits to count them all.
    """
    packs = wanted // pack
    if not _few_cells(len(available), packs=packs):
        return None
    standing = _standing_in([np.minimum(a, wanted) for a in available], packs=packs, pack=pack)
    whole = np.where(_totals(len(available), packs=packs) == packs, standing, 0)
    return _best(whole, carried=max(1, int(whole.max())), above=0, pack=pack)


def carrying(available: Sequence[Amounts], parts: Sequence[int]) -> int:
    """In how many scenarios every part is carried."""
    return int(np.count_nonzero(_all_carried(available, parts)))


def pooled(available: Sequence[Amounts]) -> NDArray[np.int64]:
    """What all goods could still give together [scenario]: more than any split of fixed parts can promise."""
    total: NDArray[np.int64] = np.sum(available, axis=0, dtype=np.int64)
    return total


def _few_cells(goods: int, *, packs: int) -> bool:
    return goods > 1 and (packs + 1) ** goods <= CELLS


def _standing_in(whole: Sequence[Amounts], *, packs: int, pack: int) -> NDArray[np.int64]:
    """[packs of the first, of the second …]: in how many scenarios there is at least so much of every one."""
    shape = (packs + 1,) * len(whole)
    places = np.ravel_multi_index([a // pack for a in whole], shape)
    standing: NDArray[np.int64] = np.bincount(places, minlength=int(np.prod(shape))).reshape(shape)
    for axis in range(len(shape)):
        standing = np.flip(np.cumsum(np.flip(standing, axis), axis=axis), axis)
    return standing


@lru_cache(maxsize=64)
def _totals(goods: int, *, packs: int) -> NDArray[np.int64]:
    """[packs of the first, of the second …]: how many that is together."""
    totals: NDArray[np.int64] = np.indices((packs + 1,) * goods).sum(axis=0)
    totals.setflags(write=False)
    return totals


def _best(standing: NDArray[np.int64], *, carried: int, above: int, pack: int) -> tuple[int, ...]:
    """The largest total that stands in ``carried`` scenarios, more of the goods named first; zero if not ``above``."""
    packs = standing.shape[0] - 1
    totals = _totals(standing.ndim, packs=packs)
    found = np.where((standing >= carried) & (totals <= packs), totals, 0).ravel()
    most = int(found.max())
    if most <= above:
        return (0,) * standing.ndim
    place = found.size - 1 - int(np.argmax(found[::-1] == most))
    return tuple(pack * int(x) for x in np.unravel_index(place, standing.shape))


def _all_carried(available: Sequence[Amounts], parts: Sequence[int]) -> NDArray[np.bool_]:
    carried: NDArray[np.bool_] = np.logical_and.reduce([a >= x for a, x in zip(available, parts, strict=True)])
    return carried


def _search(whole: Sequence[Amounts], *, carried: int, wanted: int, above: int, few: int) -> tuple[int, ...]:
    """As :func:`split`, of amounts already cut to packs."""
    if len(whole) == 1:
        part = min(wanted, carried_by(whole[0], count=carried))
        return (part if part > above else 0,)
    if len(whole) == 2:
        return _pair(whole[0], whole[1], carried=carried, wanted=wanted, above=above)
    first, *rest = whole
    best, best_total = (0,) * len(whole), above
    for x in _values(first, carried=carried, wanted=wanted, few=few):
        left = [a[first >= x] for a in rest]
        if min(wanted, x + _at_most(left, carried=carried)) <= best_total:
            continue
        others = _search(left, carried=carried, wanted=wanted - x, above=max(0, best_total - x), few=few)
        if x + sum(others) > best_total:
            best, best_total = (x, *others), x + sum(others)
        if best_total == wanted:
            break
    return best


def _pair(first: Amounts, second: Amounts, *, carried: int, wanted: int, above: int = 0) -> tuple[int, int]:
    order = np.argsort(-first, kind="stable")
    kept: list[int] = []
    best, best_total = (0, 0), above
    for x, y in zip(np.minimum(first, wanted)[order].tolist(), second[order].tolist(), strict=True):
        if len(kept) < carried:
            heappush(kept, y)
            if len(kept) < carried:
                continue
        else:
            heappushpop(kept, y)
        other = min(kept[0], wanted - x)
        if x + other > best_total:
            best, best_total = (x, other), x + other
            if best_total == wanted:
                break
    return best


def _values(first: Amounts, *, carried: int, wanted: int, few: int) -> list[int]:
    """The values worth trying for an outer part, falling; always with zero."""
    most = min(wanted, carried_by(first, count=carried))
    values = np.unique(np.append(first[first < most], (0, most)))[::-1]
    if values.size > few:
        values = values[np.linspace(0, values.size - 1, few).round().astype(int)]
    return [int(x) for x in values]


def _at_most(available: Sequence[Amounts], *, carried: int) -> int:
    """No split of these is carried by ``carried`` scenarios with a larger total."""
    apart = sum(carried_by(a, count=carried) for a in available)
    return min(apart, carried_by(pooled(available), count=carried))


def _improve(whole: Sequence[Amounts], parts: tuple[int, ...], *, carried: int, wanted: int) -> tuple[int, ...]:
    best = list(parts)
    improved = sum(best) < wanted
    while improved:
        improved = False
        for c, d in combinations(range(len(whole)), 2):
            others = [e for e in range(len(whole)) if e not in (c, d)]
            inside = _all_carried([whole[e] for e in others], [best[e] for e in others])
            room = wanted - sum(best[e] for e in others)
            x, y = _pair(whole[c][inside], whole[d][inside], carried=carried, wanted=room)
            if x + y > best[c] + best[d]:
                best[c], best[d] = x, y
                improved = True
    return tuple(best)
