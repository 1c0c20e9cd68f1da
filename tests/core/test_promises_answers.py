"""Cleo asks for mushrooms; what she is told, and why."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fulfilment.core.chances import chances
from fulfilment.core.problems import Invalid
from fulfilment.core.promises import Answer, Book, Choice, Part, PartAnswer, Question, Supply, answer, percent, words
from fulfilment.core.units import KIT, Goods

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

PEARL = Goods(1, "a")
PINK = Goods(2, "a")
KING = Goods(3, "a")
PEARL_KITS = Goods(1, KIT)
MONDAY = date(2026, 5, 4)


def day(offset: int) -> date:
    return MONDAY + timedelta(days=offset)


def supply(*scenarios: Sequence[int], goods: Goods = PEARL) -> Supply:
    return Supply(goods, MONDAY, np.array(scenarios, dtype=np.int32))


def books(*supplies: Supply) -> dict[Goods, Book]:
    return {one.goods: Book(one) for one in supplies}


def choices(first: int, last: int, *goods: Goods) -> tuple[Choice, ...]:
    return tuple(Choice(one, day(first), day(last)) for one in goods or (PEARL,))


def ask(
    wanted: int,
    *accepted: Choice,
    pack: int = 1,
    chance: int = 90,
    at_least: int = 0,
    later: tuple[tuple[date, tuple[Choice, ...]], ...] = (),
    below_chance_allowed: bool = False,
) -> Question:
    return Question(
        wanted=wanted,
        choices=accepted or choices(0, 1),
        pack=pack,
        chance=chance,
        at_least=at_least,
        later=later,
        below_chance_allowed=below_chance_allowed,
    )


def append(answered: Answer, to: Mapping[Goods, Book], *, line_id: int, rank: int) -> list[Part]:
    parts = [
        Part(rank * 100 + n, line_id, one.goods, one.first, one.last, one.amount, rank=rank, order_id=line_id)
        for n, one in enumerate(answered.parts)
    ]
    for one in parts:
        to[one.goods].append(one)
    return parts


def test_all_of_it_is_promised_where_it_is_sure() -> None:
    answered = answer(ask(2000), books=books(supply([1500, 900], [0, 2000])))
    assert answered.status == "full"
    assert answered.parts == (PartAnswer(PEARL, day(0), day(1), 2000),)
    assert (answered.amount, answered.chance, answered.largest, answered.first_full_on) == (2000, 100, 2000, None)
    assert answered.why == ("carried", {"amount": 2000, "chance": 100})


def test_part_of_it_in_whole_packs_and_the_first_day_with_all_of_it() -> None:
    scenarios = [[700, 900, 0, 0, 0, 2500, 0]] * 9 + [[0] * 7]
    later = ((day(5), choices(2, 4)), (day(7), choices(5, 6)), (day(9), choices(5, 8)))
    answered = answer(ask(2000, pack=500, later=later), books=books(supply(*scenarios)))
    assert answered.status == "partial"
    assert (answered.amount, answered.chance, answered.full_chance) == (1500, 90, 0)
    assert answered.first_full_on == day(7)
    assert answered.why == ("too_little", {"wanted": 2000, "amount": 1500, "asked_chance": 90, "full_chance": 0})


def test_less_than_the_minimum_is_declined_but_named() -> None:
    answered = answer(ask(2000, at_least=1800), books=books(supply([700, 900])))
    assert (answered.status, answered.parts, answered.amount, answered.chance) == ("declined", (), 0, 0)
    assert answered.largest == 1600
    assert answered.why[0] == "under_minimum"
    assert answer(ask(2000, at_least=1600), books=books(supply([700, 900]))).status == "partial"


def test_staff_promise_below_the_chance_knowingly_and_the_answer_says_so() -> None:
    scenarios = [[700, 900]] * 4 + [[1000, 1000]] * 6
    answered = answer(ask(2000, below_chance_allowed=True), books=books(supply(*scenarios)))
    assert (answered.status, answered.amount, answered.chance) == ("full", 2000, 60)
    assert answered.why == ("below_chance", {"amount": 2000, "chance": 60, "asked_chance": 90, "largest": 1600})


def test_staff_may_promise_even_what_no_scenario_holds() -> None:
    answered = answer(
        ask(2000, *choices(0, 1, PEARL, PINK), below_chance_allowed=True), books=books(supply([700, 900]))
    )
    assert (answered.amount, answered.chance) == (2000, 0)
    assert answered.parts == (PartAnswer(PEARL, day(0), day(1), 2000),)


def test_below_the_chance_the_split_carried_most_often_is_taken() -> None:
    pearl = supply(*[[6]] * 5, *[[4]] * 5)
    pink = supply(*[[4]] * 5, *[[4]] * 4, [6], goods=PINK)
    answered = answer(ask(10, *choices(0, 0, PEARL, PINK), pack=2, below_chance_allowed=True), books=books(pearl, pink))
    assert [one.amount for one in answered.parts] == [6, 4]
    assert answered.chance == 50


def test_one_scenario_short_of_the_asked_chance_is_not_given_up_for_more_of_the_ordered_goods() -> None:
    pearl = supply(*[[6]] * 7, [5], [0], [0])
    pink = supply(*[[5]] * 10, goods=PINK)
    answered = answer(ask(10, *choices(0, 0, PEARL, PINK), below_chance_allowed=True), books=books(pearl, pink))
    assert [one.amount for one in answered.parts] == [5, 5]
    assert answered.chance == 80


def test_substitutes_fill_up_and_the_chance_is_that_all_parts_are_carried() -> None:
    pearl = supply(*[[6]] * 19, [0])
    pink = supply([0], *[[9]] * 19, goods=PINK)
    answered = answer(ask(10, *choices(0, 0, PEARL, PINK)), books=books(pearl, pink))
    assert [(one.goods, one.amount) for one in answered.parts] == [(PEARL, 6), (PINK, 4)]
    assert answered.chance == 90  # each part 95 %, both together 90 %
    assert answered.why == ("carried_with_substitutes", {"amount": 10, "substituted": 4, "chance": 90})


@pytest.mark.parametrize(
    ("question", "code"),
    [
        (ask(10, *choices(0, 0), pack=5), "under_pack"),
        (ask(10, *choices(1, 1)), "nothing_ripe"),
        (ask(10, *choices(2, 2)), "spoken_for"),
        (ask(10, *choices(9, 12)), "beyond_horizon"),
        (ask(10, *choices(2, 1)), "no_harvest_day"),
        (ask(10, *choices(0, 1, KING)), "nothing_ripe"),
    ],
)
def test_a_declined_line_says_why_in_the_askers_own_numbers(question: Question, code: str) -> None:
    shelf = books(supply([3, 0, 777]))
    shelf[PEARL].append(Part(1, 1, PEARL, day(2), day(2), 777, rank=1))
    answered = answer(question, books=shelf)
    assert answered.status == "declined"
    assert answered.why[0] == code
    numbers = answered.why[1]
    assert 777 not in numbers.values()
    own = {"wanted", "asked_chance", "first", "last", "known_until", "pack"}
    assert set(numbers) <= own


def test_two_kitchens_cannot_tell_each_others_orders_apart_from_a_smaller_harvest() -> None:
    """Eve learns the same from a book with Cleo's order in it as from a book of a farm that grew less."""
    shared = books(supply([3000, 0], [2500, 0]))
    shared[PEARL].append(Part(1, 1, PEARL, day(0), day(0), 2000, rank=1))
    smaller = books(supply([1000, 0], [500, 0]))
    question = ask(1500, chance=50)
    assert answer(question, books=shared) == answer(question, books=smaller)


def test_kits_are_answered_by_the_same_book_with_one_sure_supply() -> None:
    kits = supply([0, 0, 57], goods=PEARL_KITS)
    answered = answer(ask(3, *choices(-50, 2, PEARL_KITS), chance=99), books=books(kits))
    assert (answered.status, answered.chance) == ("full", 100)
    too_soon = ask(3, *choices(-50, 1, PEARL_KITS), chance=99, later=((day(3), choices(-50, 2, PEARL_KITS)),))
    assert answer(too_soon, books=books(kits)).first_full_on == day(3)


def test_asking_changes_no_book() -> None:
    shelf = books(supply([5, 5], [0, 9]), supply([1, 1], [2, 2], goods=PINK))
    before = {goods: book.available(day(0), day(1)).tolist() for goods, book in shelf.items()}
    answer(ask(9, *choices(0, 1, PEARL, PINK), below_chance_allowed=True), books=shelf)
    assert {goods: book.available(day(0), day(1)).tolist() for goods, book in shelf.items()} == before
    assert all(not book.received for book in shelf.values())


@pytest.mark.parametrize(
    ("chance", "word"), [(100, "sure"), (95, "sure"), (94, "likely"), (75, "likely"), (74, "do_not_plan_on_it")]
)
def test_customers_read_words(chance: int, word: str) -> None:
    assert words(chance) == word


def test_the_words_are_no_looser_than_the_published_scale() -> None:
    """Mastrandrea et al. 2010, guidance note on uncertainties: likely from 66 %, extremely likely from 95 %
    (from memory)."""
    assert all(chance >= 95 for chance in range(101) if words(chance) == "sure")
    assert all(chance >= 66 for chance in range(101) if words(chance) == "likely")


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"wanted": 2700, "pack": 500}, "2700 is not a whole number of packs of 500: 2500 or 3000 would be"),
        ({"wanted": 200, "pack": 500}, "packs of 500: 500 would be"),
        ({"wanted": 0}, "not a whole number of packs"),
        ({"pack": 0}, "A pack holds at least 1"),
        ({"chance": 0}, "1 to 100 percent"),
        ({"chance": 101}, "1 to 100 percent"),
        ({"at_least": 1001}, "between 0 and what is wanted, 1000"),
        ({"choices": choices(0, 1, PEARL, PEARL)}, "none a substitute of itself"),
        ({"choices": ()}, "A line names goods"),
        ({"later": ((day(3), ()),)}, "A line names goods"),
    ],
)
def test_a_question_that_makes_no_sense_is_refused_with_a_sentence(changed: dict[str, object], sentence: str) -> None:
    fields: dict[str, object] = {"wanted": 1000, "choices": choices(0, 1), "pack": 1, "chance": 90, **changed}
    with pytest.raises(Invalid, match=sentence):
        Question(**fields)  # type: ignore[arg-type]  # one field at a time is deliberately wrong


SCENARIO = st.lists(st.integers(0, 9), min_size=4, max_size=4)
ASKED = st.tuples(
    st.integers(1, 12),
    st.integers(0, 3),
    st.integers(0, 3),
    st.permutations((PEARL, PINK, KING)),
    st.integers(1, 3),
    st.sampled_from((50, 80, 90)),
    st.booleans(),
)


@given(data=st.data(), scenarios=st.integers(1, 12), asked=st.lists(ASKED, min_size=1, max_size=7))
@settings(max_examples=120, deadline=None)
def test_an_answers_chance_is_what_the_chances_say_once_it_is_booked_last(
    data: st.DataObject,
    scenarios: int,
    asked: list[tuple[int, int, int, Sequence[Goods], int, int, bool]],
) -> None:
    rows = st.lists(SCENARIO, min_size=scenarios, max_size=scenarios)
    supplies = {goods: supply(*data.draw(rows), goods=goods) for goods in (PEARL, PINK, KING)}
    shelf = {goods: Book(one) for goods, one in supplies.items()}
    booked: list[Part] = []
    kept: dict[int, int] = {}
    for rank, (packs, one_end, other_end, order, accepted, chance, knowingly) in enumerate(asked, start=1):
        first, last = min(one_end, other_end), max(one_end, other_end)
        question = ask(
            2 * packs, *choices(first, last, *order[:accepted]), pack=2, chance=chance, below_chance_allowed=knowingly
        )
        answered = answer(question, books=shelf)
        booked += append(answered, shelf, line_id=rank, rank=rank)
        assert answered.amount == sum(one.amount for one in answered.parts) <= question.wanted
        assert all(one.amount % 2 == 0 and one.amount for one in answered.parts)
        if answered.status == "declined":
            assert not answered.parts
            continue
        kept[rank] = answered.chance
        if answered.why[0] != "below_chance":
            assert answered.chance >= chance
        found = chances(supplies, booked)
        assert percent(found.by_line[rank]) == percent(found.by_order[rank]) == answered.chance
    # Nothing booked later has lowered an earlier line.
    assert {line: percent(share) for line, share in chances(supplies, booked).by_line.items()} == kept


def test_a_line_with_substitutes_counts_on_nothing_that_is_not_known_when_it_is_picked() -> None:
    """10 kg of each are in store, promised for later to B (pearl) and C (pink); 10 more come of pearl or of pink,
    either as likely.  A takes today's pearl or pink.  With parts chosen scenario by scenario A would be sure, of the
    goods that come again; but whichever A takes today, B or C is broken in half of all cases.  Fixed, A is told 50 %.
    """
    pearl = Book(Supply(PEARL, day(0), np.array([[10, 0, 0, 10], [10, 0, 0, 0]], np.int32)))
    pink = Book(Supply(PINK, day(0), np.array([[10, 0, 0, 0], [10, 0, 0, 10]], np.int32)))
    for rank, book in enumerate((pearl, pink), start=1):
        book.append(Part(rank, rank, book.goods, day(0), day(3), 10, rank))
        assert (book.received[rank] == 10).all()
    today = tuple(Choice(goods, day(0), day(0)) for goods in (PEARL, PINK))
    said = answer(Question(10, today, pack=1, chance=90), books={PEARL: pearl, PINK: pink})
    assert (said.status, said.amount, said.full_chance) == ("declined", 0, 50)
