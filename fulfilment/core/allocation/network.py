"""Many lots are alike and many lines are alike: the network is built of what differs.

Sources of the same goods, harvest day and last day are one *cohort*; wants with the same choices and day are one
*class*.  Merging loses nothing, since within them nothing distinguishes one gram from another.  Cohorts are in
order of their last day, then harvest day: the lowest bit of a mask is the one to use first.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from fulfilment.core.allocation.terms import Source, Want
from fulfilment.core.units import Goods


@dataclass(frozen=True, slots=True)
class Kind:
    """A class of wants: what one of them accepts.  ``by_choice`` holds a mask of cohorts per choice, none twice."""

    choices: tuple[tuple[Goods, date, date], ...]
    day: date
    by_choice: tuple[int, ...]
    mask: int


@dataclass(frozen=True, slots=True)
class Network:
    """``kind_of`` maps a want's place to its class; ``cohort_of`` a source's key to its cohort, usable ones only."""

    cohorts: tuple[tuple[Goods, date, date], ...]
    lots: tuple[tuple[Source, ...], ...]
    cohort_of: dict[str, int]
    goods_masks: dict[Goods, int]
    kinds: tuple[Kind, ...]
    kind_of: tuple[int, ...]


def usable(source: Source, *, day: date) -> bool:
    """Whether ``source`` may be sent on ``day`` at all: harvested by then and not past its date."""
    return source.amount > 0 and source.ready_on <= day <= source.usable_until


def build(wants: Sequence[Want], sources: Iterable[Source], *, today: date) -> Network:
    """The merged network of everything that holds something and is not past its date today."""
    groups: dict[tuple[date, date, Goods], list[Source]] = {}
    for source in sources:
        if source.amount > 0 and source.usable_until >= today:
            groups.setdefault((source.usable_until, source.ready_on, source.goods), []).append(source)
    order = sorted(groups)
    lots = tuple(tuple(sorted(groups[key], key=lambda s: (-s.amount, s.key))) for key in order)
    ready = np.array([key[1].toordinal() for key in order], dtype=np.int64)
    until = np.array([key[0].toordinal() for key in order], dtype=np.int64)
    goods_masks: dict[Goods, int] = {}
    for place, key in enumerate(order):
        goods_masks[key[2]] = goods_masks.get(key[2], 0) | 1 << place
    kinds: dict[tuple[tuple[tuple[Goods, date, date], ...], date], int] = {}
    made: list[Kind] = []
    kind_of: list[int] = []
    for want in wants:
        day = max(want.day, today)
        place = kinds.setdefault((want.choices, day), len(made))
        if place == len(made):
            made.append(_kind(want.choices, day, ready=ready, until=until, goods_masks=goods_masks))
        kind_of.append(place)
    return Network(
        cohorts=tuple((goods, ready_on, last) for last, ready_on, goods in order),
        lots=lots,
        cohort_of={source.key: place for place, group in enumerate(lots) for source in group},
        goods_masks=goods_masks,
        kinds=tuple(made),
        kind_of=tuple(kind_of),
    )


def _kind(
    choices: tuple[tuple[Goods, date, date], ...],
    day: date,
    *,
    ready: NDArray[np.int64],
    until: NDArray[np.int64],
    goods_masks: dict[Goods, int],
) -> Kind:
    fits_day = (until >= day.toordinal()) & (ready <= day.toordinal())
    seen = 0
    by_choice: list[int] = []
    for goods, first, last in choices:
        fits = fits_day & (ready >= first.toordinal()) & (ready <= last.toordinal())
        mask = int.from_bytes(np.packbits(fits, bitorder="little").tobytes(), "little")
        mask &= goods_masks.get(goods, 0) & ~seen
        seen |= mask
        by_choice.append(mask)
    return Kind(choices=choices, day=day, by_choice=tuple(by_choice), mask=seen)
