"""From a customer's question to an answer: how much, of what, how surely, and if not then when.

An answer is full, partial or declined, and says why by a code with numbers from which a sentence can be made.
The numbers are the asker's own (wanted, possible, pack, minimum, dates, chances): never what others were promised.

The codes, with their numbers:

* ``carried`` (amount, chance): all of the ordered goods.
* ``carried_with_substitutes`` (amount, substituted, chance): all, part of it in accepted substitutes.
* ``below_chance`` (amount, chance, asked_chance, largest): staff promised all of it knowingly.
* ``too_little`` (wanted, amount, asked_chance, full_chance): so much and no more can be counted on.
* ``under_minimum`` (wanted, largest, at_least, asked_chance): less than the customer takes at all.
* ``under_pack`` (wanted, pack, asked_chance): not one whole pack.
* ``spoken_for`` (wanted, asked_chance): what comes in these days is promised already.
* ``nothing_ripe`` (wanted, asked_chance, first, last): nothing sure enough comes in these harvest days.
* ``no_harvest_day`` (first, last): the window ends before it begins.
* ``beyond_horizon`` (first, known_until): farther ahead than the forecast reaches.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final, Literal

import numpy as np

from fulfilment.core.problems import Invalid
from fulfilment.core.promises.book import Book, carried_by, needed, percent
from fulfilment.core.promises.split import Amounts, carrying, pooled, split, surest
from fulfilment.core.units import Goods, packs_down

Status = Literal["full", "partial", "declined"]
Words = Literal["sure", "likely", "do_not_plan_on_it"]
Why = tuple[str, Mapping[str, int | date]]

SURE: Final = 95
LIKELY: Final = 75


@dataclass(frozen=True, slots=True)
class Choice:
    """Goods the customer accepts, with the harvest days accepted of them."""

    goods: Goods
    first: date
    last: date


@dataclass(frozen=True, slots=True)
class Question:
    """How much is wanted, of the ordered goods first and then of the substitutes accepted.

    ``chance`` is the percent asked; ``at_least`` the least the customer takes at all; ``later`` the next delivery
    days, soonest first, with their choices; ``below_chance_allowed`` promises the full amount whatever its chance.
    """

    wanted: int
    choices: tuple[Choice, ...]
    pack: int
    chance: int
    at_least: int = 0
    later: tuple[tuple[date, tuple[Choice, ...]], ...] = ()
    below_chance_allowed: bool = False

    def __post_init__(self) -> None:
        if self.pack < 1 or self.wanted < 1 or self.wanted % self.pack:
            _refuse_packs(self.wanted, self.pack)
        if not 1 <= self.chance <= 100:
            raise Invalid(f"A chance is 1 to 100 percent, not {self.chance}.", code="no_chance", where="chance")
        if not 0 <= self.at_least <= self.wanted:
            raise Invalid(
                f"The least that is taken, {self.at_least}, must lie between 0 and what is wanted, {self.wanted}.",
                code="minimum_above_wanted",
                where="at_least",
            )
        for choices in (self.choices, *(choices for _, choices in self.later)):
            if not choices or len({choice.goods for choice in choices}) < len(choices):
                raise Invalid(
                    "A line names goods and may accept others instead, each once and none a substitute of itself.",
                    code="substitute_of_itself",
                    where="choices",
                )


@dataclass(frozen=True, slots=True)
class PartAnswer:
    goods: Goods
    first: date
    last: date
    amount: int


@dataclass(frozen=True, slots=True)
class Answer:
    """``amount`` is promised in ``parts``, all carried together with ``chance`` percent (0 where declined).

    ``largest`` is the most of what was wanted that the asked chance allows, before any minimum; ``full_chance`` the
    chance of all that was wanted; ``first_full_on`` the first later day with all of it, None if none or not needed.
    """

    status: Status
    parts: tuple[PartAnswer, ...]
    amount: int
    chance: int
    largest: int
    first_full_on: date | None
    why: Why
    full_chance: int


def words(chance: int) -> Words:
    """What a customer is told instead of a percent.

    Both words are used more strictly than on the scale of the climate panel's guidance note (Mastrandrea et al.
    2010: "likely" from 66 %, "extremely likely" from 95 %), since somebody plans a menu by them.
    """
    if chance >= SURE:
        return "sure"
    return "likely" if chance >= LIKELY else "do_not_plan_on_it"


def answer(question: Question, *, books: Mapping[Goods, Book]) -> Answer:
    """What can be promised as the books stand, behind all that is in them; changes no book.

    Goods without a book are goods of which nothing is expected.
    """
    available = _available(question.choices, books)
    scenarios = available[0].size
    count = needed(question.chance, scenarios=scenarios)
    sure = split(available, carried=count, wanted=question.wanted, pack=question.pack)
    largest = sum(sure)
    if largest == question.wanted:
        chance = percent(carrying(available, sure) / scenarios)
        return _promise(question, sure, status="full", chance=chance, largest=largest, full_chance=chance)
    full = _all_of_it(available, below=count, question=question)
    full_chance = percent(carrying(available, full) / scenarios)
    later = _first_full_on(question, books)
    if question.below_chance_allowed:
        return _promise(
            question, full, status="full", chance=full_chance, largest=largest, full_chance=full_chance, later=later
        )
    if largest < max(1, question.at_least):
        why = _why_not(question, books, available, largest=largest)
        return Answer("declined", (), 0, 0, largest, later, why, full_chance)
    chance = percent(carrying(available, sure) / scenarios)
    return _promise(
        question, sure, status="partial", chance=chance, largest=largest, full_chance=full_chance, later=later
    )


def _available(choices: Sequence[Choice], books: Mapping[Goods, Book]) -> list[Amounts]:
    """What each choice could receive [scenario], all of one length: a kit's one scenario holds in all of them."""
    found = [
        books[choice.goods].available(choice.first, choice.last) if choice.goods in books else np.zeros(1, np.int32)
        for choice in choices
    ]
    return [np.asarray(a, dtype=np.int32) for a in np.broadcast_arrays(*found)]


def _all_of_it(available: list[Amounts], *, below: int, question: Question) -> tuple[int, ...]:
    """The split of all that is wanted which the most scenarios carry; ``below`` of them carry none."""
    counted = surest(available, wanted=question.wanted, pack=question.pack)
    if counted is not None:
        return counted if any(counted) else (question.wanted, *(0 for _ in available[1:]))
    low, high = 0, min(below - 1, int(np.count_nonzero(pooled(available) >= question.wanted)))
    best = (question.wanted, *(0 for _ in available[1:]))
    while low < high:
        middle = (low + high + 1) // 2
        parts = _whole(available, carried=middle, question=question)
        if any(parts):
            best, low = parts, max(middle, min(carrying(available, parts), high))
        else:
            high = middle - 1
    return best


def _first_full_on(question: Question, books: Mapping[Goods, Book]) -> date | None:
    for day, choices in question.later:
        available = _available(choices, books)
        count = needed(question.chance, scenarios=available[0].size)
        if carried_by(pooled(available), count=count) < question.wanted:
            continue
        if any(_whole(available, carried=count, question=question)):
            return day
    return None


def _whole(available: list[Amounts], *, carried: int, question: Question) -> tuple[int, ...]:
    """A split of all that is wanted that ``carried`` scenarios carry; all zero where there is none."""
    return split(available, carried=carried, wanted=question.wanted, pack=question.pack, above=question.wanted - 1)


def _promise(
    question: Question,
    amounts: tuple[int, ...],
    *,
    status: Status,
    chance: int,
    largest: int,
    full_chance: int,
    later: date | None = None,
) -> Answer:
    parts = tuple(
        PartAnswer(choice.goods, choice.first, choice.last, amount)
        for choice, amount in zip(question.choices, amounts, strict=True)
        if amount
    )
    amount = sum(amounts)
    why: Why
    if status == "partial":
        why = (
            "too_little",
            {
                "wanted": question.wanted,
                "amount": amount,
                "asked_chance": question.chance,
                "full_chance": full_chance,
            },
        )
    elif largest < question.wanted:
        why = (
            "below_chance",
            {"amount": amount, "chance": chance, "asked_chance": question.chance, "largest": largest},
        )
    elif amounts[0] < amount:
        why = (
            "carried_with_substitutes",
            {"amount": amount, "substituted": amount - amounts[0], "chance": chance},
        )
    else:
        why = ("carried", {"amount": amount, "chance": chance})
    return Answer(status, parts, amount, chance, largest, later, why, full_chance)


def _why_not(question: Question, books: Mapping[Goods, Book], available: Sequence[Amounts], *, largest: int) -> Why:
    asked = {"wanted": question.wanted, "asked_chance": question.chance}
    if largest:
        return "under_minimum", {**asked, "largest": largest, "at_least": question.at_least}
    ordered = question.choices[0]
    if ordered.last < ordered.first:
        return "no_harvest_day", {"first": ordered.first, "last": ordered.last}
    known = [books[choice.goods].supply.last_day for choice in question.choices if choice.goods in books]
    if known and ordered.first > max(known):
        return "beyond_horizon", {"first": ordered.first, "known_until": max(known)}
    count = needed(question.chance, scenarios=available[0].size)
    if any(carried_by(a, count=count) for a in available):
        return "under_pack", {**asked, "pack": question.pack}
    for choice in question.choices:
        if choice.goods in books:
            supply = books[choice.goods].supply
            if carried_by(
                supply.within(choice.first, choice.last), count=needed(question.chance, scenarios=supply.scenarios)
            ):
                return "spoken_for", asked
    return "nothing_ripe", {**asked, "first": ordered.first, "last": ordered.last}


def _refuse_packs(wanted: int, pack: int) -> None:
    if pack < 1:
        raise Invalid(f"A pack holds at least 1, not {pack}.", code="no_pack", where="pack")
    below = packs_down(max(wanted, 0), pack=pack)
    right = f"{below} or {below + pack}" if below else f"{pack}"
    raise Invalid(
        f"{wanted} is not a whole number of packs of {pack}: {right} would be.",
        code="not_whole_packs",
        where="wanted",
        pack=pack,
    )
