"""A line split over the goods a kitchen accepts."""

from __future__ import annotations

from itertools import product
from statistics import NormalDist
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fulfilment.core.promises import split as splitting
from fulfilment.core.promises.book import carried_by
from fulfilment.core.promises.split import Amounts, carrying, pooled, split, surest


def amounts(*values: int) -> Amounts:
    return np.array(values, dtype=np.int32)


def brute_force(available: list[Amounts], *, carried: int, wanted: int, pack: int) -> tuple[int, ...]:
    """Every split into packs, tried; the largest total, then more of what is named first."""
    tops = [range(0, min(wanted, int(a.max())) + 1, pack) for a in available]
    fitting = [p for p in product(*tops) if sum(p) <= wanted and carrying(available, p) >= carried]
    return max(fitting, key=lambda p: (sum(p), p))


@pytest.mark.parametrize("cells", [0, splitting.CELLS], ids=["searched", "counted"])
@given(data=st.data(), goods=st.integers(1, 3), scenarios=st.integers(1, 9), pack=st.integers(1, 3))
@settings(max_examples=300, deadline=None)
def test_the_split_is_the_best_of_all_splits(
    cells: int, data: st.DataObject, goods: int, scenarios: int, pack: int
) -> None:
    column = st.lists(st.integers(0, 9), min_size=scenarios, max_size=scenarios)
    available = [amounts(*data.draw(column)) for _ in range(goods)]
    carried = data.draw(st.integers(1, scenarios))
    wanted = pack * data.draw(st.integers(1, 12))
    with patch.object(splitting, "CELLS", cells):
        found = split(available, carried=carried, wanted=wanted, pack=pack)
    assert found == brute_force(available, carried=carried, wanted=wanted, pack=pack)


@given(data=st.data(), goods=st.integers(2, 3), scenarios=st.integers(1, 9), pack=st.integers(1, 3))
@settings(max_examples=200, deadline=None)
def test_the_surest_split_of_all_that_is_wanted(data: st.DataObject, goods: int, scenarios: int, pack: int) -> None:
    column = st.lists(st.integers(0, 9), min_size=scenarios, max_size=scenarios)
    available = [amounts(*data.draw(column)) for _ in range(goods)]
    wanted = pack * data.draw(st.integers(1, 6))
    whole = [parts for parts in product(range(0, wanted + 1, pack), repeat=goods) if sum(parts) == wanted]
    best = max(whole, key=lambda parts: (carrying(available, parts), parts))
    found = surest(available, wanted=wanted, pack=pack)
    assert found == (best if carrying(available, best) else (0,) * goods)


def test_too_many_splits_are_not_counted() -> None:
    assert surest([amounts(1), amounts(1)], wanted=10**6, pack=1) is None
    assert surest([amounts(1)], wanted=1, pack=1) is None


@given(data=st.data(), above=st.integers(0, 20))
@settings(max_examples=100, deadline=None)
def test_nothing_is_returned_where_nothing_beats_what_is_asked_for(data: st.DataObject, above: int) -> None:
    column = st.lists(st.integers(0, 9), min_size=5, max_size=5)
    available = [amounts(*data.draw(column)) for _ in range(data.draw(st.integers(1, 3)))]
    best = split(available, carried=4, wanted=15, pack=1)
    found = split(available, carried=4, wanted=15, pack=1, above=above)
    assert sum(found) == (sum(best) if sum(best) > above else 0)


def test_two_independent_strains_carry_far_less_than_their_sum() -> None:
    """Each N(100, 40) kg: own worked case.  A split carries 69.4 in all at 90 %; the sum's quantile is 127.5, and
    booked half and half it would be kept only 66.8 % of the time.  Scenarios: all pairs of 300 strata each."""
    normal = NormalDist(100_000, 40_000)
    strata = np.array([normal.inv_cdf((n + 0.5) / 300) for n in range(300)]).clip(0).astype(np.int32)
    pearl, pink = np.repeat(strata, 300), np.tile(strata, 300)
    carried = int(0.9 * pearl.size)

    found = split([pearl, pink], carried=carried, wanted=1_000_000, pack=1)
    assert sum(found) == pytest.approx(69_400, rel=0.01)
    assert carrying([pearl, pink], found) >= carried
    half = sum(found) // 2
    assert carrying([pearl, pink], (half, half)) / pearl.size == pytest.approx(0.9, abs=0.01)

    quantile_of_sum = carried_by(pooled([pearl, pink]), count=carried)
    assert quantile_of_sum == pytest.approx(127_500, rel=0.01)
    half = quantile_of_sum // 2
    assert carrying([pearl, pink], (half, half)) / pearl.size == pytest.approx(0.668, abs=0.01)


def test_strains_that_fail_on_different_days_may_not_be_added_up() -> None:
    """Each is there in nine scenarios of ten, but not in the same nine: only one of the two can be promised."""
    pearl = amounts(0, *[5] * 9)
    pink = amounts(*[5] * 9, 0)
    assert split([pearl, pink], carried=9, wanted=10, pack=1) == (5, 0)
    assert split([pearl, pink], carried=8, wanted=10, pack=1) == (5, 5)


def test_the_ordered_goods_come_first_among_equal_totals() -> None:
    assert split([amounts(6, 6), amounts(9, 9)], carried=2, wanted=8, pack=2) == (6, 2)


@pytest.mark.parametrize("seed", range(8))
def test_where_small_packs_leave_too_many_values_the_split_is_close_to_the_best(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(seed)
    goods = 3 + seed % 2
    shared = rng.normal(0, 1, (1, 120))
    spread = rng.uniform(300, 3000, (goods, 1))
    available = list((5000 + spread * (shared + rng.normal(0, 1, (goods, 120)))).clip(0).astype(np.int32))
    carried = int(rng.choice([60, 96, 108]))
    pack = 1 if goods == 3 else 100
    found = split(available, carried=carried, wanted=10**6, pack=pack)
    assert carrying(available, found) >= carried
    monkeypatch.setattr("fulfilment.core.promises.split.FEW", 10**6)
    best = split(available, carried=carried, wanted=10**6, pack=pack)
    assert 0.99 * sum(best) <= sum(found) <= sum(best) <= carried_by(pooled(available), count=carried)
