"""An order is placed: its lines are asked, written and promised in one transaction."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from django.db import transaction

from fulfilment.core.calendar import in_words
from fulfilment.core.problems import Invalid
from fulfilment.core.promises import Answer
from fulfilment.models import Buyer, Kitchen, Line, Order, Product, Purchase, Shipment, StandingOrder
from fulfilment.read.terms import asked_pct
from fulfilment.services import events, mails
from fulfilment.services.ordering.asking import ask, check_day, desk_for
from fulfilment.services.ordering.shipments import ask_for_plan, join_shipment
from fulfilment.services.ordering.wanted import Asked, customer_named, free_text, prices, products, sides
from fulfilment.services.promising import Desk, Told, tell


def place(
    lines: Sequence[Asked],
    *,
    kitchen: str = "",
    buyer: str = "",
    on: date,
    reference: str = "",
    way: str = "",
    address: int | None = None,
    note: str = "",
    gift: bool = False,
    greeting: str = "",
    start_on: date | None = None,
    purchase: Purchase | None = None,
    below_chance: bool = False,
    because: str = "",
    answers: str = "",
    by: str,
    now: datetime,
) -> Order:
    """Place an order for a kitchen or a buyer and promise what can be promised.

    ``start_on`` is the day on which a gift is to be started: its kits keep until then.  ``below_chance``: staff promise
    the full amounts knowingly, whatever their chance.  ``because`` or ``answers``: the leave to order after the
    cut-off.  Raises Invalid for a day, product or amount that cannot be, Conflict after the cut-off.
    """
    with transaction.atomic():
        customer = customer_named(kitchen=kitchen, buyer=buyer)
        wanted = products(lines)
        desk = desk_for(wanted, customer, now=now, lock=True)
        check_day(desk, customer, on=on, now=now, leave=because or answers)
        _check_start(wanted, on=on, gift=gift, start_on=start_on)
        return write(
            desk, wanted, customer, on=on, reference=reference, way=way, address=address, note=note, gift=gift,
            greeting=greeting, start_on=start_on, purchase=purchase, below_chance=below_chance, because=because,
            answers=answers, by=by, now=now,
        )  # fmt: skip


def write(
    desk: Desk,
    wanted: Sequence[tuple[Product, Asked]],
    customer: Kitchen | Buyer,
    *,
    on: date,
    reference: str = "",
    way: str = "",
    address: int | None = None,
    note: str = "",
    gift: bool = False,
    greeting: str = "",
    start_on: date | None = None,
    purchase: Purchase | None = None,
    below_chance: bool = False,
    because: str = "",
    answers: str = "",
    standing_order: StandingOrder | None = None,
    standing_on: date | None = None,
    by: str,
    now: datetime,
) -> Order:
    """Ask and write, with the books held by ``desk``; the caller has checked the day and holds the transaction."""
    kitchen, buyer = sides(customer)
    offered = ask(desk, wanted, customer, on=on, keeps_until=start_on, below_chance=below_chance)
    shipment = join_shipment(desk.terms.calendar, customer, on=on, way=way, address=address)
    order = Order.objects.create(
        kitchen=kitchen, buyer=buyer, standing_order=standing_order, standing_on=standing_on, purchase=purchase, on=on,
        reference=reference[:60], note=free_text(note, where="note"), gift=gift,
        greeting=free_text(greeting, where="greeting"), start_on=start_on, placed_at=now, placed_by=by[:40],
    )  # fmt: skip
    told = write_lines(desk, order, shipment, wanted, offered, after=0, by=by, now=now)
    events.record(
        "order_placed", subject=order.public_id, by=by, at=now, kitchen=kitchen, buyer=buyer,
        data={"on": on.isoformat(), "because": because[:200], **answered(answers), "lines": told},
    )  # fmt: skip
    if standing_order is None:
        mails.queue(
            "order_received", kitchen=kitchen, buyer=buyer, subject={"order": order.pk},
            once=f"order_received:{order.public_id}", due_at=now, now=now,
        )  # fmt: skip
    ask_for_plan(shipment, now=now)
    return order


def write_lines(
    desk: Desk,
    order: Order,
    shipment: Shipment,
    wanted: Sequence[tuple[Product, Asked]],
    offered: Sequence[Answer],
    *,
    after: int,
    by: str,
    now: datetime,
) -> list[dict[str, object]]:
    """The lines with their promises, numbered on from ``after``; what an event says of them."""
    agreed = prices(order.kitchen_id, [product for product, _ in wanted])
    written = Line.objects.bulk_create(
        [
            Line(order=order, shipment=shipment, number=number, product=product, price_minor=agreed[product.pk],
                 ordered=asked.amount, at_least=asked.at_least)
            for number, (product, asked) in enumerate(wanted, start=after + 1)
        ]
    )  # fmt: skip
    tell(
        desk,
        [
            Told(line, asked.amount, asked_pct(order.kitchen, product), given, below=given.why[0] == "below_chance")
            for line, (product, asked), given in zip(written, wanted, offered, strict=True)
        ],
        by=by,
        now=now,
    )
    return [
        {"product": product.public_id, "ordered": asked.amount, "promised": given.amount, "chance": given.chance}
        for (product, asked), given in zip(wanted, offered, strict=True)
    ]


def _check_start(wanted: Sequence[tuple[Product, Asked]], *, on: date, gift: bool, start_on: date | None) -> None:
    """A start day of its own is a gift's of kits, after they have been sent."""
    if start_on is None:
        return
    if not gift or not all(product.is_kit for product, _ in wanted):
        raise Invalid("Only a gift of kits has a start day of its own.", code="no_gift", where="start_on")
    if start_on <= on:
        raise Invalid(
            f"A kit sent on {in_words(on)} cannot be started on {in_words(start_on)}: choose a later start or an "
            "earlier delivery.",
            code="starts_before_sent", where="start_on",
        )  # fmt: skip


def answered(offer: str) -> dict[str, str]:
    """What an event says of the offer that was answered; nothing where it was none."""
    return {"answers": offer} if offer else {}
