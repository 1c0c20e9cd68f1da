"""First promised, first served: what each part receives, and what is left for the next."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fulfilment.core.promises import Book, Part, Supply, percent
from fulfilment.core.promises.book import needed
from fulfilment.core.units import KIT, Goods

if TYPE_CHECKING:
    from collections.abc import Sequence

PEARL = Goods(1, "a")
PEARL_KITS = Goods(1, KIT)
MONDAY = date(2026, 5, 4)


def day(offset: int) -> date:
    return MONDAY + timedelta(days=offset)


def supply(*scenarios: Sequence[int], goods: Goods = PEARL) -> Supply:
    return Supply(goods, MONDAY, np.array(scenarios, dtype=np.int32))


def part(number: int, first: int, last: int, amount: int, *, goods: Goods = PEARL) -> Part:
    return Part(number, number, goods, day(first), day(last), amount, rank=number)


def most_served(amounts: Sequence[int], parts: Sequence[tuple[int, int, int]]) -> int:
    """The grams that one scenario can give to (first, last, amount) together, by a library's maximum flow."""
    graph: nx.DiGraph[object] = nx.DiGraph()
    graph.add_nodes_from(("farm", "kitchens"))
    for harvest_day, grams in enumerate(amounts):
        graph.add_edge("farm", ("day", harvest_day), capacity=grams)
    for number, (first, last, amount) in enumerate(parts):
        graph.add_edge(("part", number), "kitchens", capacity=amount)
        for harvest_day in range(max(0, first), min(last, len(amounts) - 1) + 1):
            graph.add_edge(("day", harvest_day), ("part", number))
    return int(nx.maximum_flow_value(graph, "farm", "kitchens"))


def can_serve(amounts: Sequence[int], parts: Sequence[tuple[int, int, int]]) -> bool:
    """Whether one scenario serves all parts: each day's harvest goes to the open part that closes first."""
    owed = [amount for _, _, amount in parts]
    for harvest_day, grams in enumerate(amounts):
        left = grams
        for number in sorted(range(len(parts)), key=lambda n: parts[n][1]):
            first, last, _ = parts[number]
            if first <= harvest_day <= last:
                given_now = min(left, owed[number])
                owed[number] -= given_now
                left -= given_now
    return not any(owed)


WINDOWS = st.tuples(st.integers(0, 5), st.integers(0, 5), st.integers(0, 12)).map(
    lambda w: (min(w[0], w[1]), max(w[0], w[1]), w[2])
)
SCENARIOS = st.lists(st.lists(st.integers(0, 9), min_size=6, max_size=6), min_size=1, max_size=3)


@given(scenarios=SCENARIOS, windows=st.lists(WINDOWS, max_size=6))
@settings(max_examples=150, deadline=None)
def test_each_part_receives_what_maximum_flow_adds_behind_the_earlier_ones(
    scenarios: list[list[int]], windows: list[tuple[int, int, int]]
) -> None:
    book = Book.replay(supply(*scenarios), [part(n, *w) for n, w in enumerate(windows)])
    for s, amounts in enumerate(scenarios):
        served: list[tuple[int, int, int]] = []
        for number, (first, last, amount) in enumerate(windows):
            before = sum(received for _, _, received in served)
            more = most_served(amounts, [*served, (first, last, amount)]) - before
            assert book.received[number][s] == more
            served.append((first, last, more))


@given(scenarios=SCENARIOS, windows=st.lists(WINDOWS, max_size=8), asked=WINDOWS, chance=st.integers(1, 100))
@settings(max_examples=200, deadline=None)
def test_the_largest_amount_is_carried_often_enough_and_one_gram_more_is_not(
    scenarios: list[list[int]], windows: list[tuple[int, int, int]], asked: tuple[int, int, int], chance: int
) -> None:
    book = Book.replay(supply(*scenarios), [part(n, *w) for n, w in enumerate(windows)])
    first, last, _ = asked
    largest = book.largest(day(first), day(last), chance=chance)

    def share(amount: int) -> float:
        received = [
            [(w[0], w[1], int(book.received[n][s])) for n, w in enumerate(windows)] for s in range(book.scenarios)
        ]
        return sum(
            can_serve(amounts, [*received[s], (first, last, amount)]) for s, amounts in enumerate(scenarios)
        ) / len(scenarios)

    assert share(largest) * 100 >= chance
    assert share(largest + 1) * 100 < chance
    assert book.chance(day(first), day(last), largest) == share(largest)


@given(scenarios=SCENARIOS, windows=st.lists(WINDOWS, min_size=1, max_size=8), later=WINDOWS)
@settings(max_examples=100, deadline=None)
def test_a_later_part_never_lowers_what_an_earlier_one_receives(
    scenarios: list[list[int]], windows: list[tuple[int, int, int]], later: tuple[int, int, int]
) -> None:
    parts = [part(n, *w) for n, w in enumerate(windows)]
    before = Book.replay(supply(*scenarios), parts)
    after = Book.replay(supply(*scenarios), [*parts, part(len(parts), *later)])
    appended = before.copy()
    appended.append(part(len(parts), *later))
    for earlier in parts:
        assert after.received[earlier.part_id].tolist() == before.received[earlier.part_id].tolist()
    assert appended.received[len(parts)].tolist() == after.received[len(parts)].tolist()
    assert len(parts) not in before.received


@given(
    scenarios=st.lists(st.lists(st.integers(0, 9), min_size=6, max_size=6), min_size=5, max_size=20),
    asked=st.lists(st.tuples(WINDOWS, st.sampled_from((50, 80, 90))), min_size=1, max_size=12),
)
@settings(max_examples=60, deadline=None)
def test_what_is_promised_is_carried_in_the_share_of_scenarios_it_was_promised_at(
    scenarios: list[list[int]], asked: list[tuple[tuple[int, int, int], int]]
) -> None:
    """Everybody asks for more than there is and takes the largest amount; checked without any slack."""
    book = Book(supply(*scenarios))
    promised: list[tuple[int, int, int]] = []
    for number, ((first, last, _), chance) in enumerate(asked):
        amount = book.largest(day(first), day(last), chance=chance)
        book.append(part(number, first, last, amount))
        carried = 0
        for s, amounts in enumerate(scenarios):
            served = [(f, w, int(book.received[n][s])) for n, (f, w, _) in enumerate(promised)]
            carried += can_serve(amounts, [*served, (first, last, amount)])
        assert 100 * carried >= chance * len(scenarios)
        promised.append((first, last, amount))
    for s, amounts in enumerate(scenarios):
        assert can_serve(amounts, [(f, w, int(book.received[n][s])) for n, (f, w, _) in enumerate(promised)])


def test_an_impossible_promise_does_not_close_the_shop() -> None:
    """1,000 kg promised on day 0 where 10 come; 20 come on days 20 and 21.  Own worked case: the newcomer finds 20."""
    amounts = [0] * 28
    amounts[0], amounts[20], amounts[21] = 10, 12, 8
    book = Book.replay(supply(amounts), [part(1, 0, 0, 1000)])
    assert book.received[1].tolist() == [10]
    assert book.largest(day(20), day(21), chance=90) == 20


def test_the_quantile_of_the_sum_is_promised_not_the_sum_of_quantiles() -> None:
    """Six kilos come on one of two days, nobody knows on which: none is sure on a day, all are sure over both."""
    book = Book(supply([6, 0], [0, 6]))
    assert book.largest(day(0), day(0), chance=90) + book.largest(day(1), day(1), chance=90) == 0
    assert book.largest(day(0), day(1), chance=90) == 6


def test_the_worked_example_of_the_essay() -> None:
    book = Book(supply([4, 0, 6], [4, 5, 0]))
    assert book.available(day(0), day(1)).tolist() == [4, 9]
    book.append(part(1, 0, 0, 4))
    assert book.available(day(0), day(1)).tolist() == [0, 5]
    assert book.largest(day(0), day(1), chance=50) == 5
    assert book.largest(day(0), day(1), chance=51) == 0


def test_the_share_of_scenarios_is_counted_up_never_interpolated() -> None:
    book = Book(supply(*([n] for n in range(1, 8))))
    assert book.largest(day(0), day(0), chance=90) == 1  # 6 of 7 scenarios are only 85.7 %
    assert book.largest(day(0), day(0), chance=85) == 2
    assert book.largest(day(0), day(0), chance=100) == 1
    assert needed(90, scenarios=1000) == 900
    assert needed(1, scenarios=7) == 1


def test_percents_are_rounded_down_but_not_by_the_machine() -> None:
    assert percent(0.29) == 29
    assert percent(0.58) == 58
    assert percent(899 / 1000) == 89
    assert [percent(n / 100) for n in range(101)] == list(range(101))


def test_replay_serves_by_rank_whatever_order_the_parts_come_in() -> None:
    early, late = part(1, 0, 0, 6), part(2, 0, 0, 6)
    book = Book.replay(supply([8]), [late, early])
    assert (book.received[1][0], book.received[2][0]) == (6, 2)
    assert book.last_rank == 2


def test_windows_beyond_the_axis_are_cut_to_it() -> None:
    book = Book(supply([4, 5]))
    assert book.largest(day(-9), day(0), chance=90) == 4
    assert book.largest(day(1), day(40), chance=90) == 5
    assert book.largest(day(5), day(9), chance=90) == 0
    assert book.append(part(1, 5, 9, 3)).tolist() == [0]
    assert book.append(part(2, 1, 0, 3)).tolist() == [0]
    assert book.largest(day(0), day(1), chance=90) == 9


def test_a_part_larger_than_32_bits_takes_what_there_is() -> None:
    assert Book(supply([7])).append(part(1, 0, 0, 2**40)).tolist() == [7]


def test_a_book_refuses_what_would_make_it_wrong() -> None:
    book = Book.replay(supply([8]), [part(5, 0, 0, 1)])
    with pytest.raises(ValueError, match="replay the book"):
        book.append(part(4, 0, 0, 1))
    with pytest.raises(ValueError, match="in the book already"):
        book.append(part(5, 0, 0, 1))
    with pytest.raises(ValueError, match="below zero"):
        book.append(part(6, 0, 0, -1))
    with pytest.raises(ValueError, match="in the book of"):
        book.append(part(6, 0, 0, 1, goods=PEARL_KITS))
    assert book.largest(day(0), day(0), chance=90) == 7


def test_kits_are_booked_in_pieces_on_the_day_they_are_sure() -> None:
    """57 bags are grown through on day 2 and keep eight weeks: exactly 57 of 200 buyers get one."""
    book = Book(supply([0, 0, 57, 0], goods=PEARL_KITS))
    got = [int(book.append(part(n, -50, 3, 1, goods=PEARL_KITS))[0]) for n in range(200)]
    assert got == [1] * 57 + [0] * 143
    assert book.largest(day(-50), day(1), chance=99) == 0
