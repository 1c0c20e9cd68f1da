"""Standing orders by kitchen: the rule in words, its coming dates and what each of them will be."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Final

from django.db.models import Prefetch

from fulfilment.core import codes
from fulfilment.core.calendar import FarmCalendar, describe, occurrences
from fulfilment.core.problems import Missing
from fulfilment.core.units import said
from fulfilment.models import Change, Order, StandingOrder
from fulfilment.read.farm import calendar, farm, weekdays

if TYPE_CHECKING:
    from django.db.models import QuerySet

DATES_SHOWN: Final = timedelta(days=56)


@dataclass(frozen=True, slots=True)
class StandingLineSeen:
    product: str
    name: str
    amount: int
    at_least: int
    pack: int
    is_kit: bool


@dataclass(frozen=True, slots=True)
class DateSeen:
    """One date of the rule: its state in a word, and the order made for it, where there is one."""

    on: date
    word: str
    mark: str
    detail: str
    order: str
    past_cut_off: bool


@dataclass(frozen=True, slots=True)
class Standing:
    """One standing order; ``dates`` are those of the coming eight weeks."""

    code: str
    kitchen: str
    kitchen_code: str
    words: str
    way: str
    starts_on: date
    ends_on: date | None
    lines: tuple[StandingLineSeen, ...]
    dates: tuple[DateSeen, ...]
    over: bool
    placed_by: str

    @property
    def next_date(self) -> DateSeen | None:
        return next((each for each in self.dates if each.mark != "plain"), None)


def standing_orders(*, today: date, now: datetime) -> tuple[Standing, ...]:
    """All that still deliver, by kitchen; those that ended are left out."""
    rows = _rows(today).exclude(ends_on__lt=today).order_by("kitchen__name", "pk")
    own = calendar(farm())
    return tuple(_seen(row, own, today=today, now=now) for row in rows)


def standing_order(code: str, *, today: date, now: datetime) -> Standing:
    """One of them, ended or not; :class:`Missing` where there is none."""
    tidy = codes.tidy(code)
    row = _rows(today).filter(public_id=tidy).first()
    if row is None:
        raise Missing(f"There is no standing order {tidy or code[:20]}.", where="standing_order")
    return _seen(row, calendar(farm()), today=today, now=now)


def _rows(today: date) -> QuerySet[StandingOrder]:
    made = Order.objects.filter(on__gte=today)
    return StandingOrder.objects.select_related("kitchen").prefetch_related(
        "lines__product",
        Prefetch("changes", queryset=Change.objects.filter(last_on__gte=today).order_by("pk")),
        Prefetch("orders", queryset=made),
    )


def _seen(row: StandingOrder, own: FarmCalendar, *, today: date, now: datetime) -> Standing:
    lines = tuple(
        StandingLineSeen(
            product=line.product.public_id,
            name=line.product.name,
            amount=line.amount,
            at_least=line.at_least,
            pack=line.product.pack,
            is_kit=line.product.is_kit,
        )
        for line in sorted(row.lines.all(), key=lambda line: line.pk)
    )
    dates = occurrences(
        row.rule, starts_on=row.starts_on, first=today, last=today + DATES_SHOWN, until=row.ends_on
    )  # fmt: skip
    orders = {order.on: order for order in row.orders.all()}
    return Standing(
        code=row.public_id,
        kitchen=row.kitchen.name,
        kitchen_code=row.kitchen.public_id,
        words=describe(row.rule),
        way=row.way,
        starts_on=row.starts_on,
        ends_on=row.ends_on,
        lines=lines,
        dates=tuple(_date(row, on, orders.get(on), lines, own, now=now) for on in dates),
        over=row.ends_on is not None and row.ends_on < today,
        placed_by=row.placed_by,
    )


def _date(
    row: StandingOrder,
    on: date,
    order: Order | None,
    lines: tuple[StandingLineSeen, ...],
    own: FarmCalendar,
    *,
    now: datetime,
) -> DateSeen:
    code = order.public_id if order is not None else ""
    past = now >= own.cut_off_at(on)
    newest = next((each for each in reversed(row.changes.all()) if each.first_on <= on <= each.last_on), None)
    kind = newest.kind if newest is not None else ""
    closed = own.why_no_delivery(on, weekdays=weekdays(row.kitchen))
    if kind in (Change.Kind.SKIP, Change.Kind.PAUSE):
        return DateSeen(on, "skipped" if kind == Change.Kind.SKIP else "paused", "plain", "", code, past)
    if order is not None and order.cancelled_at is not None:
        return DateSeen(on, "cancelled", "plain", "", code, past)
    if closed and order is None:
        return DateSeen(on, "no delivery", "plain", closed, code, past)
    if past and order is None:
        return DateSeen(on, "not ordered", "plain", "its cut-off came before it was made", code, past)
    if kind == Change.Kind.AMOUNTS and newest is not None:
        words = ", ".join(
            f"{said(newest.amounts.get(line.product, line.amount), is_kit=line.is_kit)} {line.name}"
            for line in lines
            if newest.amounts.get(line.product, line.amount)
        )
        return DateSeen(on, "other amounts", "watch", words, code, past)
    return DateSeen(on, "as usual", "good", "", code, past)
