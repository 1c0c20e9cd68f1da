"""Asking open lines again: whoever was promised something first is asked first."""

from __future__ import annotations

from datetime import date

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from fulfilment.core.fairness import turns
from fulfilment.core.promises import Book, Choice, Question, Supply, Waiting, answer, ask_again, reserve
from fulfilment.core.units import Goods

PEARL = Goods(1, "first")
PINK = Goods(2, "first")
DAY = date(2026, 5, 4)


def _books(*, pearl: int, pink: int = 0) -> dict[Goods, Book]:
    amounts = {PEARL: pearl, PINK: pink}
    return {goods: Book(Supply(goods, DAY, np.full((4, 1), each, np.int32))) for goods, each in amounts.items()}


def _question(wanted: int, *, instead: bool = False) -> Question:
    goods = (PEARL, PINK) if instead else (PEARL,)
    return Question(wanted, tuple(Choice(each, DAY, DAY) for each in goods), pack=500, chance=90)


def test_the_oldest_promise_has_first_call_and_lines_without_one_come_last() -> None:
    waiting = [
        Waiting(1, None, _question(1_000)),
        Waiting(2, 9, _question(1_000)),
        Waiting(3, 4, _question(1_000)),
    ]
    found = ask_again(waiting, books=_books(pearl=1_500))
    assert {line: said.amount for line, said in found.items()} == {3: 1_000, 2: 500}
    assert list(found) == [3, 2]


def test_lines_without_a_promise_are_asked_by_age() -> None:
    found = ask_again([Waiting(7, None, _question(500)), Waiting(5, None, _question(500))], books=_books(pearl=500))
    assert list(found) == [5]


def test_the_order_in_which_they_are_listed_does_not_matter() -> None:
    waiting = [Waiting(line, rank, _question(1_000)) for line, rank in ((1, 3), (2, None), (3, 1), (4, 2))]
    first = ask_again(waiting, books=_books(pearl=2_500))
    assert ask_again(waiting[::-1], books=_books(pearl=2_500)) == first


def test_what_is_reserved_in_several_goods_is_gone_for_the_next() -> None:
    books = _books(pearl=500, pink=500)
    found = ask_again([Waiting(1, 1, _question(1_000, instead=True))], books=books)
    assert found[1].amount == 1_000
    assert [book.largest(DAY, DAY, chance=90) for book in books.values()] == [0, 0]
    reserve(found[1], books=books)
    assert [len(book.received) for book in books.values()] == [2, 2]


def test_nobody_is_first_every_day() -> None:
    kitchens = [30, 10, 20]
    days = [date(2026, 5, day) for day in range(4, 7)]
    places = [turns(kitchens, today=day) for day in days]
    assert all(sorted(each.values()) == [0, 1, 2] for each in places)
    assert {min(each, key=each.__getitem__) for each in places} == {10, 20, 30}
    assert turns([], today=DAY) == {}


@given(data=st.data(), requests=st.integers(2, 7), wanted=st.integers(1, 4), instead=st.booleans())
@settings(max_examples=100, deadline=None)
def test_identical_requests_get_the_same_in_all_whoever_comes_first(
    data: st.DataObject, requests: int, wanted: int, instead: bool
) -> None:
    """Kitchens that ask for the same; the totals, by goods too, do not depend on who asked first."""
    column = st.lists(st.integers(0, 4_000), min_size=6, max_size=6)
    amounts = {goods: np.array([data.draw(column)], np.int32).T for goods in (PEARL, PINK)}
    question = _question(500 * wanted, instead=instead)

    def promised(order: list[int]) -> tuple[list[int], list[int]]:
        books = {goods: Book(Supply(goods, DAY, each)) for goods, each in amounts.items()}
        by_kitchen = dict.fromkeys(order, 0)
        for kitchen in order:
            said = answer(question, books=books)
            reserve(said, books=books)
            by_kitchen[kitchen] = said.amount
        left = [int(book.available(DAY, DAY).sum()) for book in books.values()]
        return sorted(by_kitchen.values()), left

    kitchens = list(range(requests))
    assert promised(data.draw(st.permutations(kitchens))) == promised(kitchens)


def test_others_may_differ_by_who_comes_first() -> None:
    """Four scenarios hold 0.5, 1, 1 and 1.5 kg.  Who asks first at 25 % gets a kilo, and nothing sure is left; the
    other way round 500 g are sure, and a kilo still fits at 25 %."""

    def promised(*chances: int) -> int:
        books = {PEARL: Book(Supply(PEARL, DAY, np.array([[500], [1_000], [1_000], [1_500]], np.int32)))}
        total = 0
        for chance in chances:
            said = answer(Question(1_000, (Choice(PEARL, DAY, DAY),), pack=500, chance=chance), books=books)
            reserve(said, books=books)
            total += said.amount
        return total

    assert (promised(50, 100), promised(100, 50)) == (1_000, 1_000)
    assert (promised(25, 100), promised(100, 25)) == (1_000, 1_500)
