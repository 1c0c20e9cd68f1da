"""Codes that are read aloud over the phone: what a wrong sign or two swapped ones are worth."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fulfilment.core import codes
from fulfilment.core.codes import SIGNS

seven = st.text(alphabet=SIGNS, min_size=7, max_size=7)


def test_a_fresh_code_is_valid_and_looks_like_one() -> None:
    made = {codes.new() for _ in range(200)}
    assert len(made) == 200
    for code in made:
        assert codes.valid(code)
        assert len(code) == codes.LENGTH
        assert (code[4], code.count("-")) == ("-", 1)


def test_no_sign_is_easily_taken_for_another() -> None:
    assert not set("01OIL") & set(SIGNS)
    assert len(set(SIGNS)) == len(SIGNS) == 31


def test_the_check_character_by_hand() -> None:
    # Weights 1…7 over the places of the signs in SIGNS: counted from 0, and J is the 16th.
    places = [17, 5, 21, 0, 18, 2, 28]
    assert [SIGNS[place] for place in places] == list("K7Q2M4X")
    total = 1 * 17 + 2 * 5 + 3 * 21 + 4 * 0 + 5 * 18 + 6 * 2 + 7 * 28
    assert (total % 31, SIGNS[16]) == (16, "J")
    assert codes.check("K7Q2M4X") == "J"


@given(seven)
def test_every_single_wrong_sign_is_noticed(signs: str) -> None:
    code = codes.close(signs).replace("-", "")
    for place, right in enumerate(code):
        for wrong in set(SIGNS) - {right}:
            assert not codes.valid(code[:place] + wrong + code[place + 1 :])


@given(seven)
def test_every_two_neighbours_swapped_are_noticed(signs: str) -> None:
    code = codes.close(signs).replace("-", "")
    for place in range(7):
        left, right = code[place], code[place + 1]
        swapped = code[:place] + right + left + code[place + 2 :]
        assert codes.valid(swapped) == (left == right or swapped == code)


@given(seven)
def test_a_code_is_told_however_it_was_typed(signs: str) -> None:
    code = codes.close(signs)
    bare = code.replace("-", "")
    for typed in (code, bare, code.lower(), f"  {bare.lower()} ", f"{bare[:2]}-{bare[2:]}"):
        assert codes.tidy(typed) == code


@pytest.mark.parametrize(
    "typed",
    ["", "-", "K7Q2-M4X", "K7Q2-M4XJJ", "K7Q2-M4XK", "K7Q2-M4X1", "K7Q2 M4XJ", "K7Q2-M4XÄ", "K7Q2-M4X\u0661", "\0" * 8],
)
def test_what_cannot_be_one_of_ours_is_nothing(typed: str) -> None:
    assert codes.tidy(typed) == ""
    assert not codes.valid(typed)
