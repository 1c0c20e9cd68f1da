"""Where promises are made: the books are locked, asked and written, here and nowhere else.

A *desk* is what one transaction needs to answer: the books it holds locked, the farm's calendar, how long things keep,
what each kitchen accepts.  A promise is never edited: a change writes the next one of its line, with the parts that
stay (their rank kept) and, where more was asked, a new part with a rank drawn while all the books are held.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
from django.db.models import OuterRef, Subquery

from fulfilment.core.problems import Invalid
from fulfilment.core.promises import Answer, Book, Question, answer, kept_pct, reserve
from fulfilment.core.units import Goods
from fulfilment.models import Book as BookRow
from fulfilment.models import Kitchen, Line, Product, Promise, PromisePart, Rank
from fulfilment.read import supply
from fulfilment.read.farm import weekdays
from fulfilment.read.terms import Terms, asked_pct, substitutes, terms

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


def open_desk(goods: Collection[Goods], *, today: date, kitchens: Collection[int] = (), lock: bool = True) -> Desk:
    """The desk for ``goods`` and what ``kitchens`` accept instead of them; with ``lock`` their books are held, by
    id.
    """
    instead = substitutes(kitchens)
    wanted = set(goods).union(*(others for (_, ordered), others in instead.items() if ordered in goods))
    rows = {each: row for each, row in _rows(lock=lock, among=wanted).items() if each in wanted}
    for missing in wanted - rows.keys():
        raise Invalid(
            "Nothing can be promised of this: it has no book. Make a product of its strain and grade first.",
            code="no_book",
            strain_id=missing.strain_id,
            grade=missing.grade,
        )
    books = supply.books(list(rows.values()), today=today)
    return Desk(terms(rows, instead=instead), today, rows, books)


def open_all(*, today: date, kitchens: Collection[int]) -> Desk:
    """The desk with every book there is, all held."""
    rows = _rows(lock=True)
    return Desk(terms(rows, instead=substitutes(kitchens)), today, rows, supply.books(list(rows.values()), today=today))


def _rows(*, lock: bool, among: Collection[Goods] | None = None) -> dict[Goods, BookRow]:
    query = BookRow.objects.select_related("forecast").order_by("pk")
    if among is not None:
        query = query.filter(strain__in={g.strain_id for g in among}, grade__in={g.grade for g in among})
    if lock:
        query = query.select_for_update(no_key=True, of=("self",))
    return {Goods(row.strain_id, row.grade): row for row in query}


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


def tell(desk: Desk, told: Sequence[Told], *, by: str, now: datetime) -> list[Promise]:
    """Write the promises with their parts and make them their lines' latest; the desk's books must be locked.

    One rank is drawn a promise that adds something, in the order given.
    """
    fresh = [each for each in told if each.answer is not None and each.answer.parts]
    ranks = iter(_draw(len(fresh)))
    numbers = _numbers([each.line.pk for each in told])
    promises = Promise.objects.bulk_create(
        [_promise(each, number=numbers.get(each.line.pk, 0) + 1, by=by, now=now) for each in told]
    )
    rows: list[PromisePart] = []
    for each, promise in zip(told, promises, strict=True):
        rows += [
            PromisePart(
                promise=promise,
                book_id=part.book_id,
                amount=amount,
                first_on=part.first_on,
                last_on=part.last_on,
                rank_id=part.rank_id,
            )
            for part, amount in each.kept
            if amount > 0
        ]
        if each.answer is not None and each.answer.parts:
            rank = next(ranks)
            rows += [
                PromisePart(
                    promise=promise,
                    book=desk.rows[part.goods],
                    amount=part.amount,
                    first_on=part.first,
                    last_on=part.last,
                    rank=rank,
                )
                for part in each.answer.parts
            ]
    PromisePart.objects.bulk_create(rows)
    for each, promise in zip(told, promises, strict=True):
        each.line.promise, each.line.promised, each.line.chance_pct = promise, promise.amount, promise.chance_pct
    newest = Promise.objects.filter(line=OuterRef("pk")).order_by("-number")
    Line.objects.filter(pk__in=[each.line.pk for each in told]).update(
        promise=Subquery(newest.values("pk")[:1]),
        promised=Subquery(newest.values("amount")[:1]),
        chance_pct=Subquery(newest.values("chance_pct")[:1]),
    )
    return promises


def lower(parts: Sequence[PromisePart], *, to: int) -> list[tuple[PromisePart, int]]:
    """What each part keeps when the whole is lowered: the newest rank gives way first."""
    excess = sum(part.amount for part in parts) - to
    kept = []
    for part in sorted(parts, key=lambda part: (-part.rank_id, -part.pk)):
        gives = min(part.amount, max(0, excess))
        excess -= gives
        kept.append((part, part.amount - gives))
    return kept[::-1]


def _draw(count: int) -> list[Rank]:
    return Rank.objects.bulk_create([Rank() for _ in range(count)]) if count else []


def _numbers(line_ids: Collection[int]) -> dict[int, int]:
    """The number of each line's newest promise."""
    return dict(Promise.objects.filter(line__in=line_ids).order_by("number").values_list("line_id", "number"))


def _promise(told: Told, *, number: int, by: str, now: datetime) -> Promise:
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
