"""One pool and one number for all: the classic rules against published tables."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from fulfilment.core.fairness import Rule, curve, divide, fixed, jain
from fulfilment.core.fairness.levels import Bundle
from fulfilment.core.problems import Invalid

CLAIMS = [100, 200, 300]
THIRD = Fraction(1, 3)


@pytest.mark.parametrize(
    ("estate", "shares"),
    [(100, [100 * THIRD] * 3), (200, [200 * THIRD] * 3), (300, [100, 100, 100])],
)
def test_equal_shares_of_three_claims(estate: int, shares: list[Fraction]) -> None:
    # Constrained equal awards; the rule in Herrero & Villar 2001, Math. Soc. Sci. 42:307-328, recomputed.
    assert divide(CLAIMS, estate=estate, rule=Rule.EQUAL_SHARES) == shares


@pytest.mark.parametrize(("estate", "shares"), [(100, [0, 0, 100]), (200, [0, 50, 150]), (300, [0, 100, 200])])
def test_equal_losses_of_three_claims(estate: int, shares: list[int]) -> None:
    # Constrained equal losses; the rule in Herrero & Villar 2001, Math. Soc. Sci. 42:307-328, recomputed.
    assert divide(CLAIMS, estate=estate, rule=Rule.EQUAL_LOSSES) == shares


@pytest.mark.parametrize("estate", [100, 200, 300])
def test_pro_rata_of_three_claims(estate: int) -> None:
    # Proportional rule on the problem of Aumann & Maschler 1985, J. Econ. Theory 36:195-213.
    expected = {
        100: [Fraction(50, 3), Fraction(100, 3), 50],
        200: [Fraction(100, 3), Fraction(200, 3), 100],
        300: [50, 100, 150],
    }
    assert divide(CLAIMS, estate=estate, rule=Rule.PRO_RATA) == expected[estate]


def contested_garment(claims: list[int], estate: int) -> list[Fraction]:
    """Up to half of all claims equal shares of the halves, beyond it equal losses of the halves."""
    doubled = sum(claims)
    if 2 * estate <= doubled:
        return [x / 2 for x in divide(claims, estate=2 * estate, rule=Rule.EQUAL_SHARES)]
    lost = contested_garment(claims, doubled - estate)
    return [c - x for c, x in zip(claims, lost, strict=True)]


@pytest.mark.parametrize(("estate", "shares"), [(100, [100 * THIRD] * 3), (200, [50, 75, 75]), (300, [50, 100, 150])])
def test_contested_garment_division_comes_out_of_the_rules(estate: int, shares: list[Fraction]) -> None:
    # Aumann & Maschler 1985, J. Econ. Theory 36:195-213.  Shares of half the claims are half the shares of twice the
    # estate, which keeps the numbers whole.
    assert contested_garment(CLAIMS, estate) == shares


def test_max_min_share_of_four_demands() -> None:
    # Keshav 1997, An Engineering Approach to Computer Networking, pp. 215-217, in tenths.
    assert divide([20, 26, 40, 50], estate=100, rule=Rule.EQUAL_SHARES) == [20, 26, 27, 27]


def test_jain_index() -> None:
    # Jain, Chiu & Hawe 1984, DEC-TR-301.
    assert float(jain([1, 3, 5])) == pytest.approx(0.7714, abs=5e-5)
    assert jain([7, 7, 7]) == 1
    assert jain([0, 0, 5, 0]) == Fraction(1, 4)
    assert jain([0, 0]) == 1


def test_nobody_and_nothing() -> None:
    assert divide([], estate=500, rule=Rule.PRO_RATA) == []
    assert divide([0, 0], estate=500, rule=Rule.EQUAL_LOSSES) == [0, 0]
    assert divide([300, 500], estate=0, rule=Rule.PRO_RATA) == [0, 0]
    assert divide([300, 500], estate=5_000, rule=Rule.EQUAL_SHARES) == [300, 500]


def test_a_debt_cannot_be_shared() -> None:
    with pytest.raises(Invalid, match="below zero"):
        divide([100, -1], estate=50, rule=Rule.PRO_RATA)
    with pytest.raises(Invalid, match="below zero"):
        divide([100], estate=-50, rule=Rule.PRO_RATA)


def test_more_than_all_need_at_least_is_refused() -> None:
    with pytest.raises(Invalid, match="at least 300"):
        Bundle([fixed(300)]).level(chosen_of(1), total=200)


def chosen_of(count: int) -> NDArray[np.intp]:
    return np.arange(count, dtype=np.intp)


def test_what_was_picked_counts_towards_the_share() -> None:
    # Cleo has 400 of 1,000 g in her crate already, Ben's aunt nothing of 1,000 g: 600 g more make it even.
    bundle = Bundle(
        [curve(Rule.PRO_RATA, ordered=600, picked=400), curve(Rule.PRO_RATA, ordered=1_000)],
    )
    level = bundle.level(chosen_of(2), total=600)
    assert level == Fraction(1, 2)
    assert [int(n) / level.denominator for n in bundle.numerators(level, chosen_of(2))] == [100, 500]


def test_bends_closer_than_a_double_can_tell() -> None:
    big = 99_999_999
    curves = [
        curve(Rule.PRO_RATA, ordered=big, least=big - 2),
        curve(Rule.PRO_RATA, ordered=big - 1, least=big - 3),
        curve(Rule.PRO_RATA, ordered=big - 2, least=big - 4),
    ]
    bundle = Bundle(curves)
    total = sum(c.least for c in curves) + 1
    level = bundle.level(chosen_of(3), total=total)
    assert sum(c.at(level) for c in curves) == total


amounts = st.integers(min_value=0, max_value=100_000)


@given(st.lists(amounts, max_size=12), amounts, st.sampled_from(Rule))
def test_nothing_is_lost_and_nobody_overfed(claims: list[int], estate: int, rule: Rule) -> None:
    shares = divide(claims, estate=estate, rule=rule)
    assert sum(shares) == min(estate, sum(claims))
    assert all(0 <= share <= claim for share, claim in zip(shares, claims, strict=True))


@given(st.lists(amounts, min_size=1, max_size=12), amounts, amounts, st.sampled_from(Rule))
def test_more_to_share_lowers_nobody(claims: list[int], estate: int, more: int, rule: Rule) -> None:
    before = divide(claims, estate=estate, rule=rule)
    after = divide(claims, estate=estate + more, rule=rule)
    assert all(b <= a for b, a in zip(before, after, strict=True))


@given(st.lists(amounts, min_size=2, max_size=12), amounts, st.sampled_from(Rule))
def test_the_larger_order_gets_no_less_and_misses_no_less(claims: list[int], estate: int, rule: Rule) -> None:
    claims = sorted(claims)
    shares = divide(claims, estate=estate, rule=rule)
    assert all(x <= y for x, y in pairwise(shares))
    missing = [c - x for c, x in zip(claims, shares, strict=True)]
    assert all(x <= y for x, y in pairwise(missing))
