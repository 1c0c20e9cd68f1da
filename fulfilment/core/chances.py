"""How often each promise is kept: over the scenarios, by part, by line and by order.

The unit is a share of the scenarios, 0 to 1.  A part is kept in a scenario when it receives all that it was promised
there, the books being served in rank order by the same routine that made the promises (:mod:`.promises.book`); a
line when all its parts are, an order when all its lines are.  Scenario s is the same story in every book, so that
two strains which do badly together also break an order together.

Worked example.  Two strains, three scenarios; pearl holds 5, 5, 0 and pink 0, 5, 5.  A line promised 5 of each has
parts with chances 2/3 and 2/3 and is itself kept in one scenario of three.

Source: the definition of joint probability; common practice for promises by scenario, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fulfilment.core.promises.book import Book, Part

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from fulfilment.core.promises.supply import Supply
    from fulfilment.core.units import Goods


@dataclass(frozen=True, slots=True)
class Chances:
    """Shares of scenarios in which all that was promised is carried, by part id, line id and order id."""

    by_part: Mapping[int, float]
    by_line: Mapping[int, float]
    by_order: Mapping[int, float]


def chances(supplies: Mapping[Goods, Supply], parts: Iterable[Part]) -> Chances:
    """The chances of ``parts``, served in rank order from ``supplies``; goods without supply give nothing.

    Parts of no order (``order_id`` 0) are left out of ``by_order``.
    """
    by_part: dict[int, NDArray[np.bool_]] = {}
    by_line: dict[int, NDArray[np.bool_]] = {}
    by_order: dict[int, NDArray[np.bool_]] = {}
    for goods, own in _by_goods(parts).items():
        received = Book.replay(supplies[goods], own).received if goods in supplies else {}
        for part in own:
            got = received.get(part.part_id, np.zeros(1, dtype=np.int32))
            kept: NDArray[np.bool_] = got >= part.amount
            by_part[part.part_id] = kept
            _and(by_line, part.line_id, kept)
            if part.order_id:
                _and(by_order, part.order_id, kept)
    return Chances(_shares(by_part), _shares(by_line), _shares(by_order))


def _by_goods(parts: Iterable[Part]) -> dict[Goods, list[Part]]:
    found: dict[Goods, list[Part]] = {}
    for part in parts:
        found.setdefault(part.goods, []).append(part)
    return found


def _and(into: dict[int, NDArray[np.bool_]], key: int, kept: NDArray[np.bool_]) -> None:
    into[key] = into[key] & kept if key in into else kept


def _shares(kept: Mapping[int, NDArray[np.bool_]]) -> dict[int, float]:
    return {key: float(np.mean(scenarios)) for key, scenarios in kept.items()}
