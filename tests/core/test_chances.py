"""How often each promise is kept, over the same scenarios in every book."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from fulfilment.core.chances import chances
from fulfilment.core.promises import Part, Supply
from fulfilment.core.units import KIT, Goods

PEARL = Goods(1, "a")
PINK = Goods(2, "a")
PEARL_KITS = Goods(1, KIT)
MONDAY = date(2026, 5, 4)


def supply(goods: Goods, *grams: int) -> Supply:
    """One harvest day; one number for each scenario."""
    return Supply(goods, MONDAY, np.array(grams, dtype=np.int32).reshape(-1, 1))


def part(number: int, goods: Goods, amount: int, *, line: int, order: int = 0) -> Part:
    return Part(number, line, goods, MONDAY, MONDAY, amount, rank=number, order_id=order)


def test_the_worked_example_of_the_essay() -> None:
    found = chances(
        {PEARL: supply(PEARL, 5, 5, 0), PINK: supply(PINK, 0, 5, 5)},
        [part(1, PEARL, 5, line=1), part(2, PINK, 5, line=1)],
    )
    assert found.by_part == {1: pytest.approx(2 / 3), 2: pytest.approx(2 / 3)}
    assert found.by_line == {1: pytest.approx(1 / 3)}
    assert found.by_order == {}


def test_an_order_is_kept_where_all_its_lines_are() -> None:
    found = chances(
        {PEARL: supply(PEARL, 5, 5, 0, 9), PEARL_KITS: supply(PEARL_KITS, 2)},
        [
            part(1, PEARL, 5, line=1, order=7),
            part(2, PEARL, 4, line=2, order=7),
            part(3, PEARL_KITS, 2, line=3, order=7),
            part(4, PEARL_KITS, 1, line=4, order=8),
        ],
    )
    assert found.by_line == {1: 0.75, 2: 0.25, 3: 1.0, 4: 0.0}
    assert found.by_order == {7: 0.25, 8: 0.0}


def test_a_strain_with_no_supply_keeps_nothing() -> None:
    found = chances({PEARL: supply(PEARL, 5, 5)}, [part(1, PINK, 1, line=1), part(2, PEARL, 5, line=1)])
    assert found.by_part == {1: 0.0, 2: 1.0}
    assert found.by_line == {1: 0.0}


def test_a_chance_is_type_1_service_the_share_of_cycles_without_a_shortage() -> None:
    """Textbook table of type 1 and type 2 service: ten cycles, short 45 in the third and 10 in the sixth: 80 %
    (per-cycle demands from memory)."""
    demands = [180, 75, 235, 140, 180, 200, 150, 90, 160, 40]
    short = {2: 45, 5: 10}
    made = np.diag([demand - short.get(cycle, 0) for cycle, demand in enumerate(demands)]).astype(np.int32)
    found = [
        chances(
            {PEARL: Supply(PEARL, MONDAY, made[cycle : cycle + 1])},
            [Part(1, 1, PEARL, MONDAY, MONDAY + timedelta(days=9), demand, rank=1)],
        ).by_line[1]
        for cycle, demand in enumerate(demands)
    ]
    assert sum(found) / len(found) == pytest.approx(0.80)


def test_parts_are_served_by_rank_in_whatever_order_they_are_given() -> None:
    first, second = part(1, PEARL, 5, line=1), part(2, PEARL, 5, line=2)
    assert chances({PEARL: supply(PEARL, 5, 9)}, [second, first]).by_line == {1: 1.0, 2: 0.0}
