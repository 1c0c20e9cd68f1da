"""What a bag is worth as fresh mushrooms: the price below which a kit order is worth refusing.

A grown-through bag is sold once, sealed as a kit or opened for its flushes.  Opened, it does not fetch its grams times
the price of a kilo: it fetches what those *further* grams would be sold for, which is nothing on days when there is
enough without them.  So its fresh value is a difference of two sales, with one bag more and without:

    value = mean over scenarios of  sum over demands of  price × (received with the bag − received without it).

Demands are what is ordered and not yet picked, each with the harvest days it accepts and its own price, in the order in
which the farm serves: what is promised by rank, then the rest by tier, oldest line first.  Each receives what the days
still hold for it, by the same routine that keeps the promises (:mod:`.promises.book`).  What finds no order within the
forecast's days counts nothing: unsold it is waste.  Nor does what comes after them, since nobody knows its price; so
the value of a bag that is opened late is a lower bound.

One bag never takes from anybody: with more supply every demand receives as much as before or more.  Hence ``sold`` is
at most ``grams``, and the value lies between nothing and ``grams`` at the dearest price.

Demands alike in goods, days and price, promised or of one tier, are served as one at the place of the first of them.
That moves no gram in all; only which of two prices the last grams fetch may change.

Grams for amounts, minor units of the farm's currency for values, prices by the kilo.

Worked example.  Pearl at 12.00 a kilo.  One kilo is wanted for Tuesday and two for Friday; without the bag 1 kg comes
for Tuesday and 1.5 kg for Friday.  The bag gives 0.4 kg for Tuesday, which nobody wants, and 0.8 kg for Friday, of
which 0.5 kg is wanted: it is worth 6.00, not the 14.40 that 1.2 kg cost.  A kit at 19.00 is then the better sale.

Source: the marginal value of a resource, common practice in planning, no source; the rule is worked out here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fulfilment.core.promises import Book, Part, Supply
from fulfilment.core.units import Goods

KILO: Final = 1000

Bag = Mapping[Goods, NDArray[np.float64]]
"""What one bag gives, by goods [scenario, day], ending on the same day as the supply of those goods."""


@dataclass(frozen=True, slots=True)
class Demand:
    """``grams`` of ``goods`` that somebody ordered, from harvest days ``first`` to ``last``, both included.

    ``standing`` says what goes before what, the lower first: what is promised has 0 and its rank, what is not its
    customer's tier and its line.
    """

    goods: Goods
    first: date
    last: date
    grams: int
    price_minor: int
    """Of a kilo."""
    standing: tuple[int, int]


@dataclass(frozen=True, slots=True)
class Worth:
    """One bag more: ``minor`` is its fresh value, ``grams`` what it gives on average, ``sold`` what of it is wanted."""

    minor: int
    grams: int
    sold: int


def worths(bags: Mapping[int, Bag], *, supplies: Mapping[Goods, Supply], demands: Sequence[Demand]) -> dict[int, Worth]:
    """The fresh value of one bag more of each batch, each taken alone.

    ``supplies`` is what there is without the bag; bags, supplies and scenarios must be of one length.
    """
    asked = _merged(demands)
    without = {
        goods: _sold(supplies[goods], asked.get(goods, ())) for goods in {g for bag in bags.values() for g in bag}
    }
    return {batch: _worth(bag, supplies, asked, without) for batch, bag in bags.items()}


def _worth(
    bag: Bag, supplies: Mapping[Goods, Supply], asked: Mapping[Goods, Sequence[Demand]],
    without: Mapping[Goods, NDArray[np.float64]],
) -> Worth:  # fmt: skip
    minor = grams = sold = 0.0
    for goods, rows in bag.items():
        wanted = asked.get(goods, ())
        more = _sold(_with(supplies[goods], rows), wanted) - without[goods]
        prices = np.array([demand.price_minor for demand in wanted], dtype=np.float64)
        minor += float(more @ prices) / KILO
        sold += float(more.sum())
        grams += float(rows.sum(axis=1).mean())
    return Worth(round(minor), round(grams), round(sold))


def _merged(demands: Iterable[Demand]) -> dict[Goods, list[Demand]]:
    """By goods, in the order of serving; like ones added up at the place of the first."""
    found: dict[Goods, dict[tuple[date, date, int, int], Demand]] = {}
    for demand in sorted(demands, key=lambda each: each.standing):
        own = found.setdefault(demand.goods, {})
        key = (demand.first, demand.last, demand.price_minor, demand.standing[0])
        own[key] = replace(own[key], grams=own[key].grams + demand.grams) if key in own else demand
    return {goods: list(own.values()) for goods, own in found.items()}


def _sold(supply: Supply, demands: Sequence[Demand]) -> NDArray[np.float64]:
    """The mean over the scenarios of what each demand receives [demand]."""
    book = Book(supply)
    return np.array(
        [
            book.append(Part(place, 0, d.goods, d.first, d.last, d.grams, rank=place)).mean()
            for place, d in enumerate(demands)
        ],
        dtype=np.float64,
    )


def _with(supply: Supply, rows: NDArray[np.float64]) -> Supply:
    """The supply with a bag's grams, rounded so that no sum of days is a gram off."""
    until = np.rint(np.cumsum(rows, axis=1)).astype(np.int32)
    amounts = supply.amounts.copy()
    amounts[:, supply.days - rows.shape[1] :] += np.diff(until, axis=1, prepend=0)
    return Supply(supply.goods, supply.first_day, amounts)
