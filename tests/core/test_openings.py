"""When a grown-through batch is opened: as soon as it can be, unless waiting serves more of what is wanted."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import linprog

from fulfilment.core.openings import DELAYS, Demand, Waiting, choose_delays, later
from fulfilment.core.units import Goods

DAYS = 30
PEARL, PINK = Goods(1, "a"), Goods(2, "a")


def on(day: int, grams: float) -> NDArray[np.float64]:
    row = np.zeros(DAYS)
    row[day] = grams
    return row


def nothing() -> dict[Goods, NDArray[np.float64]]:
    return {PEARL: np.zeros(DAYS), PINK: np.zeros(DAYS)}


def test_ten_kilos_on_day_twelve_are_worth_waiting_for() -> None:
    """The worked example: opened now it gives on day 8, kept three days; wanted on day 12."""
    batch = Waiting(7, {PEARL: on(8, 10_000)}, may_wait_days=14)
    wanted = [Demand(PEARL, first=9, last=12, grams=10_000)]
    assert choose_delays([batch], others=nothing(), demands=wanted) == {7: 2}
    assert choose_delays([batch], others=nothing(), demands=[Demand(PEARL, 11, 12, 10_000)]) == {7: 4}


def test_what_serves_as_much_now_is_opened_now() -> None:
    batch = Waiting(7, {PEARL: on(8, 10_000)}, may_wait_days=14)
    assert choose_delays([batch], others=nothing(), demands=[Demand(PEARL, 5, 20, 4_000)]) == {7: 0}
    assert choose_delays([batch], others=nothing(), demands=[]) == {7: 0}


@pytest.mark.parametrize(("limit", "delay"), [(0, 0), (3, 0), (4, 4), (14, 4)])
def test_a_batch_waits_no_longer_than_it_may(limit: int, delay: int) -> None:
    batch = Waiting(7, {PEARL: on(8, 10_000)}, may_wait_days=limit)
    assert choose_delays([batch], others=nothing(), demands=[Demand(PEARL, 12, 12, 10_000)]) == {7: delay}


def test_another_strain_wanted_is_no_reason_to_wait() -> None:
    batch = Waiting(7, {PEARL: on(8, 10_000)}, may_wait_days=14)
    assert choose_delays([batch], others=nothing(), demands=[Demand(PINK, 12, 12, 10_000)]) == {7: 0}


def test_what_comes_anyway_leaves_the_batch_for_what_is_still_missing() -> None:
    batch = Waiting(7, {PEARL: on(8, 5_000)}, may_wait_days=14)
    wanted = [Demand(PEARL, 8, 8, 5_000), Demand(PEARL, 15, 15, 5_000)]
    assert choose_delays([batch], others=nothing(), demands=wanted) == {7: 0}
    assert choose_delays([batch], others=nothing() | {PEARL: on(8, 5_000)}, demands=wanted) == {7: 7}


def test_two_batches_share_two_days_between_them() -> None:
    batches = [Waiting(n, {PEARL: on(8, 5_000)}, may_wait_days=14) for n in (1, 2)]
    wanted = [Demand(PEARL, 8, 8, 5_000), Demand(PEARL, 12, 12, 5_000)]
    assert sorted(choose_delays(batches, others=nothing(), demands=wanted).values()) == [0, 4]


def test_the_input_is_left_as_it_was() -> None:
    others, row = nothing(), on(8, 5_000)
    choose_delays([Waiting(1, {PEARL: row}, 14)], others=others, demands=[Demand(PEARL, 15, 15, 5_000)])
    assert row.tolist() == on(8, 5_000).tolist()
    assert not others[PEARL].any()


@given(st.lists(st.integers(0, 50), min_size=4, max_size=20), st.integers(0, 25))
def test_later_is_the_same_grams_on_and_beyond_the_horizon_none(grams: list[int], days: int) -> None:
    row = np.array(grams, dtype=float)
    assert later(row, days=days).tolist() == ([0] * days + grams)[: len(grams)]


demands = st.lists(
    st.tuples(st.integers(0, 9), st.integers(0, 4), st.integers(1, 9)).map(
        lambda d: Demand(PEARL, d[0], min(9, d[0] + d[1]), 100.0 * d[2])
    ),
    max_size=5,
)
supplies = st.lists(st.integers(0, 9).map(lambda x: 100.0 * x), min_size=10, max_size=10)


@settings(max_examples=40)
@given(supplies, supplies, st.integers(0, 14), demands)
def test_one_batch_is_opened_when_most_is_served_by_an_exact_transport(
    coming: list[float], anyway: list[float], limit: int, wanted: list[Demand]
) -> None:
    """Against a linear programme (scipy's HiGHS) that shares the grams out in the best way there is."""
    batch = Waiting(7, {PEARL: np.array(coming)}, may_wait_days=limit)
    chosen = choose_delays([batch], others={PEARL: np.array(anyway)}, demands=wanted)[7]
    served = {
        delay: round(most_served(np.array(anyway) + later(np.array(coming), days=delay), wanted))
        for delay in DELAYS
        if delay <= limit
    }
    best = max(served.values())
    assert chosen == min(delay for delay, grams in served.items() if grams == best), "the shortest among equals"


def most_served(supply: NDArray[np.float64], wanted: list[Demand]) -> float:
    pairs = [(n, day) for n, d in enumerate(wanted) for day in range(d.first, d.last + 1)]
    if not pairs:
        return 0.0
    rows, limits = [], []
    for day in range(supply.size):
        rows.append([1.0 if at == day else 0.0 for _, at in pairs])
        limits.append(supply[day])
    for n, demand in enumerate(wanted):
        rows.append([1.0 if whose == n else 0.0 for whose, _ in pairs])
        limits.append(demand.grams)
    solved = linprog([-1.0] * len(pairs), A_ub=rows, b_ub=limits, method="highs")
    assert solved.fun is not None
    return -float(solved.fun)
