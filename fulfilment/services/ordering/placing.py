"""An order is placed: its lines are asked, written and promised in one transaction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.db import transaction

from fulfilment.core.calendar import in_words
from fulfilment.core.problems import Invalid
from fulfilment.core.promises import Answer
from fulfilment.models import Line, Order, Product, PromisePart, Purchase, Shipment, StandingOrder
from fulfilment.read.terms import asked_pct
from fulfilment.services import events, mails
from fulfilment.services.ordering.asking import ask, check_day
from fulfilment.services.ordering.shipments import ask_for_plan, begin_shipment
from fulfilment.services.ordering.taking import Taking, take
from fulfilment.services.ordering.wanted import Asked, free_text, sides
from fulfilment.services.promising import Told, tell_new


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """How an order is wanted, besides for whom and what.

    ``address`` is a row of the customer's, the first where none is named.  ``start_on`` is the day on which a gift is
    to be started: its kits keep until then.  ``below_chance``: staff promise the full amounts knowingly, whatever their
    chance.  ``because`` or ``answers``: the leave to order after the cut-off.
    """

    on: date
    reference: str = ""
    way: str = ""
    address: int | None = None
    note: str = ""
    gift: bool = False
    greeting: str = ""
    start_on: date | None = None
    purchase: Purchase | None = None
    below_chance: bool = False
    because: str = ""
    answers: str = ""
    standing_order: StandingOrder | None = None
    standing_on: date | None = None


@dataclass(frozen=True, slots=True)
class Placed:
    """An order as it was just written, and what it was written from."""

    order: Order
    lines: Sequence[Line]
    parts: Sequence[PromisePart]
    taken: Taking


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
    """Place an order for a kitchen or a buyer and promise what can be promised, as :class:`Wish` says."""
    wish = Wish(
        on=on, reference=reference, way=way, address=address, note=note, gift=gift, greeting=greeting,
        start_on=start_on, purchase=purchase, below_chance=below_chance, because=because, answers=answers,
    )  # fmt: skip
    return accept(lines, wish, kitchen=kitchen, buyer=buyer, by=by, now=now).order


def accept(lines: Sequence[Asked], wish: Wish, *, kitchen: str = "", buyer: str = "", by: str, now: datetime) -> Placed:
    """The same, for a caller that tells what was written.

    Raises Invalid for a day, product or amount that cannot be, Conflict after the cut-off.
    """
    with transaction.atomic():
        taken = take(lines, kitchen=kitchen, buyer=buyer, on=wish.on, way=wish.way, address=wish.address, now=now)
        check_day(taken.desk, taken.customer, on=wish.on, now=now, leave=wish.because or wish.answers)
        _check_start(taken.wanted, wish)
        return write(taken, wish, by=by, now=now)


def write(taken: Taking, wish: Wish, *, by: str, now: datetime) -> Placed:
    """Ask and write, with the books held; the caller has checked the day and holds the transaction."""
    desk, (kitchen, buyer) = taken.desk, sides(taken.customer)
    offered = ask(
        desk, taken.wanted, taken.customer, on=wish.on, keeps_until=wish.start_on, below_chance=wish.below_chance
    )
    shipment = taken.shipment or begin_shipment(
        desk.terms.calendar, taken.customer, on=wish.on, way=taken.way, address=taken.address
    )
    order = Order.objects.create(
        kitchen=kitchen, buyer=buyer, standing_order=wish.standing_order, standing_on=wish.standing_on,
        purchase=wish.purchase, on=wish.on, reference=wish.reference[:60], note=free_text(wish.note, where="note"),
        gift=wish.gift, greeting=free_text(wish.greeting, where="greeting"), start_on=wish.start_on, placed_at=now,
        placed_by=by[:40],
    )  # fmt: skip
    told = new_lines(order, shipment, taken.wanted, offered, prices=taken.prices)
    parts = tell_new(desk, told, drawn=taken.drawn, by=by, now=now)
    events.record(
        "order_placed", subject=order.public_id, by=by, at=now, kitchen=kitchen, buyer=buyer,
        data={
            "on": wish.on.isoformat(), "because": wish.because[:200], **answered(wish.answers), "lines": in_event(told),
        },
        may_be_told=taken.told,
    )  # fmt: skip
    if wish.standing_order is None:
        mails.leave(
            "order_received", kitchen=kitchen, buyer=buyer, subject={"order": order.pk},
            once=f"order_received:{order.public_id}", due_at=now,
        )  # fmt: skip
    ask_for_plan(shipment, now=now)
    return Placed(order, [each.line for each in told], parts, taken)


def new_lines(
    order: Order,
    shipment: Shipment,
    wanted: Sequence[tuple[Product, Asked]],
    offered: Sequence[Answer],
    *,
    prices: Mapping[int, int],
    after: int = 0,
) -> list[Told]:
    """The lines to write, numbered on from ``after``, with what each is told."""
    return [
        Told(
            Line(
                order=order, shipment=shipment, number=number, product=product, price_minor=prices[product.pk],
                ordered=asked.amount, at_least=asked.at_least,
            ),
            asked.amount,
            asked_pct(order.kitchen, product),
            given,
            below=given.why[0] == "below_chance",
        )
        for number, ((product, asked), given) in enumerate(zip(wanted, offered, strict=True), start=after + 1)
    ]  # fmt: skip


def in_event(told: Sequence[Told]) -> list[dict[str, object]]:
    """What an event says of new lines."""
    return [
        {
            "product": each.line.product.public_id, "ordered": each.line.ordered, "promised": each.line.promised,
            "chance": each.line.chance_pct,
        }
        for each in told
    ]  # fmt: skip


def _check_start(wanted: Sequence[tuple[Product, Asked]], wish: Wish) -> None:
    """A start day of its own is a gift's of kits, after they have been sent."""
    if wish.start_on is None:
        return
    if not wish.gift or not all(product.is_kit for product, _ in wanted):
        raise Invalid("Only a gift of kits has a start day of its own.", code="no_gift", where="start_on")
    if wish.start_on <= wish.on:
        raise Invalid(
            f"A kit sent on {in_words(wish.on)} cannot be started on {in_words(wish.start_on)}: choose a later start "
            "or an earlier delivery.",
            code="starts_before_sent", where="start_on",
        )  # fmt: skip


def answered(offer: str) -> dict[str, str]:
    """What an event says of the offer that was answered; nothing where it was none."""
    return {"answers": offer} if offer else {}
