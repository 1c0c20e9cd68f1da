"""Orders: asked, placed, changed, cancelled.

One opens the desk (the books of all goods concerned are locked in a fixed order), asks line by line, and writes order,
shipment, lines and promises in one transaction.  A promise that cannot be made is no error: the order stands with what
could be promised, and every night asks again for what is missing.

After the cut-off a change needs somebody's leave, and its event says whose: staff give a reason (``because``), a
kitchen answers a shortage it was told of (``answers``, the offer's id; only ``services.shortages`` passes it).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db import transaction
from django.db.models import F

from fulfilment.core import codes
from fulfilment.core.calendar import in_words
from fulfilment.core.problems import Conflict, Invalid, Missing, Problem
from fulfilment.core.promises import Answer
from fulfilment.core.units import MAX_GRAMS, Goods, amount, packs_down
from fulfilment.models import (
    Address,
    Allocation,
    Buyer,
    Kitchen,
    Line,
    Order,
    Product,
    PromisePart,
    Shipment,
    StandingOrder,
    Way,
)
from fulfilment.models.states import SHIPMENT, move
from fulfilment.read.farm import today, weekdays
from fulfilment.read.terms import asked_pct
from fulfilment.services import events, jobs, mails, rows
from fulfilment.services.promising import Desk, Told, lower, open_desk, tell

FURTHEST_AHEAD = timedelta(days=366)
MOST_LINES = 50
MOST_KITS = 1000


@dataclass(frozen=True, slots=True)
class Asked:
    """One line as somebody asks for it: a product by its public id, grams (pieces for kits), the least that is
    taken.
    """

    product: str
    amount: int
    at_least: int = 0


@dataclass(frozen=True, slots=True)
class Offer:
    """What a line would be promised if it were placed now."""

    product: Product
    wanted: int
    asked_pct: int
    answer: Answer


def check(
    lines: Sequence[Asked],
    *,
    kitchen: str = "",
    buyer: str = "",
    on: date,
    below_chance: bool = False,
    because: str = "",
    now: datetime,
) -> tuple[Offer, ...]:
    """What would be promised, line by line as an order would be; nothing is kept and nobody is kept waiting.

    With neither a kitchen nor a buyer: what a buyer would be promised whom the farm does not know yet.
    """
    customer = _customer(kitchen=kitchen, buyer=buyer) if kitchen or buyer else Buyer()
    wanted = products(lines)
    desk = _desk(wanted, customer, now=now, lock=False)
    _check_day(desk, customer, on=on, now=now, leave=because)
    given = _ask(desk, wanted, customer, on=on, below_chance=below_chance)
    return tuple(
        Offer(product, line.amount, asked_pct(_sides(customer)[0], product), each)
        for (product, line), each in zip(wanted, given, strict=True)
    )


def place(
    lines: Sequence[Asked],
    *,
    kitchen: str = "",
    buyer: str = "",
    on: date,
    reference: str = "",
    way: str = "",
    address: int | None = None,
    gift: bool = False,
    greeting: str = "",
    below_chance: bool = False,
    because: str = "",
    answers: str = "",
    by: str,
    now: datetime,
) -> Order:
    """Place an order for a kitchen or a buyer and promise what can be promised.

    ``below_chance``: staff promise the full amounts knowingly, whatever their chance.  ``because`` or ``answers``: the
    leave to order after the cut-off.  Raises Invalid for a day, product or amount that cannot be, Conflict after the
    cut-off.
    """
    with transaction.atomic():
        customer = _customer(kitchen=kitchen, buyer=buyer)
        wanted = products(lines)
        desk = _desk(wanted, customer, now=now, lock=True)
        _check_day(desk, customer, on=on, now=now, leave=because or answers)
        return write(
            desk, wanted, customer, on=on, reference=reference, way=way, address=address, gift=gift, greeting=greeting,
            below_chance=below_chance, because=because, answers=answers, by=by, now=now,
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
    gift: bool = False,
    greeting: str = "",
    below_chance: bool = False,
    because: str = "",
    answers: str = "",
    standing_order: StandingOrder | None = None,
    by: str,
    now: datetime,
) -> Order:
    """Ask and write, with the books held by ``desk``; the caller has checked the day and holds the transaction."""
    kitchen, buyer = _sides(customer)
    offered = _ask(desk, wanted, customer, on=on, below_chance=below_chance)
    shipment = _shipment(desk, customer, on=on, way=way, address=address)
    order = Order.objects.create(
        kitchen=kitchen, buyer=buyer, standing_order=standing_order, on=on, reference=reference[:60], gift=gift,
        greeting=greeting[:300], placed_at=now, placed_by=by[:40],
    )  # fmt: skip
    written = Line.objects.bulk_create(
        [
            Line(order=order, shipment=shipment, number=number, product=product, price_minor=product.price_minor,
                 ordered=asked.amount, at_least=asked.at_least)
            for number, (product, asked) in enumerate(wanted, start=1)
        ]
    )  # fmt: skip
    tell(
        desk,
        [
            Told(
                line, asked.amount, asked_pct(_sides(customer)[0], product), given, below=given.why[0] == "below_chance"
            )
            for line, (product, asked), given in zip(written, wanted, offered, strict=True)
        ],
        by=by,
        now=now,
    )
    events.record(
        "order_placed", subject=order.public_id, by=by, at=now, kitchen=kitchen, buyer=buyer,
        data={"on": on.isoformat(), "because": because[:200], **_answers(answers), "lines": [
            {"product": product.public_id, "ordered": asked.amount, "promised": given.amount, "chance": given.chance}
            for (product, asked), given in zip(wanted, offered, strict=True)
        ]},
    )  # fmt: skip
    if standing_order is None:
        mails.queue(
            "order_received", kitchen=kitchen, buyer=buyer, subject={"order": order.pk},
            once=f"order_received:{order.public_id}", due_at=now, now=now,
        )  # fmt: skip
    _ask_for_plan(shipment, now=now)
    return order


def change_line(
    order: str,
    *,
    number: int,
    to: int,
    because: str = "",
    answers: str = "",
    below_chance: bool = False,
    by: str,
    now: datetime,
) -> Line:
    """Another amount for one line.  Less keeps the rank of what stays; more is asked anew, behind everybody else.

    After the cut-off only with leave (``because`` or ``answers``).  An answer lowers the line to what comes, be that
    whole packs or not.
    """
    with transaction.atomic():
        placed = rows.find(Order, order)
        customer = placed.kitchen or placed.buyer
        if customer is None:
            raise Missing("This order has no customer.")
        line = placed.lines.select_related("product").filter(number=number).first()
        if line is None:
            raise Missing(f"Order {placed.public_id} has no line {number}.", where="number")
        product = line.product
        unit = _unit(product)
        if answers:
            amount(to, where="amount", at_most=line.ordered, unit=unit)
        else:
            check_amount(product, to, where="amount")
        desk = _desk([(product, Asked(product.public_id, to))], customer, now=now, lock=True)
        shipment = _held_shipment(line.shipment_id, now=now, leave=because or answers)
        line = Line.objects.select_for_update(no_key=True).select_related("product").get(pk=line.pk)
        if line.cancelled_at is not None:
            raise Conflict(f"Line {number} of order {placed.public_id} was cancelled.", code="cancelled")
        if to < line.picked:
            raise Conflict(
                f"{line.picked} {unit} of this line are picked already: not fewer than that can be ordered now.",
                code="already_picked", where="amount", picked=line.picked,
            )  # fmt: skip
        before = line.ordered
        parts = list(PromisePart.objects.filter(promise=line.promise_id).select_related("book"))
        promised = sum(part.amount for part in parts)
        kept = _as_allocated(line, parts, to=to) if answers else []
        kept = kept or lower(parts, to=min(to, promised))
        held = sum(part for _, part in kept)
        given = None
        if to > held:
            given = desk.ask(
                product, kitchen=placed.kitchen, on=placed.on, wanted=to - held, below_chance=below_chance,
            )  # fmt: skip
        line.ordered, line.at_least = to, min(line.at_least, to)
        Line.objects.filter(pk=line.pk).update(
            ordered=to, at_least=line.at_least, promised=min(line.promised, to), version=F("version") + 1
        )
        tell(
            desk,
            [Told(line, to, asked_pct(_sides(customer)[0], product), given, kept=kept, below=below_chance)],
            by=by,
            now=now,
        )
        Order.objects.filter(pk=placed.pk).update(version=F("version") + 1)
        events.record(
            "line_changed", subject=placed.public_id, by=by, at=now, kitchen=placed.kitchen, buyer=placed.buyer,
            data={"line": number, "before": before, "after": to, "promised": line.promised, "because": because[:200],
                  **_answers(answers)},
        )  # fmt: skip
        _ask_for_plan(shipment, now=now)
    return Line.objects.select_related("product", "promise", "order").get(pk=line.pk)


def drop_line(order: str, *, number: int, because: str = "", answers: str = "", by: str, now: datetime) -> Order:
    """Cancel one line; the last one takes its order with it.  After the cut-off only with leave."""
    with transaction.atomic():
        placed = _locked_with_books(order, now=now)
        if not placed.lines.filter(number=number).exists():
            raise Missing(f"Order {placed.public_id} has no line {number}.", where="number")
        _cancel_lines(placed, numbers={number}, leave=because or answers, now=now)
        gone = not placed.lines.filter(cancelled_at__isnull=True).exists()
        Order.objects.filter(pk=placed.pk).update(version=F("version") + 1, cancelled_at=now if gone else None)
        events.record(
            "line_dropped", subject=placed.public_id, by=by, at=now, kitchen=placed.kitchen, buyer=placed.buyer,
            data={"line": number, "because": because[:200], **_answers(answers)},
        )  # fmt: skip
    return rows.find(Order, order)


def cancel(order: str, *, because: str = "", by: str, now: datetime) -> Order:
    """Cancel what is not yet sent of an order; what was promised of it is free at once.

    After the cut-off only with staff's reason.  Picked lines must be undone first.
    """
    with transaction.atomic():
        placed = _locked_with_books(order, now=now)
        if placed.cancelled_at is not None:
            return placed
        _cancel_lines(placed, numbers=None, leave=because, now=now)
        Order.objects.filter(pk=placed.pk).update(cancelled_at=now, version=F("version") + 1)
        events.record(
            "order_cancelled", subject=placed.public_id, by=by, at=now, kitchen=placed.kitchen, buyer=placed.buyer,
            data={"because": because[:200]},
        )  # fmt: skip
    return rows.find(Order, order)


def _locked_with_books(order: str, *, now: datetime) -> Order:
    """The order, locked, and before it the books of all its lines: whoever changes a line takes them in this order."""
    placed = rows.find(Order, order)
    goods = [Goods(strain, grade) for strain, grade in placed.lines.values_list("product__strain", "product__grade")]
    open_desk(goods, today=today(now), kitchens=[placed.kitchen_id] if placed.kitchen_id else [], lock=True)
    return rows.lock(Order, order)


def _cancel_lines(placed: Order, *, numbers: set[int] | None, leave: str, now: datetime) -> None:
    """Cancel these lines (None: all), and each shipment that is left without any; the books are held."""
    lines = list(placed.lines.filter(cancelled_at__isnull=True))
    lines = [line for line in lines if numbers is None or line.number in numbers]
    for shipment_id in sorted({line.shipment_id for line in lines}):
        shipment = _held_shipment(shipment_id, now=now, leave=leave)
        mine = [line.pk for line in lines if line.shipment_id == shipment_id]
        if Line.objects.select_for_update(no_key=True).filter(pk__in=mine, picked__gt=0).exists():
            raise Conflict(
                "Some of this is packed already: undo its picks first, then cancel it.", code="already_picked"
            )
        Allocation.objects.filter(line__in=mine).delete()
        Line.objects.filter(pk__in=mine).update(cancelled_at=now, allocated=0, version=F("version") + 1)
        if not Line.objects.filter(shipment=shipment, cancelled_at__isnull=True).exists():
            state = move(SHIPMENT, shipment.state, Shipment.State.CANCELLED, what="shipment")
            Shipment.objects.filter(pk=shipment.pk).update(state=state, version=F("version") + 1)
        _ask_for_plan(shipment, now=now)


def _answers(offer: str) -> dict[str, str]:
    """What an event says of the offer that was answered; nothing where it was none."""
    return {"answers": offer} if offer else {}


def _as_allocated(line: Line, parts: Sequence[PromisePart], *, to: int) -> list[tuple[PromisePart, int]]:
    """The parts lowered to what comes of each one's goods; none where what comes is not what was promised of them."""
    coming = {Goods(line.product.strain_id, line.product.grade): line.picked}
    for row in line.allocations.all():
        goods = Goods(row.strain_id, row.grade)
        coming[goods] = coming.get(goods, 0) + row.amount
    kept = []
    for part in sorted(parts, key=lambda part: (part.rank_id, part.pk)):
        goods = Goods(part.book.strain_id, part.book.grade)
        stays = min(part.amount, coming.get(goods, 0))
        coming[goods] = coming.get(goods, 0) - stays
        kept.append((part, stays))
    return kept if sum(stays for _, stays in kept) == to else []


def _ask_for_plan(shipment: Shipment, *, now: datetime) -> None:
    jobs.add("replan", due_at=now)
    if now >= shipment.cut_off_at:
        jobs.add("freeze", subject=shipment.on.isoformat(), due_at=now)


def _customer(*, kitchen: str, buyer: str) -> Kitchen | Buyer:
    if bool(kitchen) == bool(buyer):
        raise Invalid("An order is one kitchen's or one buyer's: name exactly one.", where="kitchen")
    if kitchen:
        found = rows.find(Kitchen, kitchen, where="kitchen")
        if not found.active:
            raise Conflict(
                "This kitchen is no longer supplied: make it active first.", code="inactive", where="kitchen"
            )
        return found
    bought = rows.find(Buyer, buyer, where="buyer")
    if bought.erased_at is not None:
        raise Missing("There is no such buyer.", where="buyer")
    return bought


def _sides(customer: Kitchen | Buyer) -> tuple[Kitchen | None, Buyer | None]:
    return (customer, None) if isinstance(customer, Kitchen) else (None, customer)


def products(lines: Sequence[Asked]) -> list[tuple[Product, Asked]]:
    """Each asked line with its product; raises Invalid with the line's path."""
    if not lines:
        raise Invalid("An order needs at least one line.", code="no_lines", where="lines")
    if len(lines) > MOST_LINES:
        raise Invalid(f"An order holds at most {MOST_LINES} lines.", code="too_many_lines", where="lines")
    known = {p.public_id: p for p in Product.objects.filter(public_id__in=[codes.tidy(line.product) for line in lines])}
    found: list[tuple[Product, Asked]] = []
    for place_, line in enumerate(lines):
        try:
            product = known.get(codes.tidy(line.product))
            if product is None:
                raise Invalid(f"There is no product {line.product[:20]!r}.", code="unknown_product", where="product")
            if not product.active:
                raise Invalid(f"{product.name} is not sold at present.", code="inactive_product", where="product")
            if any(product == other for other, _ in found):
                raise Invalid(
                    f"{product.name} is named twice: add the two lines up.", code="named_twice", where="product"
                )
            check_amount(product, line.amount, where="amount")
            amount(line.at_least, where="at_least", at_least=0, at_most=line.amount, unit=_unit(product))
        except Problem as problem:
            raise problem.at(f"lines.{place_}") from None
        found.append((product, line))
    return found


def check_amount(product: Product, quantity: int, *, where: str) -> None:
    """Raises Invalid for an amount that is no whole number of packs, or out of all bounds."""
    amount(quantity, where=where, at_most=MOST_KITS if product.is_kit else MAX_GRAMS, unit=_unit(product))
    if quantity % product.pack:
        below = packs_down(quantity, pack=product.pack)
        near = f"{below} or {below + product.pack}" if below else f"{product.pack}"
        raise Invalid(
            f"{product.name} comes in packs of {product.pack} g: order {near} g, not {quantity} g.",
            code="not_whole_packs", where=where, pack=product.pack,
        )  # fmt: skip


def _unit(product: Product) -> str:
    return "pieces" if product.is_kit else "grams"


def _desk(wanted: Sequence[tuple[Product, Asked]], customer: Kitchen | Buyer, *, now: datetime, lock: bool) -> Desk:
    kitchens = [customer.pk] if isinstance(customer, Kitchen) else []
    goods = [Goods(product.strain_id, product.grade) for product, _ in wanted]
    return open_desk(goods, today=today(now), kitchens=kitchens, lock=lock)


def _check_day(desk: Desk, customer: Kitchen | Buyer, *, on: date, now: datetime, leave: str) -> None:
    own = weekdays(customer) if isinstance(customer, Kitchen) else None
    if on > desk.today + FURTHEST_AHEAD:
        raise Invalid(f"{in_words(on)} is more than a year ahead.", code="too_far_ahead", where="on")
    try:
        desk.terms.calendar.check_delivery(on, now=now, weekdays=own, where="on")
    except Conflict:
        if not leave.strip():
            raise


def _ask(
    desk: Desk,
    wanted: Sequence[tuple[Product, Asked]],
    customer: Kitchen | Buyer,
    *,
    on: date,
    below_chance: bool = False,
) -> list[Answer]:
    kitchen, _ = _sides(customer)
    answers = []
    for product, asked in wanted:
        given = desk.ask(
            product, kitchen=kitchen, on=on, wanted=asked.amount, at_least=asked.at_least, below_chance=below_chance
        )
        desk.reserve(given)
        answers.append(given)
    return answers


def _shipment(desk: Desk, customer: Kitchen | Buyer, *, on: date, way: str, address: int | None) -> Shipment:
    """The shipment of this customer's address, date and way that can still be joined, or a new one."""
    kitchen, buyer = _sides(customer)
    chosen = way or (Way.ROUND if kitchen is not None else Way.CARRIER)
    if chosen not in Way.values:
        raise Invalid(f"There is no way {way[:20]!r}: round, carrier or collected.", code="unknown_way", where="way")
    if buyer is not None and chosen == Way.ROUND:
        raise Invalid("A buyer's kits go by carrier or are collected.", code="unknown_way", where="way")
    where = Address.objects.filter(kitchen=kitchen, buyer=buyer).order_by("pk")
    if address is not None:
        where = where.filter(pk=address)
    found = where.first()
    if found is None:
        raise Invalid("There is no such address of this customer: add one first.", code="no_address", where="address")
    open_one = (
        Shipment.objects.select_for_update(no_key=True).filter(address=found, on=on, way=chosen, state="placed").first()
    )
    return open_one or Shipment.objects.create(
        kitchen=kitchen, buyer=buyer, address=found, on=on, way=chosen, cut_off_at=desk.terms.calendar.cut_off_at(on)
    )


def _held_shipment(pk: int, *, now: datetime, leave: str) -> Shipment:
    """The shipment, locked, if its lines may still be changed by whoever asks: after its cut-off only with leave."""
    shipment = Shipment.objects.select_for_update(no_key=True).get(pk=pk)
    if shipment.state not in ("placed", "packed"):
        raise Conflict(
            f"This went out already (it is {shipment.state}): it can no longer be changed.",
            code="wrong_state", state=shipment.state,
        )  # fmt: skip
    if now >= shipment.cut_off_at and not leave.strip():
        raise Conflict(
            f"The cut-off for {in_words(shipment.on)} is past: please call the farm.",
            code="past_cut_off", cut_off_at=shipment.cut_off_at.isoformat(),
        )  # fmt: skip
    return shipment
