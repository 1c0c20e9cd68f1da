"""The best that anybody could have sold in a year who knew every harvest and every order beforehand.

One linear programme over all lines and all days' harvests: the most value (grams by their kitchen's tier), each line at
most what it ordered and, where a bound is given, at least what another way of selling kept of its promises.  Packs are
left out, so it is a little better than possible.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import coo_array

from bench.farms.grower import FIRST, Farm
from bench.farms.market import GOODS, Market
from bench.farms.selling import WEIGHT


@dataclass(frozen=True, slots=True)
class Best:
    value: float
    delivered: float


def best(farm: Farm, market: Market, *, first: int, last: int, bound: Mapping[int, int]) -> Best:
    """``bound`` holds by line the least grams it gets; only harvests from ``first`` on count."""
    strain_of = {goods: strain for strain, goods in enumerate(GOODS)}
    days = last - first + 1
    rows, columns, weights = [], [], []
    for place, ask in enumerate(market.asks):
        for choice in ask.kitchen.choices(ask.strain, ask.day):
            begin, end = ((day - FIRST).days for day in (choice.first, choice.last))
            for day in range(max(begin, first), min(end, last) + 1):
                rows.append(place)
                columns.append(strain_of[choice.goods] * days + day - first)
                weights.append(WEIGHT[ask.kitchen.tier])
    arcs, lines = np.arange(len(rows)), len(market.asks)
    served = coo_array((np.ones(len(rows)), (rows, arcs)), shape=(lines, len(rows)))
    used = coo_array((np.ones(len(rows)), (columns, arcs)), shape=(len(GOODS) * days, len(rows)))
    kept = -served
    matrix = coo_array(
        (
            np.concatenate([served.data, used.data, kept.data]),
            (
                np.concatenate([rows, np.array(columns) + lines, np.array(rows) + lines + len(GOODS) * days]),
                np.concatenate([arcs] * 3),
            ),
        )
    )
    most = np.concatenate([
        [ask.amount for ask in market.asks],
        farm.picked[:, first : last + 1].ravel(),
        [-bound.get(ask.number, 0) for ask in market.asks],
    ])  # fmt: skip
    found: Any = linprog(-np.array(weights, dtype=float), A_ub=matrix.tocsr(), b_ub=most, method="highs")  # type: ignore[call-overload]  # the stubs know no sparse array here
    assert found.success, found.message
    return Best(value=-float(found.fun), delivered=float(found.x.sum()))
