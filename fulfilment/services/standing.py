"""Standing orders: begun, changed for a date, paused, ended, and rolled forward into orders.

Rolling is what the night does: every date of every standing order inside the farm's roll-ahead becomes an order, once.
Lines rolled together are asked by tier, and inside a tier from a kitchen that moves on one each day: somebody must be
last, but not the same every time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta

from django.db import transaction
from django.db.models import F

from fulfilment.core import calendar, codes
from fulfilment.core.calendar import FarmCalendar, check_rule, in_words
from fulfilment.core.fairness import turns
from fulfilment.core.problems import Conflict, Invalid, Problem
from fulfilment.core.units import Goods
from fulfilment.models import Address, Change, Event, Kitchen, Order, Product, StandingLine, StandingOrder, Way
from fulfilment.read.farm import calendar as farm_calendar
from fulfilment.read.farm import farm, today, weekdays
from fulfilment.services import events, jobs, ordering, rows
from fulfilment.services.ordering import FURTHEST_AHEAD, Asked
from fulfilment.services.promising import open_desk


def begin(
    kitchen: str,
    *,
    lines: Sequence[Asked],
    rule: str,
    starts_on: date,
    ends_on: date | None = None,
    way: str = Way.ROUND,
    address: int | None = None,
    by: str,
    now: datetime,
) -> StandingOrder:
    """Begin a standing order; its dates inside the roll-ahead become orders at once."""
    with transaction.atomic():
        whose = rows.find(Kitchen, kitchen, where="kitchen")
        if not whose.active:
            raise Conflict(
                "This kitchen is no longer supplied: make it active first.", code="inactive", where="kitchen"
            )
        wanted = ordering.products(lines)
        if starts_on < today(now):
            raise Invalid(
                f"{in_words(starts_on)} is past: a standing order begins today or later.",
                code="in_the_past",
                where="starts_on",
            )
        if ends_on is not None and ends_on < starts_on:
            raise Invalid("A standing order cannot end before it begins.", code="ends_before_start", where="ends_on")
        normal = check_rule(rule, starts_on=starts_on, where="rule")
        if way not in Way.values:
            raise Invalid(
                f"There is no way {way[:20]!r}: round, carrier or collected.", code="unknown_way", where="way"
            )
        where = Address.objects.filter(kitchen=whose).order_by("pk")
        found = (where if address is None else where.filter(pk=address)).first()
        if found is None:
            raise Invalid(
                "There is no such address of this kitchen: add one first.", code="no_address", where="address"
            )
        standing = StandingOrder.objects.create(
            kitchen=whose,
            address=found,
            way=way,
            rule=normal,
            starts_on=starts_on,
            ends_on=ends_on,
            placed_at=now,
            placed_by=by[:40],
        )
        StandingLine.objects.bulk_create(
            [
                StandingLine(standing_order=standing, product=product, amount=asked.amount, at_least=asked.at_least)
                for product, asked in wanted
            ]
        )
        events.record(
            "standing_order_begun",
            subject=standing.public_id,
            by=by,
            at=now,
            kitchen=whose,
            data={"rule": normal, "starts_on": starts_on.isoformat()},
        )
        _roll_one(standing, last=today(now) + timedelta(days=farm().roll_days), now=now, by=by)
        jobs.add("replan", due_at=now)
    return standing


def skip(standing_order: str, *, on: date, by: str, now: datetime, because: str = "") -> Change:
    """No delivery on one date."""
    return _change(standing_order, Change.Kind.SKIP, first=on, last=on, by=by, now=now, because=because)


def pause(standing_order: str, *, first: date, last: date, by: str, now: datetime, because: str = "") -> Change:
    """No deliveries from ``first`` to ``last``, both included."""
    return _change(standing_order, Change.Kind.PAUSE, first=first, last=last, by=by, now=now, because=because)


def change(
    standing_order: str, *, on: date, amounts: Mapping[str, int], by: str, now: datetime, because: str = ""
) -> Change:
    """Other amounts on one date, by product id; products left out stay as usual."""
    return _change(
        standing_order, Change.Kind.AMOUNTS, first=on, last=on, amounts=amounts, by=by, now=now, because=because
    )


def as_usual(standing_order: str, *, on: date, by: str, now: datetime, because: str = "") -> Change:
    """Take back a skip, a pause or other amounts on one date."""
    return _change(standing_order, Change.Kind.AS_USUAL, first=on, last=on, by=by, now=now, because=because)


def end(standing_order: str, *, last_on: date, by: str, now: datetime) -> StandingOrder:
    """The last date it delivers; orders rolled for later dates are cancelled."""
    with transaction.atomic():
        standing = rows.lock(StandingOrder, standing_order)
        if last_on < standing.starts_on:
            # It never begins: the table wants an end that is not before the start, so its only day is paused.
            Change.objects.create(
                standing_order=standing, kind=Change.Kind.PAUSE, first_on=standing.starts_on,
                last_on=standing.starts_on, at=now, by=by[:40],
            )  # fmt: skip
        StandingOrder.objects.filter(pk=standing.pk).update(
            ends_on=max(last_on, standing.starts_on), version=F("version") + 1
        )
        events.record(
            "standing_order_ended",
            subject=standing.public_id,
            by=by,
            at=now,
            kitchen=standing.kitchen,
            data={"last_on": last_on.isoformat()},
        )
        for order in standing.orders.filter(on__gt=last_on, cancelled_at__isnull=True):
            ordering.cancel(order.public_id, by=by, now=now, because="")
    return rows.find(StandingOrder, standing_order)


def roll(*, now: datetime) -> int:
    """Make the orders of all dates up to the roll-ahead that have none yet; returns how many.

    Every date is its own transaction, so a killed night goes on where it stopped.
    """
    whose, day = farm(), today(now)
    last = day + timedelta(days=whose.roll_days)
    standing = list(
        StandingOrder.objects.filter(starts_on__lte=last, kitchen__active=True)
        .exclude(ends_on__lt=day)
        .select_related("kitchen", "address")
        .order_by("pk")
    )
    turn = turns((each.kitchen_id for each in standing), today=day)
    due: list[tuple[date, StandingOrder]] = []
    own = farm_calendar(whose)
    for each in standing:
        due += [(on, each) for on in _missing(each, own, first=day, last=last, now=now)]
    made = 0
    for on, each in sorted(due, key=lambda d: (d[1].kitchen.tier, d[0], turn[d[1].kitchen_id], d[1].pk)):
        made += _make(each, on, now=now, by="night")
    return made


def coming(standing: StandingOrder, *, first: date, last: date) -> list[date]:
    """The dates of the rule, whatever the calendar says of them."""
    return calendar.occurrences(
        standing.rule, starts_on=standing.starts_on, first=first, last=last, until=standing.ends_on
    )


def _roll_one(standing: StandingOrder, *, last: date, now: datetime, by: str) -> int:
    days = _missing(standing, farm_calendar(farm()), first=today(now), last=last, now=now)
    return sum(_make(standing, on, now=now, by=by) for on in days)


def _missing(standing: StandingOrder, own: FarmCalendar, *, first: date, last: date, now: datetime) -> list[date]:
    """Dates of the rule that can be delivered, are not past their cut-off and have no order yet."""
    there = set(Order.objects.filter(standing_order=standing, on__gte=first).values_list("on", flat=True))
    theirs = weekdays(standing.kitchen)
    found = []
    for on in coming(standing, first=first, last=last):
        if on in there or now >= own.cut_off_at(on):
            continue
        if own.is_delivery_day(on, weekdays=theirs):
            found.append(on)
        else:
            _note_left_out(standing, on, own.why_no_delivery(on, weekdays=theirs), now=now)
    return found


def _note_left_out(standing: StandingOrder, on: date, why: str, *, now: datetime) -> None:
    """Said once: this date of the rule falls on a day without deliveries."""
    told = Event.objects.filter(kind="date_left_out", subject=standing.public_id, data__on=on.isoformat()).exists()
    if not told:
        events.record(
            "date_left_out",
            subject=standing.public_id,
            by="night",
            at=now,
            kitchen=standing.kitchen,
            data={"on": on.isoformat(), "why": why},
        )


def _make(standing: StandingOrder, on: date, *, now: datetime, by: str) -> int:
    """The order of one date; 0 where it is skipped or somebody made it first."""
    with transaction.atomic():
        wanted = _lines(standing, on)
        if not wanted:
            return 0
        goods = [Goods(product.strain_id, product.grade) for product, _ in wanted]
        desk = open_desk(goods, today=today(now), kitchens=[standing.kitchen_id], lock=True)
        if Order.objects.filter(standing_order=standing, on=on).exists():
            return 0
        ordering.write(
            desk,
            wanted,
            standing.kitchen,
            on=on,
            way=standing.way,
            address=standing.address_id,
            standing_order=standing,
            by=by,
            now=now,
        )
    return 1


def _lines(standing: StandingOrder, on: date) -> list[tuple[Product, Asked]]:
    """What the date wants: the usual, unless the newest change that covers it says otherwise."""
    newest = standing.changes.filter(first_on__lte=on, last_on__gte=on).order_by("-pk").first()
    if newest is not None and newest.kind in (Change.Kind.SKIP, Change.Kind.PAUSE):
        return []
    other = newest.amounts if newest is not None and newest.kind == Change.Kind.AMOUNTS else {}
    found = []
    for line in standing.lines.select_related("product").filter(product__active=True).order_by("pk"):
        quantity = other.get(line.product.public_id, line.amount)
        if quantity:
            found.append((line.product, Asked(line.product.public_id, quantity, min(line.at_least, quantity))))
    return found


def _change(
    standing_order: str,
    kind: Change.Kind,
    *,
    first: date,
    last: date,
    amounts: Mapping[str, int] | None = None,
    by: str,
    now: datetime,
    because: str,
) -> Change:
    """Write the change and bring orders already rolled into line with it; a date past its cut-off needs a reason."""
    with transaction.atomic():
        standing = rows.lock(StandingOrder, standing_order)
        if last < first:
            raise Invalid("This span ends before it begins.", code="ends_before_start", where="last_on")
        if last < today(now):
            raise Invalid(f"{in_words(last)} is past.", code="in_the_past", where="on")
        if first > today(now) + FURTHEST_AHEAD:
            raise Invalid(f"{in_words(first)} is more than a year ahead.", code="too_far_ahead", where="on")
        if first == last and not coming(standing, first=first, last=last):
            near = coming(standing, first=first, last=first + timedelta(days=60))
            instead = f" Its next date is {in_words(near[0])}." if near else ""
            raise Invalid(
                f"{in_words(first)} is no date of this standing order.{instead}", code="no_such_date", where="on"
            )
        checked = _amounts(standing, amounts or {})
        made = Change.objects.create(
            standing_order=standing, kind=kind, first_on=first, last_on=last, amounts=checked, at=now, by=by[:40]
        )
        StandingOrder.objects.filter(pk=standing.pk).update(version=F("version") + 1)
        events.record(
            "standing_order_changed",
            subject=standing.public_id,
            by=by,
            at=now,
            kitchen=standing.kitchen,
            data={"kind": str(kind), "first_on": first.isoformat(), "last_on": last.isoformat(), "amounts": checked},
        )
        for order in standing.orders.filter(on__gte=first, on__lte=last).order_by("on"):
            _follow(order, _lines(standing, order.on), by=by, now=now, because=because)
        until = today(now) + timedelta(days=farm().roll_days)
        if kind in (Change.Kind.AS_USUAL, Change.Kind.AMOUNTS) and first <= until:
            _roll_one(standing, last=until, now=now, by=by)
        jobs.add("replan", due_at=now)
    return made


def _amounts(standing: StandingOrder, amounts: Mapping[str, int]) -> dict[str, int]:
    usual = {line.product.public_id: line.product for line in standing.lines.select_related("product")}
    checked: dict[str, int] = {}
    for product_id, quantity in amounts.items():
        product = usual.get(codes.tidy(product_id))
        if product is None:
            raise Invalid(
                f"{product_id[:20]!r} is no product of this standing order: place an order for it instead.",
                code="unknown_product",
                where="amounts",
            )
        if quantity != 0:
            try:
                ordering.check_amount(product, quantity, where=product.public_id)
            except Problem as problem:
                raise problem.at("amounts") from None
        checked[product.public_id] = quantity
    if checked and not any(checked.get(key, 1) for key in usual):
        raise Invalid("Nothing would be left of this date: skip it instead.", code="nothing_left", where="amounts")
    return checked


def _follow(order: Order, wanted: Sequence[tuple[Product, Asked]], *, by: str, now: datetime, because: str) -> None:
    """Bring an order that was rolled already to what its date wants now.

    A cancelled order is not brought to life again: its date is ordered anew by whoever wants it.
    """
    if order.cancelled_at is not None:
        if wanted:
            raise Conflict(
                f"The order of {in_words(order.on)} was cancelled: place a new order for that day instead.",
                code="cancelled",
                where="on",
            )
        return
    amounts = {product.pk: asked.amount for product, asked in wanted}
    lines = list(order.lines.filter(cancelled_at__isnull=True))
    if not any(line.product_id in amounts for line in lines):
        ordering.cancel(order.public_id, by=by, now=now, because=because)
        return
    for line in lines:
        if line.product_id not in amounts:
            ordering.drop_line(order.public_id, number=line.number, by=by, now=now, because=because)
        elif amounts[line.product_id] != line.ordered:
            ordering.change_line(
                order.public_id, number=line.number, to=amounts[line.product_id], by=by, now=now, because=because
            )
