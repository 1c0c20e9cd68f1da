"""Asking again: what open lines are still missing, each night, oldest promise first.

A line under its ordered amount is asked again with what it misses.  Whoever was promised something earliest is asked
first, lines that were promised nothing come last, in order of their ids; each answer is served before the next
question, behind everything promised so far.  So what firms up goes to those who wait longest, and no answer lowers what
anybody has.  Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, MutableMapping
from dataclasses import dataclass
from typing import Final

from fulfilment.core.promises.answers import Answer, Question, answer
from fulfilment.core.promises.book import Book, Part
from fulfilment.core.units import Goods

BEHIND_ALL: Final = 2**62
"""The rank of what is answered but not yet written."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A line that misses something; ``rank`` is that of its oldest promised part, None where nothing was promised."""

    line_id: int
    rank: int | None
    question: Question


def ask_again(waiting: Iterable[Waiting], *, books: MutableMapping[Goods, Book]) -> dict[int, Answer]:
    """The answers that promise something, by line id in the order asked; they are reserved in ``books``."""
    given: dict[int, Answer] = {}
    for each in sorted(waiting, key=lambda one: (BEHIND_ALL if one.rank is None else one.rank, one.line_id)):
        said = answer(each.question, books=books)
        if said.parts:
            reserve(said, books=books)
            given[each.line_id] = said
    return given


def reserve(given: Answer, *, books: MutableMapping[Goods, Book]) -> None:
    """Serve what was just answered behind all others, so that the next question sees it."""
    for part in given.parts:
        book = books[part.goods]
        trial = -1 - len(book.received)
        book.append(Part(trial, 0, part.goods, part.first, part.last, part.amount, rank=BEHIND_ALL))
