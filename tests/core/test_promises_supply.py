"""What is in store and what is coming, on one axis of harvest days."""

from __future__ import annotations

from datetime import date, timedelta

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fulfilment.core.problems import Invalid
from fulfilment.core.promises import Book, LotOnHand, Part, Supply, stack, window
from fulfilment.core.units import Goods

PEARL = Goods(1, "a")
PINK = Goods(2, "a")
TODAY = date(2026, 5, 8)


def day(offset: int) -> date:
    return TODAY + timedelta(days=offset)


def lot(grams: int, *, harvested: int, best_before: int, goods: Goods = PEARL) -> LotOnHand:
    return LotOnHand(goods, grams, day(harvested), day(best_before))


def of_lots(*lots: LotOnHand, life_days: int = 5) -> Supply:
    return stack(PEARL, today=TODAY, lots=lots, coming=None, life_days=life_days, scenarios=2)


def test_the_axis_begins_at_the_oldest_lot_and_lots_are_alike_in_all_scenarios() -> None:
    coming = np.array([[0, 7], [3, 0]], dtype=np.int32)
    supply = stack(
        PEARL,
        today=TODAY,
        lots=[lot(500, harvested=-2, best_before=3), lot(200, harvested=0, best_before=5)],
        coming=coming,
        life_days=5,
        scenarios=2,
    )
    assert supply.first_day == day(-2)
    assert supply.last_day == day(1)
    assert supply.amounts.tolist() == [[500, 0, 200, 7], [500, 0, 203, 0]]


def test_a_lot_written_down_counts_as_the_older_lot_it_keeps_like() -> None:
    supply = of_lots(lot(500, harvested=-1, best_before=1))
    assert supply.first_day == day(-4)
    assert supply.within(day(-4), day(-4)).tolist() == [500, 500]
    assert supply.within(day(-3), day(0)).tolist() == [0, 0]


def test_a_lot_given_longer_than_usual_still_counts_on_its_harvest_day() -> None:
    assert of_lots(lot(500, harvested=-1, best_before=9)).first_day == day(-1)


def test_expired_lots_other_goods_and_empty_lots_supply_nothing() -> None:
    supply = of_lots(
        lot(500, harvested=-6, best_before=-1),
        lot(500, harvested=-1, best_before=4, goods=PINK),
        lot(0, harvested=-1, best_before=4),
    )
    assert supply.amounts.sum() == 0


def test_a_lot_harvested_tomorrow_is_refused_with_a_sentence() -> None:
    with pytest.raises(Invalid, match="cannot have been harvested on 2026-05-09"):
        of_lots(lot(500, harvested=1, best_before=4))


def test_more_than_a_32_bit_sum_is_refused_not_wrapped() -> None:
    many = [lot(100_000_000, harvested=0, best_before=5)] * 22
    with pytest.raises(Invalid, match="wrong weight"):
        of_lots(*many)
    with pytest.raises(ValueError, match="below zero"):
        stack(PEARL, today=TODAY, lots=[], coming=np.array([[-1]], dtype=np.int32), life_days=5, scenarios=1)
    with pytest.raises(ValueError, match="has 1 scenarios, not 2"):
        stack(PEARL, today=TODAY, lots=[], coming=np.array([[1]], dtype=np.int32), life_days=5, scenarios=2)


@pytest.mark.parametrize(
    ("max_age_days", "harvest_before_packing", "first", "last"),
    [(3, False, -3, -1), (3, True, -3, 0), (None, False, -5, -1), (9, False, -5, -1), (0, True, 0, 0)],
)
def test_a_delivery_accepts_harvest_days_young_enough_and_done_before_packing(
    max_age_days: int | None, harvest_before_packing: bool, first: int, last: int
) -> None:
    found = window(TODAY, max_age_days=max_age_days, life_days=5, harvest_before_packing=harvest_before_packing)
    assert found == (day(first), day(last))


def test_same_day_only_from_a_farm_that_packs_first_is_an_empty_window() -> None:
    first, last = window(TODAY, max_age_days=0, life_days=5, harvest_before_packing=False)
    assert first > last


LOTS = st.lists(
    st.builds(lot, st.integers(1, 6), harvested=st.integers(-6, 0), best_before=st.integers(-1, 7)), max_size=5
)
DELIVERIES = st.lists(st.tuples(st.integers(0, 6), st.integers(0, 6), st.integers(1, 8)), max_size=5)


@given(lots=LOTS, deliveries=DELIVERIES)
@settings(max_examples=150, deadline=None)
def test_what_the_book_says_is_there_can_be_given_from_the_real_lots(
    lots: list[LotOnHand], deliveries: list[tuple[int, int, int]]
) -> None:
    """Written-down lots break the order of expiry; the book's answer must hold for the lots as they are."""
    book = Book(of_lots(*lots))
    graph: nx.DiGraph[object] = nx.DiGraph()
    graph.add_nodes_from(("farm", "kitchens"))
    for number, real in enumerate(lots):
        graph.add_edge("farm", ("lot", number), capacity=real.grams)
    owed = 0
    for number, (on, max_age_days, amount) in enumerate(deliveries):
        first, last = window(day(on), max_age_days=max_age_days, life_days=5, harvest_before_packing=True)
        received = int(book.append(Part(number, number, PEARL, first, last, amount, rank=number))[0])
        owed += received
        graph.add_edge(("line", number), "kitchens", capacity=received)
        for place, real in enumerate(lots):
            if real.best_before >= day(on) and real.harvested_on >= day(on - max_age_days):
                graph.add_edge(("lot", place), ("line", number))
    assert nx.maximum_flow_value(graph, "farm", "kitchens") == owed
