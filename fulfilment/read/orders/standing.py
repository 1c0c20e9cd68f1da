"""Standing orders by kitchen: the rule in words, its coming dates and what each of them will be."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Final

from django.db.models import Prefetch

from fulfilment.core import codes
from fulfilment.core.calendar import FarmCalendar, describe
from fulfilment.core.problems import Missing
from fulfilment.core.units import said
from fulfilment.models import Change, Order, StandingLine, StandingOrder
from fulfilment.read import dates
from fulfilment.read.dates import Fate
from fulfilment.read.farm import calendar, farm

if TYPE_CHECKING:
    from collections.abc import Sequence

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
class LinesFrom:
    """What is delivered each time from a day on."""

    on: date
    lines: tuple[StandingLineSeen, ...]


@dataclass(frozen=True, slots=True)
class DateSeen:
    """One date of the rule: its state in a word, and the order made for it, where there is one.

    ``moved_to`` is the day on which it is delivered, where that is another.
    """

    on: date
    word: str
    mark: str
    detail: str
    order: str
    past_cut_off: bool
    moved_to: date | None = None


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
    later: tuple[LinesFrom, ...]
    """Lines that are set already and hold from a day to come."""
    pauses: tuple[tuple[date, date], ...]
    """First and last day of those that are not past."""
    on_closed: str
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
    made = Order.objects.filter(on__gte=today).order_by("pk")
    return dates.with_dates(StandingOrder.objects.all()).prefetch_related(Prefetch("orders", queryset=made))


def _seen(row: StandingOrder, own: FarmCalendar, *, today: date, now: datetime) -> Standing:
    orders = {order.standing_on: order for order in row.orders.all()}
    return Standing(
        code=row.public_id,
        kitchen=row.kitchen.name,
        kitchen_code=row.kitchen.public_id,
        words=describe(row.rule),
        way=row.way,
        starts_on=row.starts_on,
        ends_on=row.ends_on,
        lines=_lines(dates.now_usual(row, today=today)),
        later=tuple(
            LinesFrom(on, _lines(dates.usual(row.lines.all(), on)))
            for on in sorted({line.first_on for line in row.lines.all() if line.first_on and line.first_on > today})
        ),
        pauses=tuple(
            (change.first_on, change.last_on)
            for change in dates.not_taken_back(row.changes.all())
            if change.kind == Change.Kind.PAUSE and change.last_on >= today
        ),
        on_closed=row.on_closed,
        dates=tuple(
            _date(fate, orders.get(fate.on), _lines(dates.usual(row.lines.all(), fate.on)), own, now=now)
            for fate in dates.fates(row, own, first=today, last=today + DATES_SHOWN)
        ),
        over=row.ends_on is not None and row.ends_on < today,
        placed_by=row.placed_by,
    )


def _lines(found: Sequence[StandingLine]) -> tuple[StandingLineSeen, ...]:
    return tuple(
        StandingLineSeen(
            product=line.product.public_id,
            name=line.product.name,
            amount=line.amount,
            at_least=line.at_least,
            pack=line.product.pack,
            is_kit=line.product.is_kit,
        )
        for line in found
    )


def _date(
    fate: Fate, order: Order | None, lines: tuple[StandingLineSeen, ...], own: FarmCalendar, *, now: datetime
) -> DateSeen:
    live = order is not None and order.cancelled_at is None
    code = order.public_id if order is not None else ""
    past = now >= own.cut_off_at(fate.delivered_on or fate.on)
    if fate.what in ("skipped", "paused"):
        return DateSeen(fate.on, fate.what, "plain", "", code, past)
    if fate.delivered_on is None and not live:
        return DateSeen(fate.on, "no delivery", "plain", fate.why, code, past)
    if past and not live:
        word = "cancelled" if order is not None else "not ordered"
        return DateSeen(fate.on, word, "plain", "its cut-off came before it was made", code, past)
    moved = order.on if live and order is not None and order.on != fate.on else None
    moved = moved or (fate.delivered_on if fate.moved and not live else None)
    detail = fate.why if moved else ""
    if fate.what == "other_amounts" and fate.change is not None:
        words = ", ".join(
            f"{said(fate.change.amounts.get(line.product, line.amount), is_kit=line.is_kit)} {line.name}"
            for line in lines
            if fate.change.amounts.get(line.product, line.amount)
        )
        return DateSeen(fate.on, "other amounts", "watch", " ".join(filter(None, [words, detail])), code, past, moved)
    return DateSeen(fate.on, "moved" if moved else "as usual", "good", detail, code, past, moved)
