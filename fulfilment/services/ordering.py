"""Orders: asked, placed, changed, cancelled.

One opens the desk (the books of all goods concerned are locked in a fixed order), asks line by line, and writes order,
shipment, lines and promises in one transaction.  A promise that cannot be made is no error: the order stands with what
could be promised, and every night asks again for what is missing.

After the cut-off a change needs somebody's leave, and its event says whose: staff give a reason (``because``), a
kitchen answers a shortage it was told of (``answers``, the offer's id; only ``services.shortages`` passes it).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TypedDict

from django.db import transaction
from django.db.models import F

from fulfilment.core import codes
from fulfilment.core.calendar import FarmCalendar, in_words
from fulfilment.core.problems import Conflict, Invalid, Missing, Problem
from fulfilment.core.promises import Answer
from fulfilment.core.units import MAX_GRAMS, Goods, amount, packs_down
from fulfilment.models import (
    Address,
    AgreedPrice,
    Allocation,
    Buyer,
    Change,
    Kitchen,
    Line,
    Order,
    Product,
    PromisePart,
    Purchase,
    Shipment,
    StandingOrder,
    Way,
)
from fulfilment.models.states import SHIPMENT, move
from fulfilment.read.farm import calendar, farm, today, weekdays
from fulfilment.read.terms import asked_pct
from fulfilment.services import events, jobs, mails, rows
from fulfilment.services.given import text
from fulfilment.services.promising import Desk, Told, lower, open_desk, tell

FURTHEST_AHEAD = timedelta(days=366)
LONGEST_WINDOW = timedelta(days=62)
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


@dataclass(frozen=True, slots=True)
class Available:
    """So many kits of a product can be promised for a delivery day, if nothing else is ordered meanwhile."""

    product: Product
    on: date
    cut_off_at: datetime
    units: int


def available(kits: Sequence[Product], *, first: date, last: date, now: datetime) -> tuple[Available, ...]:
    """What a buyer can be promised of each kit, by the delivery days from ``first`` to ``last`` that are still open.

    Each day's number stands by itself: kits sold for one day are gone from the others.
    """
    if not kits:
        return ()
    goods = [Goods(product.strain_id, product.grade) for product in kits]
    desk = open_desk(goods, today=today(now), lock=False)
    return tuple(
        Available(product, on, desk.terms.calendar.cut_off_at(on), given.amount)
        for on in open_days(desk.terms.calendar, first=first, last=last, now=now)
        for product in kits
        for given in [desk.ask(product, kitchen=None, on=on, wanted=MOST_KITS, later=False)]
    )


def check_ahead(on: date, *, today: date, where: str) -> None:
    """Raises Invalid for a day that nobody plans for yet."""
    if on > today + FURTHEST_AHEAD:
        raise Invalid(f"{in_words(on)} is more than a year ahead.", code="too_far_ahead", where=where)


def open_days(own: FarmCalendar, *, first: date, last: date, now: datetime) -> list[date]:
    """The delivery days from ``first`` to ``last`` that can still be ordered for."""
    days = (first + timedelta(days=n) for n in range((last - first).days + 1))
    return [on for on in days if own.is_delivery_day(on) and now < own.cut_off_at(on)]


def best_day(
    lines: Sequence[Asked], *, buyer: str, first: date, last: date, start_on: date | None = None, now: datetime
) -> date:
    """The first delivery day in these on which all of it can be promised to a buyer; else the one with most of it."""
    customer = _customer(kitchen="", buyer=buyer)
    wanted = products(lines)
    desk = _desk(wanted, customer, now=now, lock=True)
    check_ahead(first, today=desk.today, where="ships_from")
    if last - first > LONGEST_WINDOW:
        raise Invalid(
            f"A kit is sent within {LONGEST_WINDOW.days} days of the first that is good: give an earlier last day.",
            code="window_too_long", where="ships_until",
        )  # fmt: skip
    days = open_days(desk.terms.calendar, first=max(first, desk.today), last=last, now=now)
    days = [on for on in days if start_on is None or on < start_on]
    if not days:
        raise Invalid(
            f"From {in_words(first)} to {in_words(last)} there is no delivery day that can still be ordered for"
            f"{' before the start day' if start_on is not None else ''}.",
            code="no_delivery_day", where="ships_until",
        )  # fmt: skip

    def promised(on: date) -> int:
        return sum(
            desk.ask(product, kitchen=None, on=on, wanted=asked.amount, keeps_until=start_on, later=False).amount
            for product, asked in wanted
        )

    whole = sum(asked.amount for _, asked in wanted)
    best, most = days[0], -1
    for on in days:
        there = promised(on)
        if there == whole:
            return on
        if there > most:
            best, most = on, there
    return best


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
        customer = _customer(kitchen=kitchen, buyer=buyer)
        wanted = products(lines)
        desk = _desk(wanted, customer, now=now, lock=True)
        _check_day(desk, customer, on=on, now=now, leave=because or answers)
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
    kitchen, buyer = _sides(customer)
    offered = _ask(desk, wanted, customer, on=on, keeps_until=start_on, below_chance=below_chance)
    shipment = _shipment(desk.terms.calendar, customer, on=on, way=way, address=address)
    order = Order.objects.create(
        kitchen=kitchen, buyer=buyer, standing_order=standing_order, standing_on=standing_on, purchase=purchase, on=on,
        reference=reference[:60], note=_text(note, where="note"), gift=gift,
        greeting=_text(greeting, where="greeting"), start_on=start_on, placed_at=now, placed_by=by[:40],
    )  # fmt: skip
    told = _write_lines(desk, order, shipment, wanted, offered, after=0, by=by, now=now)
    events.record(
        "order_placed", subject=order.public_id, by=by, at=now, kitchen=kitchen, buyer=buyer,
        data={"on": on.isoformat(), "because": because[:200], **_answers(answers), "lines": told},
    )  # fmt: skip
    if standing_order is None:
        mails.queue(
            "order_received", kitchen=kitchen, buyer=buyer, subject={"order": order.pk},
            once=f"order_received:{order.public_id}", due_at=now, now=now,
        )  # fmt: skip
    _ask_for_plan(shipment, now=now)
    return order


def _write_lines(
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


def add_lines(
    order: str,
    lines: Sequence[Asked],
    *,
    because: str = "",
    below_chance: bool = False,
    by: str,
    now: datetime,
) -> Order:
    """More products on an order that stands; each is asked anew, behind everybody else.

    After the cut-off only with staff's reason.
    """
    with transaction.atomic():
        placed = rows.find(Order, order)
        customer = _customer_of(placed)
        wanted = products(lines)
        desk = _desk(wanted, customer, now=now, lock=True)
        placed = _standing_still(rows.lock(Order, order))
        there = list(placed.lines.select_related("product"))
        live = [line for line in there if line.cancelled_at is None]
        _check_new(wanted, live)
        shipment = _held_shipment(live[0].shipment_id, now=now, leave=because)
        offered = _ask(
            desk, wanted, customer, on=placed.on, keeps_until=placed.start_on, below_chance=below_chance
        )  # fmt: skip
        told = _write_lines(
            desk, placed, shipment, wanted, offered, after=max(line.number for line in there), by=by, now=now
        )  # fmt: skip
        Order.objects.filter(pk=placed.pk).update(version=F("version") + 1)
        events.record(
            "lines_added", subject=placed.public_id, by=by, at=now, kitchen=placed.kitchen, buyer=placed.buyer,
            data={"lines": told, "because": because[:200]},
        )  # fmt: skip
        _ask_for_plan(shipment, now=now)
    return rows.find(Order, order)


class Amendments(TypedDict, total=False):
    """What can be changed of an order that stands; ``lines`` is the whole list, ``address`` a row of the customer's."""

    reference: str
    note: str
    greeting: str
    way: str
    address: int
    lines: Sequence[Asked]


def hold(order: str, more: Sequence[Asked] = (), *, now: datetime) -> Order:
    """The order, locked after the books of its goods and of those that may come to it."""
    placed = rows.find(Order, order)
    coming = [product for product, _ in products(more, known=_on_it(placed))] if more else []
    _open(placed, coming, now=now)
    return rows.lock(Order, order)


def amend(order: str, changes: Amendments, *, because: str = "", by: str, now: datetime) -> Order:
    """Change an order as a whole: its lines, where and how it goes, what is said with it.

    After the cut-off only with staff's reason, and then no longer where it goes: its lists are made.
    """
    with transaction.atomic():
        placed = _standing_still(hold(order, changes.get("lines", ()), now=now))
        live = placed.lines.filter(cancelled_at__isnull=True)
        shipments = [
            _held_shipment(pk, now=now, leave=because) for pk in sorted(set(live.values_list("shipment_id", flat=True)))
        ]
        fields: dict[str, str] = {}
        if "reference" in changes:
            fields["reference"] = text(changes["reference"], where="reference", at_most=60, required=False)
        for name in ("note", "greeting"):
            if name in changes:
                fields[name] = _text(changes[name], where=name)
        fields = {name: value for name, value in fields.items() if getattr(placed, name) != value}
        moved = _move_shipments(placed, shipments, changes, now=now)
        if fields or moved:
            Order.objects.filter(pk=placed.pk).update(**fields, version=F("version") + 1)
            events.record(
                "order_changed", subject=placed.public_id, by=by, at=now, kitchen=placed.kitchen, buyer=placed.buyer,
                data={"fields": sorted([*fields, *(["delivery"] if moved else [])]), "because": because[:200]},
            )  # fmt: skip
        if "lines" in changes:
            set_lines(order, changes["lines"], because=because, by=by, now=now)
    return rows.find(Order, order)


def _move_shipments(placed: Order, shipments: Sequence[Shipment], changes: Amendments, *, now: datetime) -> bool:
    """Take an order's lines to another address, or another way; says whether any moved."""
    if "way" not in changes and "address" not in changes:
        return False
    moved = False
    for old in shipments:
        new = _shipment(
            calendar(farm()), _customer_of(placed), on=placed.on, way=changes.get("way", old.way),
            address=changes.get("address", old.address_id),
        )  # fmt: skip
        if new.pk == old.pk:
            continue
        if now >= old.cut_off_at or old.state != Shipment.State.PLACED:
            raise Conflict(
                f"The cut-off for {in_words(old.on)} is past: where it goes can no longer be changed.",
                code="past_cut_off", where="address" if "address" in changes else "way",
            )  # fmt: skip
        Line.objects.filter(order=placed, shipment=old).update(shipment=new, version=F("version") + 1)
        if not Line.objects.filter(shipment=old, cancelled_at__isnull=True).exists():
            state = move(SHIPMENT, old.state, Shipment.State.CANCELLED, what="shipment")
            Shipment.objects.filter(pk=old.pk).update(state=state, version=F("version") + 1)
        _ask_for_plan(new, now=now)
        moved = True
    return moved


def set_lines(order: str, lines: Sequence[Asked], *, because: str = "", by: str, now: datetime) -> Order:
    """The whole list of what is wanted now: amounts are changed, what is not named is dropped, what is new is added.

    A line that stays as it is keeps its promise, and one that is lowered its rank.
    """
    with transaction.atomic():
        placed = rows.find(Order, order)
        wanted = {product.pk: (product, asked) for product, asked in products(lines, known=_on_it(placed))}
        # All books at once and before the order, so that two who change it cannot wait for each other.
        _open(placed, [product for product, _ in wanted.values()], now=now)
        placed = _standing_still(rows.lock(Order, order))
        live = {line.product_id: line for line in placed.lines.filter(cancelled_at__isnull=True)}
        added = [asked for pk, (_, asked) in wanted.items() if pk not in live]
        if added:
            add_lines(order, added, because=because, by=by, now=now)
        for pk, line in live.items():
            asked = wanted[pk][1] if pk in wanted else None
            if asked is None:
                drop_line(order, number=line.number, because=because, by=by, now=now)
            elif (asked.amount, asked.at_least) != (line.ordered, line.at_least):
                change_line(
                    order, number=line.number, to=asked.amount, at_least=asked.at_least, because=because, by=by,
                    now=now,
                )  # fmt: skip
    return rows.find(Order, order)


def change_line(
    order: str,
    *,
    number: int,
    to: int,
    at_least: int | None = None,
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
        customer = _customer_of(placed)
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
                product, kitchen=placed.kitchen, on=placed.on, wanted=to - held, keeps_until=placed.start_on,
                below_chance=below_chance,
            )  # fmt: skip
        line.ordered, line.at_least = to, min(line.at_least if at_least is None else at_least, to)
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


def drop_line(
    order: str, *, number: int, because: str = "", answers: str = "", for_good: bool = True, by: str, now: datetime
) -> Order:
    """Cancel one line; the last one takes its order with it (``for_good`` as in :func:`cancel`).

    After the cut-off only with leave.
    """
    with transaction.atomic():
        placed = _locked_with_books(order, now=now)
        if not placed.lines.filter(number=number).exists():
            raise Missing(f"Order {placed.public_id} has no line {number}.", where="number")
        _cancel_lines(placed, numbers={number}, leave=because or answers, now=now)
        gone = not placed.lines.filter(cancelled_at__isnull=True).exists()
        Order.objects.filter(pk=placed.pk).update(version=F("version") + 1, cancelled_at=now if gone else None)
        if gone and for_good:
            _stay_away(placed, by=by, now=now)
        events.record(
            "line_dropped", subject=placed.public_id, by=by, at=now, kitchen=placed.kitchen, buyer=placed.buyer,
            data={"line": number, "because": because[:200], **_answers(answers)},
        )  # fmt: skip
    return rows.find(Order, order)


def cancel(order: str, *, because: str = "", for_good: bool = True, by: str, now: datetime) -> Order:
    """Cancel what is not yet sent of an order; what was promised of it is free at once.

    After the cut-off only with staff's reason.  Picked lines must be undone first.  ``for_good``: the date of a
    standing order is skipped with it, so that no night makes it again.
    """
    with transaction.atomic():
        placed = _locked_with_books(order, now=now)
        if placed.cancelled_at is not None:
            return placed
        _cancel_lines(placed, numbers=None, leave=because, now=now)
        Order.objects.filter(pk=placed.pk).update(cancelled_at=now, version=F("version") + 1)
        if for_good:
            _stay_away(placed, by=by, now=now)
        events.record(
            "order_cancelled", subject=placed.public_id, by=by, at=now, kitchen=placed.kitchen, buyer=placed.buyer,
            data={"because": because[:200]},
        )  # fmt: skip
    return rows.find(Order, order)


def _locked_with_books(order: str, *, now: datetime) -> Order:
    """The order, locked, and before it the books of all its lines: whoever changes a line takes them in this order."""
    _open(rows.find(Order, order), (), now=now)
    return rows.lock(Order, order)


def _open(placed: Order, more: Sequence[Product], *, now: datetime) -> Desk:
    """The desk for all lines of an order, and for what may come to it, with its books held."""
    goods = [Goods(strain, grade) for strain, grade in placed.lines.values_list("product__strain", "product__grade")]
    goods += [Goods(product.strain_id, product.grade) for product in more]
    return open_desk(goods, today=today(now), kitchens=[placed.kitchen_id] if placed.kitchen_id else [], lock=True)


def _stay_away(placed: Order, *, by: str, now: datetime) -> None:
    """The date of a standing order whose order somebody cancelled is skipped, so that it is not made again.

    Not where the day was closed: when it is opened again, the date comes back.
    """
    if placed.standing_order_id is None or placed.standing_on is None or placed.kitchen is None:
        return
    if not calendar(farm()).is_delivery_day(placed.on, weekdays=weekdays(placed.kitchen)):
        return
    Change.objects.create(
        standing_order_id=placed.standing_order_id, kind=Change.Kind.SKIP, first_on=placed.standing_on,
        last_on=placed.standing_on, at=now, by=by[:40],
    )  # fmt: skip
    StandingOrder.objects.filter(pk=placed.standing_order_id).update(version=F("version") + 1)


def _customer_of(placed: Order) -> Kitchen | Buyer:
    customer = placed.kitchen or placed.buyer
    if customer is None:
        raise Missing("This order has no customer.")
    return customer


def _standing_still(placed: Order) -> Order:
    """The order, unless it was cancelled."""
    if placed.cancelled_at is not None:
        raise Conflict(f"Order {placed.public_id} was cancelled: place a new one instead.", code="cancelled")
    return placed


def _check_new(wanted: Sequence[tuple[Product, Asked]], live: Sequence[Line]) -> None:
    """None of these is on the order yet, and they are not too many."""
    if len(live) + len(wanted) > MOST_LINES:
        raise Invalid(f"An order holds at most {MOST_LINES} lines.", code="too_many_lines", where="lines")
    there = {line.product_id: line.number for line in live}
    for place_, (product, _) in enumerate(wanted):
        if product.pk in there:
            raise Conflict(
                f"{product.name} is line {there[product.pk]} of this order: change its amount instead.",
                code="line_there", where=f"lines.{place_}.product",
            )  # fmt: skip


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


def _text(value: str, *, where: str) -> str:
    return text(value, where=where, at_most=300, required=False)


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


def prices(kitchen_id: int | None, wanted: Sequence[Product]) -> dict[int, int]:
    """Product → what this kitchen pays for it in minor units, per kilo or per kit: as agreed, else everybody's."""
    found = {product.pk: product.price_minor for product in wanted}
    if kitchen_id is not None:
        agreed = AgreedPrice.objects.filter(kitchen=kitchen_id, product__in=wanted)
        found |= dict(agreed.values_list("product_id", "price_minor"))
    return found


def _on_it(placed: Order) -> frozenset[int]:
    """The products on an order, which stay good for it when they are no longer sold."""
    return frozenset(placed.lines.filter(cancelled_at__isnull=True).values_list("product_id", flat=True))


def products(lines: Sequence[Asked], *, known: Collection[int] = ()) -> list[tuple[Product, Asked]]:
    """Each asked line with its product; raises Invalid with the line's path.

    ``known`` are the keys of products that may be named though they are not sold at present.
    """
    if not lines:
        raise Invalid("An order needs at least one line.", code="no_lines", where="lines")
    if len(lines) > MOST_LINES:
        raise Invalid(f"An order holds at most {MOST_LINES} lines.", code="too_many_lines", where="lines")
    there = {p.public_id: p for p in Product.objects.filter(public_id__in=[codes.tidy(line.product) for line in lines])}
    found: list[tuple[Product, Asked]] = []
    for place_, line in enumerate(lines):
        try:
            product = there.get(codes.tidy(line.product))
            if product is None:
                raise Invalid(f"There is no product {line.product[:20]!r}.", code="unknown_product", where="product")
            if not product.active and product.pk not in known:
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
    check_ahead(on, today=desk.today, where="on")
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
    keeps_until: date | None = None,
    below_chance: bool = False,
) -> list[Answer]:
    kitchen, _ = _sides(customer)
    answers = []
    for product, asked in wanted:
        given = desk.ask(
            product, kitchen=kitchen, on=on, wanted=asked.amount, at_least=asked.at_least, keeps_until=keeps_until,
            below_chance=below_chance,
        )  # fmt: skip
        desk.reserve(given)
        answers.append(given)
    return answers


def _shipment(own: FarmCalendar, customer: Kitchen | Buyer, *, on: date, way: str, address: int | None) -> Shipment:
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
        kitchen=kitchen, buyer=buyer, address=found, on=on, way=chosen, cut_off_at=own.cut_off_at(on)
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
