"""What of a promise is still sure: fixed goods, all received together."""

from __future__ import annotations

from itertools import product

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from fulfilment.core.promises import kept_pct, still_sure
from fulfilment.core.promises.book import needed
from fulfilment.core.promises.split import Amounts
from fulfilment.core.units import Goods

PEARL, PINK, GREY = Goods(1, "a"), Goods(2, "a"), Goods(3, "a")


def amounts(*values: int) -> Amounts:
    return np.array(values, dtype=np.int32)


def test_the_example_of_the_essay() -> None:
    received = {PEARL: amounts(4, 4, 0), PINK: amounts(0, 4, 4)}
    assert still_sure(received, promised=8, chance=66, pack=1) == {PEARL: 4, PINK: 0}
    assert kept_pct([(received[PEARL], 4), (received[PINK], 0)]) == 66
    assert kept_pct([(received[PEARL], 2), (received[PINK], 2)]) == 33


def test_one_kind_is_the_order_statistic_in_whole_packs() -> None:
    assert still_sure({PEARL: amounts(900, 1_400, 1_999)}, promised=2_000, chance=66, pack=500) == {PEARL: 1_000}
    assert still_sure({PEARL: amounts(0)}, promised=3, chance=99, pack=1) == {PEARL: 0}
    assert still_sure({}, promised=3, chance=99, pack=1) == {}
    assert kept_pct([]) == 0


def test_a_kit_s_one_scenario_holds_in_all_of_the_others() -> None:
    received = {PEARL: amounts(500), PINK: amounts(0, 500, 500)}
    assert still_sure(received, promised=1_000, chance=60, pack=500) == {PEARL: 500, PINK: 500}
    assert kept_pct([(received[PEARL], 500), (received[PINK], 500)]) == 66


@given(data=st.data(), goods=st.integers(1, 3), scenarios=st.integers(1, 6), chance=st.integers(1, 100))
def test_no_more_could_stay_and_what_stays_is_sure(
    data: st.DataObject, goods: int, scenarios: int, chance: int
) -> None:
    """Every choice of fixed amounts tried."""
    column = st.lists(st.integers(0, 4), min_size=scenarios, max_size=scenarios)
    received = {each: amounts(*data.draw(column)) for each in (PEARL, PINK, GREY)[:goods]}
    stays = still_sure(received, promised=12, chance=chance, pack=1)

    def together(parts: tuple[int, ...]) -> int:
        return sum(
            all(int(got[s]) >= part for got, part in zip(received.values(), parts, strict=True))
            for s in range(scenarios)
        )

    count = needed(chance, scenarios=scenarios)
    most = max(sum(parts) for parts in product(range(5), repeat=goods) if together(parts) >= count or not any(parts))
    assert sum(stays.values()) == most
    assert together(tuple(stays.values())) >= count or most == 0
    assert kept_pct(zip(received.values(), stays.values(), strict=True)) == int(
        100 * together(tuple(stays.values())) / scenarios + 1e-9
    )
