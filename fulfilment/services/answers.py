"""A kitchen's answer to what it was told of a line, honoured: that it is less sure, or that less of it comes.

``services.doubts`` and ``services.shortages`` each say what can still be answered, what stays of the line and why an
answer comes too late (:class:`Kind`); what an answer does is the same for both.  Whoever takes less, a substitute or
another date is lowered to what stays with its rank kept; the substitute and the next date are an order of their own,
promised in full or not at all.  It goes through ``ordering`` like any change, with the answer as its leave, so that
every event says that it was the kitchen's answer.

Locks: the books of the goods and their substitutes, the row that is answered, its shipment and line; the rest as in
``ordering``.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Final, Generic, TypeVar

from django.db import transaction

from fulfilment.core import codes
from fulfilment.core.calendar import in_words
from fulfilment.core.problems import Conflict
from fulfilment.core.units import Goods
from fulfilment.models import Doubt, Line, Order, Shipment, ShortageOffer
from fulfilment.read.terms import substitutes
from fulfilment.read.ways import DROP, KEEP, NEXT_DATE, SUBSTITUTE, TAKE_LESS, Told, Way
from fulfilment.services import events, given, ordering, rows
from fulfilment.services.ordering import Asked
from fulfilment.services.promising import open_desk

if TYPE_CHECKING:
    from django.db.models import QuerySet

Row = TypeVar("Row", Doubt, ShortageOffer)

IN_WORDS: Final[Mapping[str, str]] = {
    KEEP: "you keep it as it is",
    TAKE_LESS: "you take less, and nothing for the rest",
    SUBSTITUTE: "you take the substitute",
    NEXT_DATE: "the rest comes on another date",
    DROP: "you want none of it",
}


@dataclass(frozen=True, slots=True)
class Kind(Generic[Row]):
    """One thing that kitchens are told and answer."""

    name: str
    """Its noun in events."""
    event: str
    rest: str
    """What the event calls what stays of the line."""
    after: str
    """What to do who wants it otherwise once it is answered."""
    choices: Collection[str]
    rows: Callable[[], QuerySet[Row]]
    """All of them, with their lines."""
    find_open: Callable[[str, datetime], Row | None]
    """The one with this id, if it can still be answered."""
    why_not: Callable[[Row, datetime], Conflict]
    """Why it cannot be answered any more, and what to do."""
    view: Callable[[Row, datetime], Told]
    """The row as it stands under the locks, with the ways that are open."""
    stays: Callable[[Row, datetime], Mapping[Goods, int]]
    """What stays of each of the line's goods."""


def answer(
    kind: Kind[Row], told: str, *, choice: str, kitchen: str, on: date | None, product: str, amount: int | None,
    by: str, now: datetime,
) -> Row:  # fmt: skip
    """The answer, honoured in one transaction; said twice, it is done once.

    ``kitchen`` is whose it must be: another's does not exist for it.  ``on``, ``product`` and ``amount`` are what was
    shown, where something was.  Raises Conflict where another answer was given, the time is over or the line is not as
    it was, and where what was shown is not to be had any more.
    """
    chosen = given.one_of(choice, kind.choices, where="choice")
    with transaction.atomic():
        found = _found(kind, told, kitchen=kitchen)
        _lock_books(found.line, now=now)
        row = rows.lock(type(found), found.public_id)
        if row.answer:
            return _said_before(kind, row, chosen)
        Shipment.objects.select_for_update(no_key=True).get(pk=found.line.shipment_id)
        Line.objects.select_for_update(no_key=True).get(pk=found.line_id)
        still_open = kind.find_open(found.public_id, now)
        if still_open is None:
            raise kind.why_not(kind.rows().get(pk=found.pk), now)
        row = still_open
        seen = kind.view(row, now)
        way = _way(seen, chosen, on=on, product=product, amount=amount)
        placed = None
        if chosen in (SUBSTITUTE, NEXT_DATE):
            placed = _place(row, way, by=by, now=now)
        if chosen == DROP or (chosen != KEEP and not seen.stays):
            ordering.drop_line(seen.order, number=row.line.number, answers=row.public_id, by=by, now=now)
        elif chosen != KEEP:
            ordering.change_line(
                seen.order, number=row.line.number, to=seen.stays, answers=row.public_id,
                stays=kind.stays(row, now), by=by, now=now,
            )  # fmt: skip
        row.answer, row.answered_at, row.answered_by, row.order = chosen, now, by[: events.BY_LENGTH], placed
        row.save(update_fields=["answer", "answered_at", "answered_by", "order"])
        events.record(
            kind.event, subject=seen.order, by=by, at=now, kitchen=row.line.order.kitchen,
            data={
                kind.name: row.public_id, "line": row.line.number, "answer": chosen, "ordered": seen.ordered,
                "promised": seen.promised, kind.rest: seen.stays, "on": way.on.isoformat(), "amount": way.amount,
                "order": placed.public_id if placed is not None else "",
            },
        )  # fmt: skip
    return row


def look(kind: Kind[Row], told: str, *, choice: str, kitchen: str, now: datetime) -> tuple[Told, Way]:
    """What an answer would mean; raises as :func:`answer` does, and nothing is held or changed."""
    chosen = given.one_of(choice, kind.choices, where="choice")
    row = _found(kind, told, kitchen=kitchen)
    if row.answer:
        raise _answered(kind, row)
    still_open = kind.find_open(row.public_id, now)
    if still_open is None:
        raise kind.why_not(row, now)
    seen = kind.view(still_open, now)
    return seen, _way(seen, chosen, on=None, product="", amount=None)


def _found(kind: Kind[Row], told: str, *, kitchen: str) -> Row:
    those = kind.rows()
    if kitchen:
        those = those.filter(line__order__kitchen__public_id=codes.tidy(kitchen) or "-")
    return rows.find_in(those, told)


def _lock_books(line: Line, *, now: datetime) -> None:
    """All books that any answer may ask, at once and by id: the whole order's, the substitutes', and theirs."""
    ordered = Goods(line.product.strain_id, line.product.grade)
    kitchens = [line.order.kitchen_id] if line.order.kitchen_id is not None else []
    goods = {
        Goods(strain, grade) for strain, grade in line.order.lines.values_list("product__strain", "product__grade")
    }
    for (_, instead_of), others in substitutes(kitchens).items():
        goods |= set(others) if instead_of == ordered else set()
    open_desk(goods, now=now, kitchens=kitchens)


def _said_before(kind: Kind[Row], row: Row, chosen: str) -> Row:
    if row.answer != chosen:
        raise _answered(kind, row)
    return row


def _answered(kind: Kind[Row], row: Row) -> Conflict:
    return Conflict(
        f"This was answered already: {IN_WORDS[row.answer]}. {kind.after}",
        code="already_answered",
        where="choice",
        answer=row.answer,
    )


def _way(seen: Told, chosen: str, *, on: date | None, product: str, amount: int | None) -> Way:
    way = seen.way(chosen)
    if way is None:
        left = ", ".join(each.choice for each in seen.ways)
        raise Conflict(
            f"That cannot be had any more for line {seen.line}: choose one of {left}.",
            code="not_to_be_had",
            where="choice",
        )
    if on is not None and on != way.on:
        raise Conflict(
            f"The first date on which the rest can be had is now {in_words(way.on)}, no longer {in_words(on)}: look "
            "again and choose.",
            code="other_date",
            where="on",
            first_on=way.on.isoformat(),
        )
    if product and codes.tidy(product) != way.product:
        raise Conflict(
            f"What can be had instead is now {way.product_name}: look again and choose.",
            code="other_product",
            where="product",
            product=way.product,
        )
    if amount is not None and amount != way.amount:
        raise Conflict(
            f"It is another amount by now. {way.says} Look again and choose.",
            code="other_amount",
            where="amount",
            amount=way.amount,
        )
    return way


def _place(row: Row, way: Way, *, by: str, now: datetime) -> Order:
    """What comes instead, as an order of its own to the same door, promised in full or not at all."""
    line = row.line
    kitchen = line.order.kitchen
    assert kitchen is not None, "only kitchens are offered a choice"
    placed = ordering.place(
        [Asked(way.product, way.amount)], kitchen=kitchen.public_id, on=way.on, reference=line.order.reference,
        way=line.shipment.way, address=line.shipment.address_id, answers=row.public_id, by=by, now=now,
    )  # fmt: skip
    if placed.lines.get().promised < way.amount:
        raise Conflict("What was to come instead is spoken for by now: look again and choose.", code="not_to_be_had")
    return placed
