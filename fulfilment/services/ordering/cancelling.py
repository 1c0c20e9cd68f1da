"""A line or a whole order is no longer wanted: what was promised of it is free at once."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction
from django.db.models import F

from fulfilment.core.problems import Conflict, Missing
from fulfilment.models import Allocation, Change, Line, Order, Shipment, StandingOrder
from fulfilment.models.states import SHIPMENT, move
from fulfilment.read.farm import calendar, farm, weekdays
from fulfilment.services import events, rows
from fulfilment.services.ordering.asking import open_books
from fulfilment.services.ordering.placing import answered
from fulfilment.services.ordering.shipments import ask_for_plan, hold_shipment


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
            data={"line": number, "because": because[:200], **answered(answers)},
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
    open_books(rows.find(Order, order), (), now=now)
    return rows.lock(Order, order)


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


def _cancel_lines(placed: Order, *, numbers: set[int] | None, leave: str, now: datetime) -> None:
    """Cancel these lines (None: all), and each shipment that is left without any; the books are held."""
    lines = list(placed.lines.filter(cancelled_at__isnull=True))
    lines = [line for line in lines if numbers is None or line.number in numbers]
    for shipment_id in sorted({line.shipment_id for line in lines}):
        shipment = hold_shipment(shipment_id, now=now, leave=leave)
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
        ask_for_plan(shipment, now=now)
