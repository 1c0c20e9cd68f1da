"""Where promises are made: the books are locked, asked and written, here and nowhere else.

A *desk* is what one transaction needs to answer: the books it holds locked, the farm's calendar, how long things keep,
what each kitchen accepts.  A promise is never edited: a change writes the next one of its line, with the parts that
stay (their rank kept) and, where more was asked, a new part with a rank drawn while all the books are held.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final, NamedTuple

import numpy as np
from django.db import connection
from django.db.models import BigIntegerField, Exists, Max, OuterRef, Q, QuerySet, Subquery
from django.db.models.expressions import RawSQL

from fulfilment.core.calendar import farm_day
from fulfilment.core.problems import Invalid
from fulfilment.core.promises import Answer, Book, Question, answer, kept_pct, reserve
from fulfilment.core.units import Goods
from fulfilment.models import Book as BookRow
from fulfilment.models import Farm, Kitchen, Line, Product, Promise, PromisePart, Substitute
from fulfilment.read import supply, terms
from fulfilment.read.farm import the_one, weekdays
from fulfilment.read.terms import Terms, asked_pct
from fulfilment.read.together import together

DAYS_LOOKED_AHEAD = 5
"""How many later delivery days are tried for the first on which the full amount fits."""


@dataclass(slots=True)
class Desk:
    """The books of some goods, held by this transaction, with the terms it takes to ask them."""

    terms: Terms
    today: date
    rows: Mapping[Goods, BookRow]
    books: dict[Goods, Book]

    def ask(
        self,
        product: Product,
        *,
        kitchen: Kitchen | None,
        on: date,
        wanted: int,
        at_least: int = 0,
        keeps_until: date | None = None,
        below_chance: bool = False,
        later: bool = True,
    ) -> Answer:
        """What can be promised of ``wanted`` as the books stand now; kits such that they keep until that day."""
        question = self.question(
            product, kitchen=kitchen, on=on, wanted=wanted, at_least=at_least, keeps_until=keeps_until,
            below_chance=below_chance, later=later,
        )  # fmt: skip
        return answer(question, books=self.books)

    def question(
        self,
        product: Product,
        *,
        kitchen: Kitchen | None,
        on: date,
        wanted: int,
        at_least: int = 0,
        keeps_until: date | None = None,
        below_chance: bool = False,
        later: bool = True,
    ) -> Question:
        """What is to be asked of the books for ``wanted``, by the kitchen's terms."""
        goods = Goods(product.strain_id, product.grade)
        ahead = DAYS_LOOKED_AHEAD if later else 0
        days = self.terms.calendar.next_delivery_days(on, ahead, weekdays=weekdays(kitchen))
        return Question(
            wanted=wanted,
            choices=self.terms.choices(kitchen, goods, on, keeps_until=keeps_until),
            pack=product.pack,
            chance=asked_pct(kitchen, product),
            at_least=at_least,
            later=tuple((day, self.terms.choices(kitchen, goods, day, keeps_until=keeps_until)) for day in days),
            below_chance_allowed=below_chance,
        )

    def kept_pct(self, kept: Sequence[tuple[PromisePart, int]]) -> int | None:
        """In how many percent of the scenarios each of these parts receives so much; None where a book is not here."""
        by_pk = {row.pk: self.books[goods] for goods, row in self.rows.items()}
        if any(part.book_id not in by_pk for part, _ in kept):
            return None
        nothing = np.zeros(1, dtype=np.int32)
        return kept_pct([(by_pk[part.book_id].received.get(part.pk, nothing), amount) for part, amount in kept])

    def reserve(self, given: Answer) -> None:
        """Serve what was just answered behind all others, so that the next question of this transaction sees it."""
        reserve(given, books=self.books)


def open_desk(goods: Collection[Goods], *, now: datetime, kitchens: Collection[int] = (), lock: bool = True) -> Desk:
    """The desk for ``goods`` and what ``kitchens`` accept instead; with ``lock`` their books are held, by id."""
    held = together(
        _books_of_goods, strains=[each.strain_id for each in goods], grades=[each.grade for each in goods],
        kitchens=list(kitchens), lock=lock,
    )  # fmt: skip
    whose, rows = the_one(held["farm"]), _by_goods(held["books"])
    today = farm_day(now, whose.zone)
    found = together(questions, **supply.given(rows.values(), today=today), kitchens=list(kitchens))
    return desk_of(goods, rows, found, whose=whose, today=today)


def open_all(*, today: date, kitchens: Collection[int]) -> Desk:
    """The desk with every book there is, all held."""
    held = together(_all_books)
    rows = _by_goods(held["books"])
    found = together(questions, **supply.given(rows.values(), today=today), kitchens=list(kitchens))
    return desk_of(rows, rows, found, whose=the_one(held["farm"]), today=today)


def desk_of(
    goods: Collection[Goods], rows: Mapping[Goods, BookRow], found: supply.Found, *, whose: Farm, today: date
) -> Desk:
    """The desk for ``goods`` of the rows that are held, and of what was found of them once they were held."""
    for missing in goods:
        if missing not in rows:
            raise Invalid(
                "Nothing can be promised of this: it has no book. Make a product of its strain and grade first.",
                code="no_book", strain_id=missing.strain_id, grade=missing.grade,
            )  # fmt: skip
    own = terms.terms_of(whose, goods, found, known=rows)
    here = {each: row for each, row in rows.items() if each in own.life}
    return Desk(own, today, here, supply.books_of(list(here.values()), found, today=today))


def questions(*, books: Any, strains: Any, kits: bool, today: Any, kitchens: Any) -> dict[str, QuerySet[Any, Any]]:
    """What a desk is made of once its books are held; asked before, it would not know who came first."""
    asked = supply.questions(books=books, strains=strains, kits=kits, today=today)
    return asked | terms.questions(kitchens=kitchens)


def books_of_products(products: QuerySet[Product], *, kitchens: Any, lock: bool) -> dict[str, QuerySet[Any, Any]]:
    """The farm, and the books of some products' goods and of what these kitchens accept instead."""
    own = products.filter(strain=OuterRef("strain"), grade=OuterRef("grade"))
    instead = Substitute.objects.filter(
        Exists(own), kitchen__in=kitchens, instead_strain=OuterRef("strain"), instead_grade=OuterRef("grade")
    )
    return _held(BookRow.objects.filter(Exists(own) | Exists(instead)), lock=lock)


def _books_of_goods(*, strains: Any, grades: Any, kitchens: Any, lock: bool) -> dict[str, QuerySet[Any, Any]]:
    instead = Substitute.objects.filter(
        strain__in=strains, grade__in=grades, kitchen__in=kitchens, instead_strain=OuterRef("strain"),
        instead_grade=OuterRef("grade"),
    )  # fmt: skip
    return _held(BookRow.objects.filter(Q(strain__in=strains, grade__in=grades) | Exists(instead)), lock=lock)


def _all_books() -> dict[str, QuerySet[Any, Any]]:
    return _held(BookRow.objects.all(), lock=True)


def _held(books: QuerySet[BookRow], *, lock: bool) -> dict[str, QuerySet[Any, Any]]:
    books = books.order_by("pk")
    return {
        "farm": Farm.objects.filter(pk=1),
        "books": books.select_for_update(no_key=True) if lock else books,
    }


def _by_goods(rows: Collection[BookRow]) -> dict[Goods, BookRow]:
    return {Goods(row.strain_id, row.grade): row for row in rows}


@dataclass(frozen=True, slots=True)
class Told:
    """One line's next promise: the parts it keeps (ranks kept, amounts perhaps lowered) and the answer that adds to
    them.  ``kept_pct`` is how surely the kept parts come, where it was looked up; else as the line stands.
    """

    line: Line
    wanted: int
    asked_pct: int
    answer: Answer | None
    kept: Sequence[tuple[PromisePart, int]] = ()
    kept_pct: int | None = None
    below: bool = False

    @property
    def amount(self) -> int:
        return sum(amount for _, amount in self.kept) + (self.answer.amount if self.answer else 0)


class Drawn(NamedTuple):
    """The key that a promise will have, and its place in the row: drawn while all the books are held."""

    promise: int
    rank: int


_NEXT: Final = {
    "postgresql": {
        "promise": "nextval(pg_get_serial_sequence('fulfilment_promise', 'id'))",
        "rank": "nextval(pg_get_serial_sequence('fulfilment_rank', 'id'))",
    },
    # It has one writer, so the next number is the one after the highest.
    "sqlite": {
        "promise": "(SELECT COALESCE(MAX(id), 0) FROM fulfilment_promise) + ROW_NUMBER() OVER ()",
        "rank": "(SELECT COALESCE(MAX(rank_id), 0) FROM fulfilment_promisepart) + ROW_NUMBER() OVER ()",
    },
}


def drawing(rows: QuerySet[Any]) -> QuerySet[Any, Any]:
    """A question: a :class:`Drawn` for each of these rows."""
    number = BigIntegerField()
    drawn = {
        f"next_{name}": RawSQL(sql, [], number)  # noqa: S611 - one of the texts above
        for name, sql in _NEXT[connection.vendor].items()
    }
    asked: QuerySet[Any, Any] = rows.order_by().annotate(**drawn).values_list(*drawn)
    return asked


def in_order(drawn: Collection[tuple[int, int]]) -> list[Drawn]:
    """As they are given out: the first in the row to the first."""
    promises, ranks = zip(*drawn, strict=True) if drawn else ((), ())
    return [Drawn(*each) for each in zip(sorted(promises), sorted(ranks), strict=True)]


def draw(rows: QuerySet[Any]) -> list[Drawn]:
    """The numbers at once, where nothing else is asked."""
    return in_order(drawing(rows))


def tell_new(desk: Desk, told: Sequence[Told], *, drawn: Sequence[Drawn], by: str, now: datetime) -> list[PromisePart]:
    """Write lines that are not written yet with their first promises, in three statements however many they are."""
    promises = [_promise(each, pk=own.promise, number=1, by=by, now=now) for each, own in zip(told, drawn, strict=True)]
    for each, promise in zip(told, promises, strict=True):
        each.line.promise, each.line.promised, each.line.chance_pct = promise, promise.amount, promise.chance_pct
    Line.objects.bulk_create([each.line for each in told])
    Promise.objects.bulk_create(promises)
    return _write_parts(desk, told, promises, drawn)


def tell(desk: Desk, told: Sequence[Told], *, by: str, now: datetime) -> None:
    """Write the promises with their parts and make them their lines' latest; the desk's books must be locked.

    A promise that adds something gets a rank of its own, in the order given.
    """
    lines = Line.objects.filter(pk__in=[each.line.pk for each in told])
    drawn = draw(lines)
    numbers = dict(lines.order_by().annotate(newest=Max("promises__number")).values_list("pk", "newest"))
    promises = [
        _promise(each, pk=own.promise, number=(numbers[each.line.pk] or 0) + 1, by=by, now=now)
        for each, own in zip(told, drawn, strict=True)
    ]
    Promise.objects.bulk_create(promises)
    _write_parts(desk, told, promises, drawn)
    for each, promise in zip(told, promises, strict=True):
        each.line.promise, each.line.promised, each.line.chance_pct = promise, promise.amount, promise.chance_pct
    newest = Promise.objects.filter(line=OuterRef("pk")).order_by("-number")
    lines.update(
        promise=Subquery(newest.values("pk")[:1]),
        promised=Subquery(newest.values("amount")[:1]),
        chance_pct=Subquery(newest.values("chance_pct")[:1]),
    )


def _write_parts(
    desk: Desk, told: Sequence[Told], promises: Sequence[Promise], drawn: Sequence[Drawn]
) -> list[PromisePart]:
    """What stays of each keeps its rank; what is added gets the one drawn for it."""
    rows: list[PromisePart] = []
    for each, promise, own in zip(told, promises, drawn, strict=True):
        rows += [
            PromisePart(
                promise=promise, book_id=part.book_id, amount=amount, first_on=part.first_on, last_on=part.last_on,
                rank=part.rank,
            )
            for part, amount in each.kept
            if amount > 0
        ]  # fmt: skip
        rows += [
            PromisePart(
                promise=promise, book=desk.rows[part.goods], amount=part.amount, first_on=part.first, last_on=part.last,
                rank=own.rank,
            )
            for part in (each.answer.parts if each.answer is not None else ())
        ]  # fmt: skip
    return PromisePart.objects.bulk_create(rows)


def lower(parts: Sequence[PromisePart], *, to: int) -> list[tuple[PromisePart, int]]:
    """What each part keeps when the whole is lowered: the newest rank gives way first."""
    excess = sum(part.amount for part in parts) - to
    kept = []
    for part in sorted(parts, key=lambda part: (-part.rank, -part.pk)):
        gives = min(part.amount, max(0, excess))
        excess -= gives
        kept.append((part, part.amount - gives))
    return kept[::-1]


def _promise(told: Told, *, pk: int, number: int, by: str, now: datetime) -> Promise:
    amount = told.amount
    given = told.answer
    status = Promise.Status.PARTIAL
    if amount == told.wanted:
        status = Promise.Status.FULL
    elif amount == 0:
        status = Promise.Status.DECLINED
    code, numbers = given.why if given is not None else ("lowered", {"amount": amount})
    kept = sum(part for _, part in told.kept)
    return Promise(
        pk=pk,
        line=told.line,
        number=number,
        status=status,
        wanted=told.wanted,
        amount=amount,
        asked_pct=told.asked_pct,
        chance_pct=_chance(told, kept=kept),
        below_asked=told.below,
        largest=kept + given.largest if given is not None else amount,
        first_full_on=given.first_full_on if given is not None else None,
        why={"code": code, **{k: v.isoformat() if isinstance(v, date) else v for k, v in numbers.items()}},
        at=now,
        by=by[:40],
    )


def _chance(told: Told, *, kept: int) -> int:
    """What the promise says of its chance; a joint chance is not better than the worse of its two halves."""
    before = (told.line.chance_pct if told.kept_pct is None else told.kept_pct) if kept else None
    adds = told.answer.chance if told.answer is not None and told.answer.parts else None
    known = [chance for chance in (before, adds) if chance is not None]
    return min(known) if known else 0
