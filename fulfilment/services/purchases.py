"""Purchases: what a buyer bought at once in a shop, one order for each receiver, and what the shop says of the money.

All of a purchase is placed, or none.  No money moves here: a shop tells what was paid and given back, and it is shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING

from django.db import transaction
from django.db.models import F

from fulfilment.core.problems import Conflict, Invalid, Problem
from fulfilment.core.units import Goods, amount
from fulfilment.models import Buyer, Line, Order, Product, Purchase, Shipment
from fulfilment.models.states import PAYMENT, move
from fulfilment.services import customers, events, given, ordering, rows
from fulfilment.services.promising import open_desk

if TYPE_CHECKING:
    from fulfilment.services.customers import Place
    from fulfilment.services.ordering import Asked

MOST_RECEIVERS = 50
REFUNDS = frozenset({Purchase.Payment.PART_REFUNDED, Purchase.Payment.REFUNDED})


@dataclass(frozen=True, slots=True)
class Receiver:
    """What one person gets: the lines, the days between which it is to be sent, and where.

    With neither a ``place`` nor an ``address`` (a row of the buyer's) it goes to the buyer.
    """

    lines: Sequence[Asked]
    ships_from: date
    ships_until: date
    place: Place | None = None
    address: int | None = None
    way: str = ""
    note: str = ""
    gift: bool = False
    greeting: str = ""
    start_on: date | None = None


def place(
    buyer: str, receivers: Sequence[Receiver], *, reference: str = "", payment: str = "unpaid", by: str, now: datetime
) -> Purchase:
    """Place an order for each receiver, on the first day of its window on which all of it can be promised.

    Where no day of a window carries all, the order stands for the day that carries most, and says so.
    """
    if not 1 <= len(receivers) <= MOST_RECEIVERS:
        raise Invalid(f"A purchase has 1 to {MOST_RECEIVERS} receivers.", code="out_of_range", where="receivers")
    with transaction.atomic():
        payer = rows.find(Buyer, buyer, where="buyer")
        _hold_books(receivers, now=now)
        made = Purchase.objects.create(
            buyer=payer, reference=given.text(reference, where="reference", at_most=60, required=False),
            payment=given.one_of(payment, ["unpaid", "authorised", "paid"], where="payment"), payment_told_at=now,
            placed_at=now, placed_by=by[: events.BY_LENGTH],
        )  # fmt: skip
        orders = []
        for number, each in enumerate(receivers):
            try:
                orders.append(_place(made, each, by=by, now=now))
            except Problem as problem:
                raise problem.at(f"receivers.{number}") from None
        events.record(
            "purchase_placed", subject=made.public_id, by=by, at=now, buyer=payer,
            data={"orders": [order.public_id for order in orders], "payment": made.payment},
        )  # fmt: skip
    return made


def tell_payment(
    purchase: str, *, payment: str, refund_minor: int = 0, note: str = "", by: str, now: datetime
) -> Purchase:
    """What the shop says of the money; telling the same twice changes nothing more.

    ``refund_minor`` is what was given back in all, in minor units; it and ``note`` go with a refund only.
    """
    with transaction.atomic():
        found = rows.lock(Purchase, purchase)
        said = given.text(note, where="note", at_most=300, required=False)
        if payment not in REFUNDS and (refund_minor or said):
            raise Invalid("Only a refund says how much was given back, and why.", code="no_refund", where="refund")
        back = amount(refund_minor, where="refund", at_least=0, unit="minor units")
        if payment == Purchase.Payment.PART_REFUNDED and back == 0:
            raise Invalid("A part refund says how much was given back.", code="missing", where="refund")
        if (found.payment, found.refund_minor) == (payment, back):
            return found
        known = given.one_of(payment, Purchase.Payment.values, where="payment")
        found.payment = move(PAYMENT, found.payment, known, what="payment")
        found.refund_minor, found.refund_note = back, said or found.refund_note
        found.payment_told_at, found.version = now, found.version + 1
        found.save(update_fields=["payment", "refund_minor", "refund_note", "payment_told_at", "version"])
        events.record(
            "payment_told", subject=found.public_id, by=by, at=now, buyer=found.buyer,
            data={"payment": found.payment, "refund_minor": back},
        )  # fmt: skip
    return found


def cancel(purchase: str, *, note: str = "", because: str = "", by: str, now: datetime) -> Purchase:
    """Cancel every order of it that has not left; ``note`` is what the shop says of the refund.

    After a cut-off only with staff's reason.  Raises Conflict where all of it has left already.
    """
    with transaction.atomic():
        found = rows.find(Purchase, purchase)
        lines = Line.objects.filter(order__purchase=found, cancelled_at__isnull=True)
        goods = [Goods(strain, grade) for strain, grade in lines.values_list("product__strain", "product__grade")]
        if goods:
            open_desk(goods, now=now)
        found = rows.lock(Purchase, purchase)
        live = Order.objects.filter(purchase=found, cancelled_at__isnull=True).order_by("pk")
        here = [order for order in live if not _left(order)]
        if live and not here:
            raise Conflict("All of this has been sent already: nothing can be cancelled.", code="left_already")
        for order in here:
            ordering.cancel(order.public_id, because=because, by=by, now=now)
        said = given.text(note, where="note", at_most=300, required=False)
        gone = found.cancelled_at or (None if len(here) < len(live) else now)
        if here or said:
            Purchase.objects.filter(pk=found.pk).update(
                cancelled_at=gone, refund_note=said or found.refund_note, version=F("version") + 1
            )
            events.record(
                "purchase_cancelled", subject=found.public_id, by=by, at=now, buyer=found.buyer,
                data={"orders": [order.public_id for order in here], "because": because[:200]},
            )  # fmt: skip
    return rows.find(Purchase, purchase)


def _hold_books(receivers: Sequence[Receiver], *, now: datetime) -> None:
    """All books at once, so that two purchases cannot wait for each other."""
    wanted = [
        product for number, each in enumerate(receivers) for product, _ in _products(each.lines, where=number)
    ]  # fmt: skip
    open_desk([Goods(product.strain_id, product.grade) for product in wanted], now=now)


def _products(lines: Sequence[Asked], *, where: int) -> list[tuple[Product, Asked]]:
    try:
        return ordering.products(lines)
    except Problem as problem:
        raise problem.at(f"receivers.{where}") from None


def _place(made: Purchase, each: Receiver, *, by: str, now: datetime) -> Order:
    if each.ships_until < each.ships_from:
        raise Invalid("This span ends before it begins.", code="ends_before_start", where="ships_until")
    address = each.address
    if each.place is not None:
        address = customers.add_address(each.place, buyer=made.buyer.public_id, by=by, now=now).pk
    on = ordering.best_day(
        each.lines, buyer=made.buyer.public_id, first=each.ships_from, last=each.ships_until, start_on=each.start_on,
        now=now,
    )  # fmt: skip
    return ordering.place(
        each.lines, buyer=made.buyer.public_id, on=on, reference=made.reference, way=each.way, address=address,
        note=each.note, gift=each.gift, greeting=each.greeting, start_on=each.start_on, purchase=made, by=by, now=now,
    )  # fmt: skip


def _left(order: Order) -> bool:
    """Whether something of it is on its way, or there."""
    gone = (Shipment.State.SENT, Shipment.State.DELIVERED)
    return order.lines.filter(cancelled_at__isnull=True, shipment__state__in=gone).exists()
