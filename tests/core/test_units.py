"""Grams, pieces and packs: what is shared out sums to what there was, and an amount that cannot be is told."""

from __future__ import annotations

from fractions import Fraction
from itertools import product as every

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fulfilment.core.problems import Invalid
from fulfilment.core.units import MAX_GRAMS, Goods, Money, amount, largest_remainder, packs_down


@pytest.mark.parametrize(
    ("value", "code", "sentence"),
    [
        (1.5, "not_whole", "This must be a whole number of grams."),
        ("500", "not_whole", "This must be a whole number of grams."),
        (True, "not_whole", "This must be a whole number of grams."),
        (None, "not_whole", "This must be a whole number of grams."),
        (0, "too_small", "0 grams is too little: at least 1 gram."),
        (-5, "too_small", "-5 grams is too little: at least 1 gram."),
        (MAX_GRAMS + 1, "too_large", "100000001 grams is too much: at most 100000000 grams."),
        (2**40, "too_large", "1099511627776 grams is too much: at most 100000000 grams."),
    ],
)
def test_an_amount_that_cannot_be(value: object, code: str, sentence: str) -> None:
    with pytest.raises(Invalid) as told:
        amount(value, where="lines.0.amount")
    assert (told.value.reason_code, told.value.sentence, told.value.where) == (code, sentence, "lines.0.amount")


def test_the_bounds_themselves_are_amounts() -> None:
    assert [amount(value, where="") for value in (1, MAX_GRAMS)] == [1, MAX_GRAMS]
    assert [amount(value, where="", at_least=0, at_most=7) for value in (0, 7)] == [0, 7]


def test_its_own_unit_and_bounds_are_named() -> None:
    with pytest.raises(Invalid, match=r"^9 bags is too much: at most 8 bags\.$") as told:
        amount(9, where="bags", at_most=8, unit="bags")
    assert told.value.data == {"at_most": 8}


@given(st.integers(0, MAX_GRAMS), st.integers(1, 5_000))
def test_packs_are_whole_and_as_many_as_fit(quantity: int, pack: int) -> None:
    down = packs_down(quantity, pack=pack)
    assert down % pack == 0
    assert down <= quantity < down + pack


weights = st.lists(st.fractions(min_value=0, max_value=50, max_denominator=12), max_size=6)


@given(weights, st.integers(0, 40))
def test_what_is_shared_out_sums_to_what_there_was(shares: list[Fraction], total: int) -> None:
    given_out = largest_remainder(shares, total=total)
    whole = sum(shares, Fraction(0))
    if not whole:
        assert given_out == [0] * len(shares)
        return
    assert sum(given_out) == total
    for share, got in zip(shares, given_out, strict=True):
        assert abs(got - share * total / whole) < 1


@given(st.lists(st.integers(0, 9), min_size=1, max_size=4).filter(any), st.integers(0, 7))
def test_no_other_whole_shares_are_nearer_in_total(shares: list[int], total: int) -> None:
    """Hamilton's method is the nearest in the sum of squares among all whole shares (against all of them)."""
    exact = [Fraction(share * total, sum(shares)) for share in shares]

    def off(shared: tuple[int, ...]) -> Fraction:
        return sum(((got - right) ** 2 for got, right in zip(shared, exact, strict=True)), Fraction(0))

    best = min(off(shared) for shared in every(range(total + 1), repeat=len(shares)) if sum(shared) == total)
    assert off(tuple(largest_remainder(shares, total=total))) == best


def test_seats_by_largest_remainder_as_published() -> None:
    """100,000 votes and 10 seats: 5, 2, 1, 1, 1 and none (Wikipedia, "Quota method", Hare quota; from memory)."""
    votes = [47_000, 16_000, 15_800, 12_000, 6_100, 3_100]
    assert largest_remainder(votes, total=10) == [5, 2, 1, 1, 1, 0]


def test_ties_go_to_the_earlier_place() -> None:
    assert largest_remainder([1, 1, 1], total=100) == [34, 33, 33]
    assert largest_remainder([1, 1, 1], total=2) == [1, 1, 0]


@pytest.mark.parametrize(
    ("minor", "written"),
    [(1_250, "12.50"), (5, "0.05"), (0, "0.00"), (-5, "-0.05"), (-1_250, "-12.50"), (100, "1.00")],
)
def test_money_is_written_with_two_places(minor: int, written: str) -> None:
    assert Money(minor, "EUR").decimal == written
    assert str(Money(minor, "EUR")) == f"{written} EUR"


def test_goods_are_told_apart_by_strain_and_grade_and_kits_are_a_grade() -> None:
    assert len({Goods(1, "a"), Goods(1, "a"), Goods(1, "b"), Goods(2, "a")}) == 3
    assert [Goods(1, "kit").is_kit, Goods(1, "a").is_kit] == [True, False]
    assert min(Goods(2, "a"), Goods(1, "kit"), Goods(1, "a")) == Goods(1, "a")
