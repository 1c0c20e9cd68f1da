"""One order with all that was said of it, what serves it, and what happened to it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from django.db.models import Prefetch

from fulfilment.core import codes
from fulfilment.core.problems import Missing
from fulfilment.models import Allocation, Event, Line, Order, Pick, Promise
from fulfilment.read.orders.lines import LineSeen, OrderSeen, order_seen
from fulfilment.read.orders.telling import STATUS, event_in_words, reason

MOST_EVENTS: Final = 200


@dataclass(frozen=True, slots=True)
class Part:
    """What a promise books: so much of a strain and grade, harvested between two days."""

    name: str
    amount: int
    first_on: date
    last_on: date
    substitute: bool


@dataclass(frozen=True, slots=True)
class PromiseSeen:
    """One link of a line's chain of promises."""

    number: int
    word: str
    mark: str
    amount: int
    wanted: int
    chance: int
    asked: int
    below: bool
    first_full_on: date | None
    sentence: str
    parts: tuple[Part, ...]
    at: datetime
    by: str


@dataclass(frozen=True, slots=True)
class Source:
    """What serves a line by the last plan: a lot in store, or a harvest to come (``lot`` is empty then)."""

    name: str
    lot: str
    best_before: date | None
    coming_on: date | None
    amount: int


@dataclass(frozen=True, slots=True)
class Taken:
    """What was really picked; below zero where a pick was undone."""

    lot: str
    amount: int
    at: datetime
    by: str


@dataclass(frozen=True, slots=True)
class LinePage:
    """A line with its chain, newest promise first."""

    seen: LineSeen
    pack: int
    promises: tuple[PromiseSeen, ...]
    sources: tuple[Source, ...]
    picks: tuple[Taken, ...]
    can_change: bool

    @property
    def promise(self) -> PromiseSeen | None:
        return self.promises[0] if self.promises else None


@dataclass(frozen=True, slots=True)
class Happened:
    sentence: str
    at: datetime
    by: str


@dataclass(frozen=True, slots=True)
class OrderPage:
    """All there is to an order; the customer's address and numbers are the office's to see."""

    seen: OrderSeen
    on: date
    kitchen: str
    buyer: str
    standing_order: str
    email: str
    phone: str
    address: str
    greeting: str
    placed_at: datetime
    placed_by: str
    cancelled_at: datetime | None
    lines: tuple[LinePage, ...]
    events: tuple[Happened, ...]

    @property
    def can_change(self) -> bool:
        return any(line.can_change for line in self.lines)

    def line(self, number: int) -> LinePage:
        """One of its lines; :class:`Missing` where there is none of that number."""
        for each in self.lines:
            if each.seen.number == number:
                return each
        raise Missing(f"Order {self.seen.code} has no line {number}.", where="number")


def order_page(code: str, *, now: datetime) -> OrderPage:
    """The order with this public id; :class:`Missing` where there is none."""
    tidy = codes.tidy(code)
    promises = Promise.objects.order_by("-number").prefetch_related("parts__book__strain")
    lines = (
        Line.objects.select_related("product__strain", "shipment__address", "promise")
        .prefetch_related(
            Prefetch("promises", queryset=promises),
            Prefetch("allocations", queryset=Allocation.objects.select_related("strain", "lot").order_by("pk")),
            Prefetch("picks", queryset=Pick.objects.select_related("lot").order_by("pk")),
        )
        .order_by("number")
    )
    order = (
        Order.objects.select_related("kitchen", "buyer", "standing_order")
        .prefetch_related(Prefetch("lines", queryset=lines))
        .filter(public_id=tidy)
        .first()
    )
    if order is None:
        raise Missing(f"There is no order {tidy or code[:20]!r}.".replace("'", ""), where="order")
    found = list(order.lines.all())
    whole = order_seen(order, found, now=now)
    customer = order.kitchen or order.buyer
    place = next((line.shipment.address for line in found), None)
    by_number = {line.number: line for line in found}
    return OrderPage(
        seen=whole,
        on=order.on,
        kitchen=order.kitchen.public_id if order.kitchen else "",
        buyer=order.buyer.public_id if order.buyer else "",
        standing_order=order.standing_order.public_id if order.standing_order else "",
        email=customer.email if customer else "",
        phone=customer.phone if customer else "",
        address=", ".join(filter(None, [place.street, f"{place.postcode} {place.town}".strip()])) if place else "",
        greeting=order.greeting,
        placed_at=order.placed_at,
        placed_by=order.placed_by,
        cancelled_at=order.cancelled_at,
        lines=tuple(_line(by_number[each.number], each) for each in whole.lines),
        events=tuple(
            Happened(event_in_words(each.kind, each.data), each.at, each.by)
            for each in Event.objects.filter(subject=order.public_id).order_by("-pk")[:MOST_EVENTS]
        ),
    )


def _line(line: Line, seen: LineSeen) -> LinePage:
    return LinePage(
        seen=seen,
        pack=line.product.pack,
        promises=tuple(_promise(made, line) for made in line.promises.all()),
        sources=tuple(
            Source(
                name=f"{row.strain.name} {row.grade}" if not seen.is_kit else line.product.name,
                lot=row.lot.public_id if row.lot else "",
                best_before=row.lot.best_before if row.lot else None,
                coming_on=row.coming_on,
                amount=row.amount,
            )
            for row in line.allocations.all()
        ),
        picks=tuple(Taken(pick.lot.public_id, pick.amount, pick.at, pick.by) for pick in line.picks.all()),
        can_change=line.cancelled_at is None and line.shipment.state in ("placed", "packed"),
    )


def _promise(made: Promise, line: Line) -> PromiseSeen:
    word, mark = STATUS[made.status]
    if made.status == "full" and made.chance_pct < made.asked_pct:
        mark = "watch"
    ordered = (line.product.strain_id, line.product.grade)
    return PromiseSeen(
        number=made.number,
        word=word,
        mark=mark,
        amount=made.amount,
        wanted=made.wanted,
        chance=made.chance_pct,
        asked=made.asked_pct,
        below=made.below_asked,
        first_full_on=made.first_full_on,
        sentence=reason(str(made.why.get("code", "")), made.why, is_kit=line.product.is_kit),
        parts=tuple(
            Part(
                name=line.product.name if line.product.is_kit else f"{part.book.strain.name} {part.book.grade}",
                amount=part.amount,
                first_on=part.first_on,
                last_on=part.last_on,
                substitute=(part.book.strain_id, part.book.grade) != ordered,
            )
            for part in sorted(made.parts.all(), key=lambda part: part.pk)
        ),
        at=made.at,
        by=made.by,
    )
