"""What a kitchen reads on its own page: its deliveries to come, its usual orders, crates and papers.

Everything here is one kitchen's.  How sure a promise is comes in words, never as a percent; nothing tells of another
customer or of a tier.  What is not this kitchen's does not exist (:class:`Missing`).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Final, TypeVar

from fulfilment.core import codes
from fulfilment.core.calendar import FarmCalendar, describe, in_words
from fulfilment.core.problems import Missing
from fulfilment.core.promises import words
from fulfilment.core.units import said
from fulfilment.models import Change, Farm, Line, Order, Shipment, StandingOrder
from fulfilment.read import dates, kitchens
from fulfilment.read.farm import calendar, farm, weekdays
from fulfilment.read.mails import CHANCE_IN_WORDS
from fulfilment.read.next_dates import full_on

if TYPE_CHECKING:
    from django.db.models import QuerySet

    from fulfilment.models import Kitchen

Thing = TypeVar("Thing")

AHEAD: Final = timedelta(weeks=4)
"""How far ahead the page shows deliveries."""


@dataclass(frozen=True, slots=True)
class LineSeen:
    """A line of an order; ``says`` is what its kitchen should know beyond the amount, ``chance`` its word."""

    number: int
    product: str
    name: str
    is_kit: bool
    pack: int
    ordered: int
    promised: int
    chance: str
    whole: bool
    says: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class OrderSeen:
    """An order that stands; ``standing`` is the standing order it comes from, empty for a single order."""

    code: str
    standing: str
    reference: str
    state: str
    lines: tuple[LineSeen, ...]
    changed: bool
    """Other amounts than usual were asked for."""
    lacks: tuple[str, ...]
    """What is usual and was taken off this date's order."""


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A date of a standing order on which nothing comes of it, or nothing yet."""

    standing: str
    why: str
    """``skipped``, ``paused``, ``cancelled``, ``closed`` or ``to_come``."""
    says: str


@dataclass(frozen=True, slots=True)
class DaySeen:
    """One delivery day of the kitchen."""

    on: date
    cut_off_at: datetime
    is_open: bool
    """Whether the kitchen itself can still change it."""
    orders: tuple[OrderSeen, ...]
    left_out: tuple[LeftOut, ...]

    @property
    def empty(self) -> bool:
        return not self.orders

    def order(self, standing: str) -> OrderSeen | None:
        return next((order for order in self.orders if standing and order.standing == standing), None)


@dataclass(frozen=True, slots=True)
class UsualLine:
    product: str
    name: str
    is_kit: bool
    amount: int


@dataclass(frozen=True, slots=True)
class Usual:
    """A standing order in words, with its pauses that are not over."""

    code: str
    words: str
    starts_on: date
    ends_on: date | None
    lines: tuple[UsualLine, ...]
    pauses: tuple[tuple[date, date], ...]


@dataclass(frozen=True, slots=True)
class KitchenPage:
    days: tuple[DaySeen, ...]
    usuals: tuple[Usual, ...]
    crates_out: int
    papers: tuple[kitchens.Paper, ...]
    first_open: date | None
    """The first delivery day that can still be ordered for."""


def page(kitchen: Kitchen, *, now: datetime) -> KitchenPage:
    """The whole page, in a fixed number of statements."""
    look = _look(kitchen, now=now)
    return KitchenPage(
        days=tuple(_day(look, on) for on in look.dates()),
        usuals=tuple(_usual(standing, look.today) for standing in look.standing),
        crates_out=kitchen.crates_out,
        papers=kitchens.papers(kitchen),
        first_open=look.calendar.next_open_day(now, weekdays=weekdays(kitchen)),
    )


def day(kitchen: Kitchen, on: date, *, now: datetime) -> DaySeen:
    """One day of the page, be there something on it or not."""
    return _day(_look(kitchen, now=now, only=on), on)


def order_day(kitchen: Kitchen, code: str) -> date:
    """The day of one of this kitchen's orders."""
    found = Order.objects.filter(kitchen=kitchen, public_id=codes.tidy(code) or "-").values_list("on", flat=True)
    return _there(found.first(), "order")


def order_of(day: DaySeen, code: str) -> OrderSeen | None:
    """An order of that day, if it stands."""
    return next((order for order in day.orders if order.code == codes.tidy(code)), None)


def first_open(kitchen: Kitchen, *, now: datetime) -> date | None:
    """The first delivery day that this kitchen can still order for."""
    return calendar(farm()).next_open_day(now, weekdays=weekdays(kitchen))


def usual(kitchen: Kitchen, code: str, *, today: date) -> Usual:
    """One of this kitchen's standing orders."""
    found = _standing(kitchen).filter(public_id=codes.tidy(code) or "-").first()
    return _usual(_there(found, "standing order"), today)


# ---- Reading --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Look:
    """All rows of the weeks shown."""

    kitchen: Kitchen
    farm: Farm
    calendar: FarmCalendar
    now: datetime
    today: date
    last: date
    standing: Sequence[StandingOrder]
    orders: Mapping[date, Sequence[Order]]

    def dates(self) -> list[date]:
        """The days on which something comes, or would have."""
        found = {on for on, orders in self.orders.items() if any(_stands(each) for each in orders)}
        for standing in self.standing:
            found |= set(dates.coming(standing, first=self.today, last=self.last))
        return sorted(found)


def _look(kitchen: Kitchen, *, now: datetime, only: date | None = None) -> _Look:
    ours = farm()
    own = calendar(ours)
    today = own.farm_day(now)
    first, last = (only, only) if only is not None else (today, today + AHEAD)
    orders: dict[date, list[Order]] = defaultdict(list)
    rows = Order.objects.filter(kitchen=kitchen, on__gte=first, on__lte=last).select_related("standing_order")
    for row in rows.prefetch_related("lines__product", "lines__promise", "lines__shipment").order_by("on", "pk"):
        orders[row.on].append(row)
    standing = list(_standing(kitchen).exclude(ends_on__lt=first))
    return _Look(kitchen, ours, own, now, today, last, standing, orders)


def _standing(kitchen: Kitchen) -> QuerySet[StandingOrder]:
    return dates.with_dates(StandingOrder.objects.filter(kitchen=kitchen)).order_by("pk")


def _stands(order: Order) -> bool:
    return order.cancelled_at is None


def _day(look: _Look, on: date) -> DaySeen:
    rows = look.orders.get(on, ())
    live = [order for order in rows if _stands(order)]
    cut_off_at = min(
        (line.shipment.cut_off_at for order in live for line in order.lines.all() if line.cancelled_at is None),
        default=look.calendar.cut_off_at(on),
    )
    is_open = look.now < cut_off_at
    left_out = [
        _left_out(look, standing, on, rows, is_open=is_open)
        for standing in look.standing
        if dates.coming(standing, first=on, last=on)
    ]
    return DaySeen(
        on=on,
        cut_off_at=cut_off_at,
        is_open=is_open,
        orders=tuple(_order(order, look, is_open=is_open) for order in live),
        left_out=tuple(each for each in left_out if each is not None),
    )


def _order(order: Order, look: _Look, *, is_open: bool) -> OrderSeen:
    lines = sorted((line for line in order.lines.all() if line.cancelled_at is None), key=lambda line: line.number)
    standing = next((each for each in look.standing if each.pk == order.standing_order_id), None)
    made_for = order.standing_on or order.on
    change = dates.holding(standing.changes.all(), made_for) if standing is not None else None
    return OrderSeen(
        code=order.public_id,
        standing=order.standing_order.public_id if order.standing_order is not None else "",
        reference=order.reference,
        state=_least_advanced(line.shipment.state for line in lines),
        lines=tuple(_line(line, is_open=is_open) for line in lines),
        changed=change is not None and change.kind == Change.Kind.AMOUNTS,
        lacks=_lacking(standing, lines, on=made_for),
    )


def _lacking(standing: StandingOrder | None, lines: Sequence[Line], *, on: date) -> tuple[str, ...]:
    if standing is None:
        return ()
    there = {line.product_id for line in lines}
    return tuple(
        line.product.name
        for line in dates.usual(standing.lines.all(), on)
        if line.product.active and line.product_id not in there
    )


_ORDER_OF_STATES: Final = tuple(state.value for state in Shipment.State)


def _least_advanced(states: Iterable[str]) -> str:
    return min(states, key=_ORDER_OF_STATES.index, default=Shipment.State.PLACED.value)


def _line(line: Line, *, is_open: bool) -> LineSeen:
    product, promise = line.product, line.promise
    percent = line.chance_pct if line.chance_pct is not None else promise.chance_pct if promise is not None else None
    chance = CHANCE_IN_WORDS[words(percent)] if percent is not None and line.promised else ""
    return LineSeen(
        number=line.number,
        product=product.public_id,
        name=product.name,
        is_kit=product.is_kit,
        pack=product.pack,
        ordered=line.ordered,
        promised=line.promised,
        chance=("promised" if chance == "sure" else chance) if product.is_kit else chance,
        whole=line.promised >= line.ordered,
        says=tuple(_sentences(line, is_open=is_open)),
    )


def _sentences(line: Line, *, is_open: bool) -> list[str]:
    is_kit, state = line.product.is_kit, line.shipment.state
    if state in (Shipment.State.SENT, Shipment.State.DELIVERED):
        sent = said(line.picked, is_kit=is_kit) if line.picked else "Nothing"
        refused = f" {said(line.refused, is_kit=is_kit)} went back." if line.refused else ""
        return [f"{sent} {'came' if state == Shipment.State.DELIVERED else 'is on its way'}.{refused}"]
    found = []
    if not line.promised:
        found.append("None of it is promised yet; we ask again every night.")
    elif line.promised < line.ordered:
        found.append(f"{said(line.promised, is_kit=is_kit)} of it is promised.")
    first_full_on = full_on(line)
    if line.promised < line.ordered and first_full_on is not None and first_full_on > line.order.on:
        found.append(f"The first day for all of it is {in_words(first_full_on)}.")
    if line.picked:
        found.append(f"{said(line.picked, is_kit=is_kit)} is packed.")
    elif line.account:
        found.append(_planned(line, is_open=is_open))
    return [each for each in found if each]


def _planned(line: Line, *, is_open: bool) -> str:
    """What the newest plan sets aside, where it says more than the promise does."""
    amount = said(line.allocated, is_kit=line.product.is_kit)
    if not line.allocated:
        return "" if is_open or not line.promised else "Nothing of it will come: we are sorry."
    if not line.promised:
        return f"Today’s plan has {amount} for you; that can still change." if is_open else f"{amount} will come."
    if line.allocated >= line.ordered:
        return "Today’s plan has all of it; that can still change." if is_open else "All of it is set aside for you."
    return f"Today’s plan has {amount} of it; that can still change." if is_open else f"{amount} will come."


def _left_out(
    look: _Look, standing: StandingOrder, on: date, rows: Sequence[Order], *, is_open: bool
) -> LeftOut | None:
    mine = [order for order in rows if order.standing_order_id == standing.pk and order.standing_on == on]
    if any(_stands(order) for order in mine):
        return None
    fate = dates.fates(standing, look.calendar, first=on, last=on)[0]
    if fate.what in ("skipped", "paused"):
        why, says = ("skipped", "You skip this date.") if fate.what == "skipped" else ("paused", "You paused.")
    elif fate.why:
        why, says = "closed", fate.why
    elif mine and not is_open:
        why, says = "cancelled", "Your usual of this date was cancelled."
    elif is_open:
        why, says = "to_come", "Your usual comes; we tell you nearer the day how sure it is."
    else:
        return None
    return LeftOut(standing.public_id, why, says)


def _usual(standing: StandingOrder, today: date) -> Usual:
    pauses = {
        (change.first_on, change.last_on)
        for change in standing.changes.all()
        if change.kind == Change.Kind.PAUSE and change.last_on >= today
        and dates.holding(standing.changes.all(), change.last_on) == change
    }  # fmt: skip
    return Usual(
        code=standing.public_id,
        words=describe(standing.rule),
        starts_on=standing.starts_on,
        ends_on=standing.ends_on,
        lines=tuple(
            UsualLine(line.product.public_id, line.product.name, line.product.is_kit, line.amount)
            for line in dates.now_usual(standing, today=today)
            if line.product.active
        ),
        pauses=tuple(sorted(pauses)),
    )


def _there(found: Thing | None, noun: str) -> Thing:
    if found is None:
        raise Missing(f"There is no such {noun} of yours.")
    return found
