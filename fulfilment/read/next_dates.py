"""When a line that gets less than it ordered could be had in full: the last number of its account.

It is the first later delivery day of its customer, still open, on which as much as was ordered could be promised anew
at the chance asked, behind all that is promised by now (the line's own parts too, so it is never a day too early).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date, datetime
from typing import Final

from fulfilment.core.promises import Book, Choice, Question, answer
from fulfilment.core.units import Goods, packs_up
from fulfilment.models import Book as BookRow
from fulfilment.models import Line
from fulfilment.read import supply
from fulfilment.read.farm import weekdays
from fulfilment.read.terms import asked_pct, substitutes, terms

DAYS_AHEAD: Final = 5
"""How many later delivery days are tried."""

Later = tuple[tuple[date, tuple[Choice, ...]], ...]


def first_full(line_ids: Collection[int], *, today: date, now: datetime) -> dict[int, date | None]:
    """Line id → that day, None where none of the next five is one."""
    if not line_ids:
        return {}
    lines = list(Line.objects.filter(pk__in=line_ids).select_related("product", "order__kitchen", "shipment"))
    rows = list(BookRow.objects.select_related("forecast").order_by("pk"))
    instead = substitutes({line.order.kitchen_id for line in lines if line.order.kitchen_id is not None})
    own = terms({Goods(row.strain_id, row.grade) for row in rows}, instead=instead)
    books = supply.books(rows, today=today)
    known: dict[tuple[int, int, int, Later], date | None] = {}
    found = {}
    for line in lines:
        kitchen, product = line.order.kitchen, line.product
        goods = Goods(product.strain_id, product.grade)
        days = own.calendar.next_delivery_days(line.shipment.on, DAYS_AHEAD, weekdays=weekdays(kitchen))
        later: Later = tuple(
            (day, own.choices(kitchen, goods, day)) for day in days if now < own.calendar.cut_off_at(day)
        )
        key = (packs_up(line.ordered, pack=product.pack), product.pack, asked_pct(kitchen, product), later)
        if key not in known:
            known[key] = _first(*key, books=books)
        found[line.pk] = known[key]
    return found


def full_on(line: Line) -> date | None:
    """The day as the last plan has it; before its first plan, as its promise was made."""
    said = line.account.get("full_on") if "full_on" in line.account else None
    if isinstance(said, str):
        return date.fromisoformat(said)
    return line.promise.first_full_on if line.promise is not None and "full_on" not in line.account else None


def _first(wanted: int, pack: int, chance: int, later: Later, *, books: Mapping[Goods, Book]) -> date | None:
    """One question a day would do; asked together, the days after the first cost next to nothing."""
    if not later:
        return None
    (day, choices), *rest = later
    given = answer(Question(wanted, choices, pack, chance, later=tuple(rest)), books=books)
    return day if given.status == "full" else given.first_full_on
