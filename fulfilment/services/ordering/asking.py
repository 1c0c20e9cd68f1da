"""What would be promised, asked before anything is written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from fulfilment.core.calendar import FarmCalendar, in_words
from fulfilment.core.problems import Conflict, Invalid
from fulfilment.core.promises import Answer
from fulfilment.core.units import Goods
from fulfilment.models import Buyer, Kitchen, Order, Product
from fulfilment.read.farm import weekdays
from fulfilment.read.terms import asked_pct
from fulfilment.services.ordering.wanted import MOST_KITS, Asked, customer_named, products, sides
from fulfilment.services.promising import Desk, open_desk

FURTHEST_AHEAD = timedelta(days=366)
LONGEST_WINDOW = timedelta(days=62)


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
    customer = customer_named(kitchen=kitchen, buyer=buyer) if kitchen or buyer else Buyer()
    wanted = products(lines)
    desk = desk_for(wanted, customer, now=now, lock=False)
    check_day(desk, customer, on=on, now=now, leave=because)
    given = ask(desk, wanted, customer, on=on, below_chance=below_chance)
    return tuple(
        Offer(product, line.amount, asked_pct(sides(customer)[0], product), each)
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
    desk = open_desk(goods, now=now, lock=False)
    return tuple(
        Available(product, on, desk.terms.calendar.cut_off_at(on), given.amount)
        for on in open_days(desk.terms.calendar, first=first, last=last, now=now)
        for product in kits
        for given in [desk.ask(product, kitchen=None, on=on, wanted=MOST_KITS, later=False)]
    )


def check_ahead(on: date, *, today: date, where: str) -> None:
    """Raises Invalid for a day that nobody plans for yet."""
    if on > today + FURTHEST_AHEAD:
        raise Invalid(
            f"{in_words(on)} is more than a year ahead. The last day that can be planned for is "
            f"{in_words(today + FURTHEST_AHEAD)}.",
            code="too_far_ahead", where=where,
        )  # fmt: skip


def open_days(own: FarmCalendar, *, first: date, last: date, now: datetime) -> list[date]:
    """The delivery days from ``first`` to ``last`` that can still be ordered for."""
    days = (first + timedelta(days=n) for n in range((last - first).days + 1))
    return [on for on in days if own.is_delivery_day(on) and now < own.cut_off_at(on)]


def best_day(
    lines: Sequence[Asked], *, buyer: str, first: date, last: date, start_on: date | None = None, now: datetime
) -> date:
    """The first delivery day in these on which all of it can be promised to a buyer; else the one with most of it."""
    customer = customer_named(kitchen="", buyer=buyer)
    wanted = products(lines)
    desk = desk_for(wanted, customer, now=now, lock=True)
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


def desk_for(wanted: Sequence[tuple[Product, Asked]], customer: Kitchen | Buyer, *, now: datetime, lock: bool) -> Desk:
    kitchens = [customer.pk] if isinstance(customer, Kitchen) else []
    goods = [Goods(product.strain_id, product.grade) for product, _ in wanted]
    return open_desk(goods, now=now, kitchens=kitchens, lock=lock)


def open_books(placed: Order, more: Sequence[Product], *, now: datetime) -> Desk:
    """The desk for all lines of an order, and for what may come to it, with its books held."""
    goods = [Goods(strain, grade) for strain, grade in placed.lines.values_list("product__strain", "product__grade")]
    goods += [Goods(product.strain_id, product.grade) for product in more]
    return open_desk(goods, now=now, kitchens=[placed.kitchen_id] if placed.kitchen_id else [])


def check_day(desk: Desk, customer: Kitchen | Buyer, *, on: date, now: datetime, leave: str) -> None:
    own = weekdays(customer) if isinstance(customer, Kitchen) else None
    check_ahead(on, today=desk.today, where="on")
    try:
        desk.terms.calendar.check_delivery(on, now=now, weekdays=own, where="on")
    except Conflict:
        if not leave.strip():
            raise


def ask(
    desk: Desk,
    wanted: Sequence[tuple[Product, Asked]],
    customer: Kitchen | Buyer,
    *,
    on: date,
    keeps_until: date | None = None,
    below_chance: bool = False,
) -> list[Answer]:
    kitchen, _ = sides(customer)
    answers = []
    for product, asked in wanted:
        given = desk.ask(
            product, kitchen=kitchen, on=on, wanted=asked.amount, at_least=asked.at_least, keeps_until=keeps_until,
            below_chance=below_chance,
        )  # fmt: skip
        desk.reserve(given)
        answers.append(given)
    return answers
