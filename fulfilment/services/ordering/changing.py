"""An order that stands is changed: lines added, amounts changed, where it goes, what is said with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from django.db import transaction
from django.db.models import F

from fulfilment.core.problems import Conflict, Invalid, Missing
from fulfilment.core.units import Goods, amount
from fulfilment.models import Line, Order, Product, PromisePart
from fulfilment.read.terms import asked_pct
from fulfilment.services import events, rows
from fulfilment.services.given import text
from fulfilment.services.ordering.asking import ask, desk_for, open_books
from fulfilment.services.ordering.cancelling import drop_line
from fulfilment.services.ordering.placing import answered, in_event, new_lines
from fulfilment.services.ordering.shipments import ask_for_plan, hold_shipment, move_shipments
from fulfilment.services.ordering.wanted import (
    MOST_LINES,
    Amendments,
    Asked,
    check_amount,
    customer_of,
    free_text,
    on_it,
    prices,
    products,
    sides,
    unit_of,
)
from fulfilment.services.promising import Told, draw, lower, tell, tell_new


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
        customer = customer_of(placed)
        wanted = products(lines)
        desk = desk_for(wanted, customer, now=now, lock=True)
        placed = standing_still(rows.lock(Order, order))
        there = list(placed.lines.select_related("product"))
        live = [line for line in there if line.cancelled_at is None]
        _check_new(wanted, live)
        shipment = hold_shipment(live[0].shipment_id, now=now, leave=because)
        offered = ask(
            desk, wanted, customer, on=placed.on, keeps_until=placed.start_on, below_chance=below_chance
        )  # fmt: skip
        more = [product for product, _ in wanted]
        told = new_lines(
            placed, shipment, wanted, offered, prices=prices(placed.kitchen_id, more),
            after=max(line.number for line in there),
        )  # fmt: skip
        drawn = draw(Product.objects.filter(pk__in=[product.pk for product in more]))
        tell_new(desk, told, drawn=drawn, by=by, now=now)
        Order.objects.filter(pk=placed.pk).update(version=F("version") + 1)
        events.record(
            "lines_added", subject=placed.public_id, by=by, at=now, kitchen=placed.kitchen, buyer=placed.buyer,
            data={"lines": in_event(told), "because": because[:200]},
        )  # fmt: skip
        ask_for_plan(shipment, now=now)
    return rows.find(Order, order)


def hold(order: str, more: Sequence[Asked] = (), *, now: datetime) -> Order:
    """The order, locked after the books of its goods and of those that may come to it."""
    placed = rows.find(Order, order)
    coming = [product for product, _ in products(more, known=on_it(placed))] if more else []
    open_books(placed, coming, now=now)
    return rows.lock(Order, order)


def amend(order: str, changes: Amendments, *, because: str = "", by: str, now: datetime) -> Order:
    """Change an order as a whole: its lines, where and how it goes, what is said with it.

    After the cut-off only with staff's reason, and then no longer where it goes: its lists are made.
    """
    with transaction.atomic():
        placed = standing_still(hold(order, changes.get("lines", ()), now=now))
        live = placed.lines.filter(cancelled_at__isnull=True)
        shipments = [
            hold_shipment(pk, now=now, leave=because) for pk in sorted(set(live.values_list("shipment_id", flat=True)))
        ]
        fields: dict[str, str] = {}
        if "reference" in changes:
            fields["reference"] = text(changes["reference"], where="reference", at_most=60, required=False)
        for name in ("note", "greeting"):
            if name in changes:
                fields[name] = free_text(changes[name], where=name)
        fields = {name: value for name, value in fields.items() if getattr(placed, name) != value}
        moved = move_shipments(placed, shipments, changes, now=now)
        if fields or moved:
            Order.objects.filter(pk=placed.pk).update(**fields, version=F("version") + 1)
            events.record(
                "order_changed", subject=placed.public_id, by=by, at=now, kitchen=placed.kitchen, buyer=placed.buyer,
                data={"fields": sorted([*fields, *(["delivery"] if moved else [])]), "because": because[:200]},
            )  # fmt: skip
        if "lines" in changes:
            set_lines(order, changes["lines"], because=because, by=by, now=now)
    return rows.find(Order, order)


def set_lines(order: str, lines: Sequence[Asked], *, because: str = "", by: str, now: datetime) -> Order:
    """The whole list of what is wanted now: amounts are changed, what is not named is dropped, what is new is added.

    A line that stays as it is keeps its promise, and one that is lowered its rank.
    """
    with transaction.atomic():
        placed = rows.find(Order, order)
        wanted = {product.pk: (product, asked) for product, asked in products(lines, known=on_it(placed))}
        # All books at once and before the order, so that two who change it cannot wait for each other.
        open_books(placed, [product for product, _ in wanted.values()], now=now)
        placed = standing_still(rows.lock(Order, order))
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
    stays: Mapping[Goods, int] | None = None,
    below_chance: bool = False,
    by: str,
    now: datetime,
) -> Line:
    """Another amount for one line.  Less keeps the rank of what stays; more is asked anew, behind everybody else.

    After the cut-off only with leave (``because`` or ``answers``).  An answer lowers the line to what comes, be that
    whole packs or not; ``stays`` is then what stays promised of each of its goods.
    """
    with transaction.atomic():
        placed = rows.find(Order, order)
        customer = customer_of(placed)
        line = placed.lines.select_related("product").filter(number=number).first()
        if line is None:
            raise Missing(f"Order {placed.public_id} has no line {number}.", where="number")
        product = line.product
        unit = unit_of(product)
        if answers:
            amount(to, where="amount", at_most=line.ordered, unit=unit)
        else:
            check_amount(product, to, where="amount")
        desk = desk_for([(product, Asked(product.public_id, to))], customer, now=now, lock=True)
        shipment = hold_shipment(line.shipment_id, now=now, leave=because or answers)
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
        kept = _of_goods(parts, stays or {}, to=to) or lower(parts, to=min(to, promised))
        held = sum(part for _, part in kept)
        surely = desk.kept_pct(kept) if 0 < held < promised else None
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
            [
                Told(
                    line, to, asked_pct(sides(customer)[0], product), given, kept=kept, kept_pct=surely,
                    below=below_chance,
                )
            ],
            by=by,
            now=now,
        )  # fmt: skip
        Order.objects.filter(pk=placed.pk).update(version=F("version") + 1)
        events.record(
            "line_changed", subject=placed.public_id, by=by, at=now, kitchen=placed.kitchen, buyer=placed.buyer,
            data={"line": number, "before": before, "after": to, "promised": line.promised, "because": because[:200],
                  **answered(answers)},
        )  # fmt: skip
        ask_for_plan(shipment, now=now)
    return Line.objects.select_related("product", "promise", "order").get(pk=line.pk)


def standing_still(placed: Order) -> Order:
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


def _of_goods(parts: Sequence[PromisePart], stays: Mapping[Goods, int], *, to: int) -> list[tuple[PromisePart, int]]:
    """The parts lowered to what stays of each one's goods, the oldest first; none where that is not ``to`` in all."""
    left, kept = dict(stays), []
    for part in sorted(parts, key=lambda part: (part.rank, part.pk)):
        goods = Goods(part.book.strain_id, part.book.grade)
        staying = min(part.amount, left.get(goods, 0))
        left[goods] = left.get(goods, 0) - staying
        kept.append((part, staying))
    return kept if sum(staying for _, staying in kept) == to else []
