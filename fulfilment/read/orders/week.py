"""The orders of a week by delivery day, with what each strain's orders come to."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from fulfilment.core.calendar.days import WEEKDAYS
from fulfilment.models import Line, Order
from fulfilment.read.farm import calendar, farm
from fulfilment.read.orders.lines import LineSeen, OrderSeen, order_seen

DAYS: Final = 7


@dataclass(frozen=True, slots=True)
class Total:
    """One strain's lines of a day; ``planned`` is allocated and picked together."""

    strain: str
    is_kit: bool
    ordered: int
    promised: int
    planned: int


@dataclass(frozen=True, slots=True)
class Day:
    """One delivery day; ``closed`` is a clause that says why there is none, empty where there is one."""

    on: date
    closed: str
    cut_off_at: datetime
    past_cut_off: bool
    orders: tuple[OrderSeen, ...]
    totals: tuple[Total, ...]
    cancelled: int

    @property
    def short(self) -> int:
        """Lines that get less than they ordered."""
        return sum(1 for order in self.orders for line in order.lines if line.short)


@dataclass(frozen=True, slots=True)
class Week:
    """Monday to Sunday; days without deliveries and without orders are only named."""

    first: date
    last: date
    days: tuple[Day, ...]
    quiet: tuple[str, ...]
    orders: int
    short: int


def week(day: date, *, now: datetime) -> Week:
    """The week that ``day`` lies in."""
    first = day - timedelta(days=day.weekday())
    last = first + timedelta(days=DAYS - 1)
    own = calendar(farm())
    lines: dict[int, list[Line]] = defaultdict(list)
    for line in Line.objects.filter(order__on__gte=first, order__on__lte=last).select_related(
        "product__strain", "shipment", "promise"
    ):
        lines[line.order_id].append(line)
    orders: dict[date, list[Order]] = defaultdict(list)
    for order in Order.objects.filter(on__gte=first, on__lte=last).select_related("kitchen", "buyer").order_by("pk"):
        orders[order.on].append(order)
    days, quiet = [], []
    for place in range(DAYS):
        on = first + timedelta(days=place)
        closed = own.why_no_delivery(on)
        if closed and not orders[on] and on.weekday() not in own.delivery_weekdays:
            quiet.append(f"{WEEKDAYS[on.weekday()]}s")
            continue
        live = [order for order in orders[on] if order.cancelled_at is None]
        seen = sorted(
            (
                order_seen(order, [line for line in lines[order.pk] if line.cancelled_at is None], now=now)
                for order in live
            ),
            key=lambda each: (each.is_buyer, each.customer.casefold(), each.code),
        )
        cut_off = own.cut_off_at(on)
        days.append(
            Day(
                on=on,
                closed=closed,
                cut_off_at=cut_off,
                past_cut_off=now >= cut_off,
                orders=tuple(seen),
                totals=_totals(line for order in seen for line in order.lines),
                cancelled=len(orders[on]) - len(live),
            )
        )
    return Week(
        first=first,
        last=last,
        days=tuple(days),
        quiet=tuple(quiet),
        orders=sum(len(each.orders) for each in days),
        short=sum(each.short for each in days),
    )


def _totals(lines: Iterable[LineSeen]) -> tuple[Total, ...]:
    sums: dict[tuple[bool, str], list[int]] = defaultdict(lambda: [0, 0, 0])
    for line in lines:
        own = sums[line.is_kit, line.strain]
        own[0] += line.ordered
        own[1] += line.promised
        own[2] += line.comes
    return tuple(Total(strain, is_kit, *amounts) for (is_kit, strain), amounts in sorted(sums.items()))
