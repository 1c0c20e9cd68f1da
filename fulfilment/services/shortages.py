"""Shortages: kitchens are offered a choice, and their answer is honoured.

The answer is the one thing a kitchen may still change after the cut-off.  It goes through ``ordering`` like any change,
with the offer as its leave, so that every event says that it was the kitchen's answer.

What does not come was promised, so whoever takes less, a substitute or another date is lowered to what comes with its
rank kept, and the plan's pieces stay where they are.  Who answers nothing gets what comes.

Locks: the books of the goods and their substitutes, the offer, its shipment and line; the rest as in ``ordering``.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from django.db import transaction

from fulfilment.core import codes
from fulfilment.core.calendar import in_words, zone_of
from fulfilment.core.problems import Conflict
from fulfilment.core.units import Goods, said
from fulfilment.models import Line, Order, Shipment, ShortageOffer
from fulfilment.read import shortages as reading
from fulfilment.read.farm import farm, today
from fulfilment.read.terms import substitutes
from fulfilment.services import events, given, ordering, rows
from fulfilment.services.ordering import Asked
from fulfilment.services.promising import open_desk

IN_WORDS = {
    ShortageOffer.Answer.TAKE_LESS: "you take what comes",
    ShortageOffer.Answer.SUBSTITUTE: "you take the substitute",
    ShortageOffer.Answer.NEXT_DATE: "the rest comes on another date",
    ShortageOffer.Answer.DROP: "you want none of it",
}


def offer(lines: Sequence[Line], *, now: datetime) -> list[ShortageOffer]:
    """An offer for each short line of a kitchen that is not yet picked from, once a promise.

    In the transaction of whoever tells the kitchen; lines come with order, kitchen, promise and shipment.
    """
    made = []
    for line in lines:
        kitchen = line.order.kitchen
        if kitchen is None or line.promise is None or line.picked:
            continue
        made.append(
            ShortageOffer(
                line=line,
                promise=line.promise,
                comes=line.allocated,
                reason=reading.reason_of(line),
                told_at=now,
                closes_at=reading.closes_at(kitchen, on=line.shipment.on, now=now),
            )
        )
    ShortageOffer.objects.bulk_create(made, ignore_conflicts=True)
    return list(ShortageOffer.objects.filter(promise__in=[each.promise_id for each in made]).order_by("pk"))


def settle(on: date, *, now: datetime) -> int:
    """Close the offers of a day whose promise the plan keeps after all, and open them again where it does not.

    Returns how many were closed or opened.
    """
    moved = 0
    unanswered = ShortageOffer.objects.filter(answer="", line__shipment__on=on, line__cancelled_at__isnull=True)
    with transaction.atomic():
        found = unanswered.select_related("line__order__kitchen", "line__product").order_by("pk")
        for each in found.select_for_update(no_key=True, of=("self",)):
            line = each.line
            if line.promise_id != each.promise_id or reading.is_short(line) is (each.filled_at is None):
                continue
            each.filled_at = now if each.filled_at is None else None
            each.save(update_fields=["filled_at"])
            events.record(
                "shortage_filled" if each.filled_at else "shortage_opened_again", subject=line.order.public_id,
                by="night", at=now, kitchen=line.order.kitchen,
                data={"offer": each.public_id, "line": line.number, "comes": line.allocated + line.picked},
            )  # fmt: skip
            moved += 1
    return moved


def answer(
    offer: str, *, choice: str, kitchen: str = "", on: date | None = None, product: str = "", by: str, now: datetime
) -> ShortageOffer:
    """The kitchen's answer, honoured in one transaction; said twice, it is done once.

    ``kitchen`` is whose offer it must be: another's does not exist for it.  ``on`` and ``product`` are the next date
    and the substitute that were shown.  Raises Conflict where another answer was given, the time is over, the line is
    packed or comes in full after all, or what was shown is not to be had any more.
    """
    chosen = ShortageOffer.Answer(given.one_of(choice, ShortageOffer.Answer.values, where="choice"))
    with transaction.atomic():
        found = _found(offer, kitchen=kitchen)
        _lock_books(found.line, now=now)
        row = rows.lock(ShortageOffer, found.public_id)
        if row.answer:
            return _said_before(row, chosen)
        Shipment.objects.select_for_update(no_key=True).get(pk=found.line.shipment_id)
        Line.objects.select_for_update(no_key=True).get(pk=found.line_id)
        row = _check_open(row.public_id, now=now)
        (seen,) = reading.view([row], now=now)
        way = _way(seen, chosen, on=on, product=product)
        line, placed = row.line, None
        if chosen in (ShortageOffer.Answer.SUBSTITUTE, ShortageOffer.Answer.NEXT_DATE):
            placed = _place(row, way, by=by, now=now)
        if chosen == ShortageOffer.Answer.DROP or not seen.comes:
            ordering.drop_line(seen.order, number=line.number, answers=row.public_id, by=by, now=now)
        else:
            ordering.change_line(
                seen.order, number=line.number, to=seen.comes, answers=row.public_id, by=by, now=now
            )  # fmt: skip
        row.answer, row.answered_at, row.answered_by, row.order = chosen, now, by[: events.BY_LENGTH], placed
        row.save(update_fields=["answer", "answered_at", "answered_by", "order"])
        events.record(
            "shortage_answered", subject=seen.order, by=by, at=now, kitchen=line.order.kitchen,
            data={
                "offer": row.public_id, "line": line.number, "answer": chosen.value, "ordered": seen.ordered,
                "promised": seen.promised, "comes": seen.comes, "on": way.on.isoformat(), "amount": way.amount,
                "order": placed.public_id if placed is not None else "",
            },
        )  # fmt: skip
    return row


def _found(offer: str, *, kitchen: str) -> ShortageOffer:
    offers = reading.with_lines(ShortageOffer.objects.all())
    if kitchen:
        offers = offers.filter(line__order__kitchen__public_id=codes.tidy(kitchen) or "-")
    return rows.find_in(offers, offer)


def _lock_books(line: Line, *, now: datetime) -> None:
    """All books that any answer may ask, at once and by id: the whole order's, the substitutes', and theirs."""
    ordered = Goods(line.product.strain_id, line.product.grade)
    kitchens = [line.order.kitchen_id] if line.order.kitchen_id is not None else []
    goods = {
        Goods(strain, grade) for strain, grade in line.order.lines.values_list("product__strain", "product__grade")
    }
    for (_, instead_of), others in substitutes(kitchens).items():
        goods |= set(others) if instead_of == ordered else set()
    open_desk(goods, today=today(now), kitchens=kitchens, lock=True)


def _said_before(row: ShortageOffer, chosen: ShortageOffer.Answer) -> ShortageOffer:
    if row.answer != chosen:
        raise Conflict(
            f"This was answered already: {IN_WORDS[ShortageOffer.Answer(row.answer)]}. Please call the farm to change "
            "it.",
            code="already_answered",
            where="choice",
            answer=row.answer,
        )
    return row


def _check_open(public_id: str, *, now: datetime) -> ShortageOffer:
    """The offer with its line as it stands under the locks, if it can still be answered; else why not."""
    still_open = reading.open_rows(now=now).filter(public_id=public_id).first()
    if still_open is not None:
        return still_open
    row = reading.with_lines(ShortageOffer.objects.all()).get(public_id=public_id)
    line, shipment = row.line, row.line.shipment
    comes = said(line.allocated + line.picked, is_kit=line.product.is_kit)
    if line.cancelled_at is not None or line.promise_id != row.promise_id:
        raise Conflict(
            f"Line {line} was changed since you were told: look at the order as it is now.", code="changed_since"
        )
    if shipment.on < today(now):
        raise Conflict(f"{in_words(shipment.on)} is over: there is nothing left to choose.", code="too_late")
    if line.picked or shipment.state != Shipment.State.PLACED:
        raise Conflict(
            f"Line {line} is packed already, so it comes as it is. Please call the farm.", code="already_packed"
        )
    if line.promised <= line.allocated + line.picked:
        raise Conflict(
            f"Line {line} comes in full after all: {comes} on {in_words(shipment.on)}. There is nothing to answer.",
            code="filled",
        )
    assert row.closes_at is not None, "nothing else closes an offer"
    local = row.closes_at.astimezone(zone_of(farm().zone))
    raise Conflict(
        f"The time to answer was over on {in_words(local.date())} at {local:%H:%M}: {comes} will come on "
        f"{in_words(shipment.on)}. Please call the farm.",
        code="too_late",
        closed_at=row.closes_at.isoformat(),
    )


def _way(seen: reading.Offer, chosen: ShortageOffer.Answer, *, on: date | None, product: str) -> reading.Way:
    way = seen.way(chosen.value)
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
    return way


def _place(row: ShortageOffer, way: reading.Way, *, by: str, now: datetime) -> Order:
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
