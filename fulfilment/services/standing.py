"""Standing orders: begun, changed for a date or from one on, paused, resumed, ended, and rolled forward into orders.

What a date comes to is ``read.dates``'; here it is made so: a date that should have an order gets one, and one that has
one follows what is wanted of it now.  So whatever is taken back comes back, also a product that was left off for once
and a day that was closed; an order that somebody cancelled is a skipped date.

Rolling is what the night does: every date of every standing order inside the farm's roll-ahead becomes an order, once.
Lines rolled together are asked by tier, and inside a tier from a kitchen that moves on one each day: somebody must be
last, but not the same every time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Final

from django.db import transaction
from django.db.models import F, Q

from fulfilment.core import codes
from fulfilment.core.calendar import FarmCalendar, check_rule, in_words
from fulfilment.core.fairness import turns
from fulfilment.core.problems import Conflict, Invalid, Problem
from fulfilment.models import Address, Change, Event, Kitchen, Order, Product, StandingLine, StandingOrder, Way
from fulfilment.read import dates
from fulfilment.read.dates import Fate
from fulfilment.read.farm import calendar as farm_calendar
from fulfilment.read.farm import farm, today, weekdays
from fulfilment.services import events, given, jobs, ordering, rows
from fulfilment.services.ordering import Asked

if TYPE_CHECKING:
    from django.db.models import QuerySet

FOREVER: Final = date.max


def begin(
    kitchen: str,
    *,
    lines: Sequence[Asked],
    rule: str,
    starts_on: date,
    ends_on: date | None = None,
    way: str = Way.ROUND,
    address: int | None = None,
    on_closed: str = StandingOrder.OnClosed.LEFT_OUT,
    by: str,
    now: datetime,
) -> StandingOrder:
    """Begin a standing order; its dates inside the roll-ahead become orders at once.

    ``on_closed``: a date without deliveries is ``left_out``, or goes to the nearest delivery day ``earlier`` or
    ``later`` within a week.
    """
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
        found = _address(whose, address)
        standing = StandingOrder.objects.create(
            kitchen=whose,
            address=found,
            way=way,
            on_closed=given.one_of(on_closed, StandingOrder.OnClosed.values, where="on_closed"),
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
        _roll_one(standing, now=now, by=by)
        jobs.add("replan", due_at=now)
    return standing


def skip(standing_order: str, *, on: date, by: str, now: datetime, because: str = "") -> Change:
    """No delivery on one date."""
    return _change(standing_order, Change.Kind.SKIP, first=on, last=on, by=by, now=now, because=because)


def pause(standing_order: str, *, first: date, last: date, by: str, now: datetime, because: str = "") -> Change:
    """No deliveries from ``first`` to ``last``, both included."""
    return _change(standing_order, Change.Kind.PAUSE, first=first, last=last, by=by, now=now, because=because)


def resume(standing_order: str, *, on: date, by: str, now: datetime, because: str = "") -> Change:
    """Deliveries again from ``on``: every pause that reaches beyond it ends the day before, or is taken back.

    Returns the newest of the changes that say so.
    """
    with transaction.atomic():
        standing = rows.lock(StandingOrder, standing_order)
        _check_span(on, on, today=today(now))
        pauses = list(
            standing.changes.filter(dates.live_changes(), kind=Change.Kind.PAUSE, last_on__gte=on).order_by("pk")
        )
        if not pauses:
            raise Conflict(f"This standing order is not paused on {in_words(on)}.", code="not_paused", where="on")
        for each in pauses:
            made = _write_change(
                standing, Change.Kind.UNDO, first=each.first_on, last=each.last_on, undoes=each, by=by, now=now
            )  # fmt: skip
            if each.first_on < on:
                made = _write_change(
                    standing, Change.Kind.PAUSE, first=each.first_on, last=on - timedelta(days=1), by=by, now=now
                )  # fmt: skip
        _bring_into_line(
            standing, first=on, last=max(each.last_on for each in pauses), by=by, now=now, because=because
        )  # fmt: skip
    return made


def change(
    standing_order: str, *, on: date, amounts: Mapping[str, int], by: str, now: datetime, because: str = ""
) -> Change:
    """Other amounts on one date, by product id; products left out stay as usual."""
    return _change(
        standing_order, Change.Kind.AMOUNTS, first=on, last=on, amounts=amounts, by=by, now=now, because=because
    )


def as_usual(standing_order: str, *, on: date, by: str, now: datetime, because: str = "") -> Change:
    """One date as usual again, whatever was changed of it before."""
    return _change(standing_order, Change.Kind.AS_USUAL, first=on, last=on, by=by, now=now, because=because)


def take_back(standing_order: str, change: str, *, by: str, now: datetime, because: str = "") -> Change:
    """A change is taken back, and what held before it holds again; taking it back twice changes nothing more."""
    with transaction.atomic():
        standing = rows.lock(StandingOrder, standing_order)
        found = rows.find_in(standing.changes.exclude(kind=Change.Kind.UNDO), change, where="change")
        before: Change | None = getattr(found, "undone_by", None)
        if before is not None:
            return before
        if found.last_on < today(now):
            raise Invalid(f"{in_words(found.last_on)} is past: nothing of it can be taken back.", code="in_the_past")
        made = _write_change(
            standing, Change.Kind.UNDO, first=found.first_on, last=found.last_on, undoes=found, by=by, now=now
        )
        _bring_into_line(standing, first=found.first_on, last=found.last_on, by=by, now=now, because=because)
    return made


def set_lines(
    standing_order: str,
    lines: Sequence[Asked],
    *,
    from_on: date | None = None,
    by: str,
    now: datetime,
    because: str = "",
) -> StandingOrder:
    """Other lines from a day on; without one, from the first date that can still be changed.

    Orders already made follow: what stays keeps its promise, what is lowered its rank.
    """
    with transaction.atomic():
        standing = rows.lock(StandingOrder, standing_order)
        known = frozenset(standing.lines.filter(last_on=None).values_list("product_id", flat=True))
        wanted = ordering.products(lines, known=known)
        first = _first_changeable(standing, now=now) if from_on is None else from_on
        _check_span(first, first, today=today(now), where="from_on")
        standing.lines.filter(first_on__gte=first).delete()
        since = first if first > standing.starts_on else None
        if since is None:
            standing.lines.all().delete()
        else:
            reaching = Q(last_on__isnull=True) | Q(last_on__gte=since)
            standing.lines.filter(reaching).update(last_on=since - timedelta(days=1))
        StandingLine.objects.bulk_create(
            [
                StandingLine(
                    standing_order=standing, product=product, amount=asked.amount, at_least=asked.at_least,
                    first_on=since,
                )
                for product, asked in wanted
            ]
        )  # fmt: skip
        StandingOrder.objects.filter(pk=standing.pk).update(version=F("version") + 1)
        events.record(
            "standing_lines_set", subject=standing.public_id, by=by, at=now, kitchen=standing.kitchen,
            data={"from_on": first.isoformat(), "lines": [
                {"product": product.public_id, "amount": asked.amount} for product, asked in wanted
            ]},
        )  # fmt: skip
        _bring_into_line(standing, first=first, last=FOREVER, by=by, now=now, because=because)
    return rows.find(StandingOrder, standing_order)


def change_terms(
    standing_order: str,
    *,
    on_closed: str | None = None,
    way: str | None = None,
    address: int | None = None,
    by: str,
    now: datetime,
) -> StandingOrder:
    """What becomes of closed dates, and how and where orders go from now on; those made already stay as they are."""
    with transaction.atomic():
        standing = rows.lock(StandingOrder, standing_order)
        fields: dict[str, object] = {}
        if on_closed is not None:
            fields["on_closed"] = given.one_of(on_closed, StandingOrder.OnClosed.values, where="on_closed")
        if way is not None:
            fields["way"] = given.one_of(way, Way.values, where="way")
        if address is not None:
            fields["address_id"] = _address(standing.kitchen, address).pk
        fields = {name: value for name, value in fields.items() if getattr(standing, name) != value}
        if not fields:
            return standing
        StandingOrder.objects.filter(pk=standing.pk).update(**fields, version=F("version") + 1)
        events.record(
            "standing_terms_changed", subject=standing.public_id, by=by, at=now, kitchen=standing.kitchen,
            data={"fields": sorted(fields)},
        )  # fmt: skip
        standing = rows.find(StandingOrder, standing_order)
        if standing.kitchen.active:
            _roll_one(standing, now=now, by=by)
        jobs.add("replan", due_at=now)
    return standing


def _address(kitchen: Kitchen, address: int | None) -> Address:
    """That address of the kitchen, or its first."""
    there = Address.objects.filter(kitchen=kitchen).order_by("pk")
    found = (there if address is None else there.filter(pk=address)).first()
    if found is None:
        raise Invalid("There is no such address of this kitchen: add one first.", code="no_address", where="address")
    return found


def end(standing_order: str, *, last_on: date | None, by: str, now: datetime, because: str = "") -> StandingOrder:
    """The last date it delivers (None: it goes on); orders rolled for later dates are cancelled, and where the end
    moves out dates come back.
    """
    with transaction.atomic():
        standing = rows.lock(StandingOrder, standing_order)
        if last_on is not None and last_on < standing.starts_on:
            # It never begins: the table wants an end that is not before the start, so its only day is paused.
            Change.objects.create(
                standing_order=standing, kind=Change.Kind.PAUSE, first_on=standing.starts_on,
                last_on=standing.starts_on, at=now, by=by[:40],
            )  # fmt: skip
        ends_on = None if last_on is None else max(last_on, standing.starts_on)
        StandingOrder.objects.filter(pk=standing.pk).update(ends_on=ends_on, version=F("version") + 1)
        events.record(
            "standing_order_ended" if last_on is not None else "standing_order_goes_on",
            subject=standing.public_id,
            by=by,
            at=now,
            kitchen=standing.kitchen,
            data={"last_on": last_on.isoformat() if last_on is not None else None},
        )
        standing = rows.find(StandingOrder, standing_order)
        if last_on is not None:
            beyond = standing.orders.filter(standing_on__gt=last_on, on__gte=today(now), cancelled_at__isnull=True)
            for order in beyond.order_by("on"):
                ordering.cancel(order.public_id, by=by, now=now, because=because, for_good=False)
        if standing.kitchen.active:
            _roll_one(standing, now=now, by=by)
        jobs.add("replan", due_at=now)
    return standing


def reopen(day: date, *, by: str, now: datetime) -> int:
    """A day that was closed is open again: the dates that were left out on it, or moved away from it, come back."""
    made = 0
    with transaction.atomic():
        moved = Order.objects.filter(standing_on=day, cancelled_at__isnull=True, kitchen__active=True).exclude(on=day)
        own = farm_calendar(farm())
        if now < own.cut_off_at(day):
            for order in moved.filter(on__gte=today(now)).order_by("pk"):
                if now < own.cut_off_at(order.on):
                    ordering.cancel(order.public_id, by=by, now=now, for_good=False)
        for each in _running(first=day - dates.WEEK, last=day + dates.WEEK):
            made += _roll_one(each, now=now, by=by)
    return made


def roll(*, now: datetime) -> int:
    """Make the orders of all dates up to the roll-ahead that have none yet; returns how many.

    Every date is its own transaction, so a killed night goes on where it stopped.
    """
    whose, day = farm(), today(now)
    last = day + timedelta(days=whose.roll_days)
    standing = list(_running(first=day - dates.WEEK, last=last + dates.WEEK))
    turn = turns((each.kitchen_id for each in standing), today=day)
    due: list[tuple[Fate, date, StandingOrder]] = []
    own = farm_calendar(whose)
    for each in standing:
        due += [(fate, on, each) for fate, on in _missing(each, own, first=day, last=last, now=now)]
    made = 0
    for fate, on, each in sorted(due, key=lambda d: (d[2].kitchen.tier, d[1], turn[d[2].kitchen_id], d[2].pk)):
        made += _make(each, fate, on=on, now=now, by="night")
    return made


def coming(standing: StandingOrder, *, first: date, last: date) -> list[date]:
    """The dates of the rule, whatever the calendar says of them."""
    return dates.coming(standing, first=first, last=last)


def _running(*, first: date, last: date) -> QuerySet[StandingOrder]:
    """Those that may have a date in these days, of kitchens that are supplied."""
    found = StandingOrder.objects.filter(starts_on__lte=last, kitchen__active=True).exclude(ends_on__lt=first)
    return dates.with_dates(found).order_by("pk")


def _roll_one(standing: StandingOrder, *, now: datetime, by: str) -> int:
    whose, day = farm(), today(now)
    last = day + timedelta(days=whose.roll_days)
    due = _missing(standing, farm_calendar(whose), first=day, last=last, now=now)
    return sum(_make(standing, fate, on=on, now=now, by=by) for fate, on in due)


def _missing(
    standing: StandingOrder, own: FarmCalendar, *, first: date, last: date, now: datetime
) -> list[tuple[Fate, date]]:
    """Dates of the rule, with their delivery days, that are not past their cut-off and have no order yet."""
    there = _made(standing, since=first - 2 * dates.WEEK)
    found = []
    for fate in dates.fates(standing, own, first=first - dates.WEEK, last=last + dates.WEEK):
        day = fate.delivered_on
        if fate.on in there or fate.what in ("skipped", "paused"):
            continue
        if first <= fate.on <= last and fate.why and now < own.cut_off_at(fate.on):
            _note_closed(standing, fate, now=now)
        if day is not None and first <= day <= last and now < own.cut_off_at(day):
            found.append((fate, day))
    return found


def _made(standing: StandingOrder, *, since: date) -> set[date | None]:
    """The dates that have an order."""
    live = Order.objects.filter(standing_order=standing, standing_on__gte=since, cancelled_at__isnull=True)
    return set(live.values_list("standing_on", flat=True))


def _note_closed(standing: StandingOrder, fate: Fate, *, now: datetime) -> None:
    """Said once: this date of the rule falls on a day without deliveries, and what becomes of it."""
    kind = "date_moved" if fate.moved else "date_left_out"
    told = Event.objects.filter(kind=kind, subject=standing.public_id, data__on=fate.on.isoformat()).exists()
    if not told:
        events.record(
            kind,
            subject=standing.public_id,
            by="night",
            at=now,
            kitchen=standing.kitchen,
            data={"on": fate.on.isoformat(), "why": fate.why}
            | ({"to": fate.delivered_on.isoformat()} if fate.delivered_on is not None else {}),
        )


def _make(standing: StandingOrder, fate: Fate, *, on: date, now: datetime, by: str, because: str = "") -> int:
    """The order of one date; 0 where it wants nothing or somebody made it first."""
    with transaction.atomic():
        wanted = _lines(standing, fate.on)
        if not wanted:
            return 0
        taken = ordering.take(
            [asked for _, asked in wanted], kitchen=standing.kitchen.public_id, on=on, way=standing.way,
            address=standing.address_id, now=now,
        )  # fmt: skip
        if Order.objects.filter(standing_order=standing, standing_on=fate.on, cancelled_at__isnull=True).exists():
            return 0
        wish = ordering.Wish(
            on=on, way=standing.way, address=standing.address_id, because=because, standing_order=standing,
            standing_on=fate.on,
        )  # fmt: skip
        ordering.write(taken, wish, by=by, now=now)
    return 1


def _lines(standing: StandingOrder, on: date) -> list[tuple[Product, Asked]]:
    """What the date wants, as it stands in the database: the usual, unless the change that holds says otherwise."""
    newest = standing.changes.filter(dates.live_changes(), first_on__lte=on, last_on__gte=on).order_by("-pk").first()
    if newest is not None and newest.kind in (Change.Kind.SKIP, Change.Kind.PAUSE):
        return []
    other = newest.amounts if newest is not None and newest.kind == Change.Kind.AMOUNTS else {}
    found = []
    for line in dates.usual(standing.lines.filter(product__active=True).select_related("product"), on):
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
        _check_span(first, last, today=today(now))
        if first == last:
            first = last = _own_date(standing, first)
        checked = _amounts(standing, amounts or {}, on=first)
        made = _write_change(standing, kind, first=first, last=last, amounts=checked, by=by, now=now)
        _bring_into_line(standing, first=first, last=last, by=by, now=now, because=because)
    return made


def _check_span(first: date, last: date, *, today: date, where: str = "on") -> None:
    if last < first:
        raise Invalid("This span ends before it begins.", code="ends_before_start", where="last_on")
    if last < today:
        raise Invalid(f"{in_words(last)} is past.", code="in_the_past", where=where)
    ordering.check_ahead(first, today=today, where=where)


def _own_date(standing: StandingOrder, on: date) -> date:
    """The date of the rule that is meant: this one, or the one whose order was moved to this day."""
    if coming(standing, first=on, last=on):
        return on
    moved = standing.orders.filter(on=on, cancelled_at__isnull=True).first()
    if moved is not None and moved.standing_on is not None:
        return moved.standing_on
    near = coming(standing, first=on, last=on + timedelta(days=60))
    instead = f" Its next date is {in_words(near[0])}." if near else ""
    raise Invalid(f"{in_words(on)} is no date of this standing order.{instead}", code="no_such_date", where="on")


def _first_changeable(standing: StandingOrder, *, now: datetime) -> date:
    """The first date that the kitchen can still change, or the day it begins."""
    own, first = farm_calendar(farm()), max(today(now), standing.starts_on)
    return next(
        (on for on in coming(standing, first=first, last=first + timedelta(days=60)) if now < own.cut_off_at(on)), first
    )


def _write_change(
    standing: StandingOrder,
    kind: Change.Kind,
    *,
    first: date,
    last: date,
    amounts: Mapping[str, int] | None = None,
    undoes: Change | None = None,
    by: str,
    now: datetime,
) -> Change:
    made = Change.objects.create(
        standing_order=standing, kind=kind, first_on=first, last_on=last, amounts=dict(amounts or {}), undoes=undoes,
        at=now, by=by[:40],
    )  # fmt: skip
    StandingOrder.objects.filter(pk=standing.pk).update(version=F("version") + 1)
    data: dict[str, object] = {
        "kind": str(kind), "first_on": first.isoformat(), "last_on": last.isoformat(), "amounts": dict(amounts or {}),
    }  # fmt: skip
    if undoes is not None:
        data["undoes"] = undoes.public_id
    events.record(
        "standing_order_changed", subject=standing.public_id, by=by, at=now, kitchen=standing.kitchen, data=data
    )
    return made


def _bring_into_line(standing: StandingOrder, *, first: date, last: date, by: str, now: datetime, because: str) -> None:
    """Orders of these dates follow what is wanted of them now, and dates that want one again get theirs."""
    live = standing.orders.filter(standing_on__gte=first, standing_on__lte=last, cancelled_at__isnull=True)
    for order in live.filter(on__gte=today(now)).order_by("on"):
        _follow(order, _lines(standing, order.standing_on or order.on), by=by, now=now, because=because)
    standing = dates.with_dates(StandingOrder.objects.all()).get(pk=standing.pk)
    if standing.kitchen.active:
        if first == last:
            _make_late(standing, first, by=by, now=now, because=because)
        _roll_one(standing, now=now, by=by)
    jobs.add("replan", due_at=now)


def _make_late(standing: StandingOrder, on: date, *, by: str, now: datetime, because: str) -> None:
    """A single date that wants an order again after its cut-off: only with staff's reason."""
    own = farm_calendar(farm())
    for fate in dates.fates(standing, own, first=on, last=on):
        day = fate.delivered_on
        if day is None or day < today(now) or now < own.cut_off_at(day) or fate.on in _made(standing, since=on):
            continue
        if not _lines(standing, on):
            continue
        if not because.strip():
            own.check_delivery(day, now=now, weekdays=weekdays(standing.kitchen), where="on")
        _make(standing, fate, on=day, now=now, by=by, because=because)


def _amounts(standing: StandingOrder, amounts: Mapping[str, int], *, on: date) -> dict[str, int]:
    lines = dates.usual(standing.lines.select_related("product"), on)
    usual = {line.product.public_id: line.product for line in lines}
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
    """Bring an order that was rolled already to what its date wants now."""
    if not wanted:
        ordering.cancel(order.public_id, by=by, now=now, because=because, for_good=False)
        return
    live = order.lines.filter(cancelled_at__isnull=True).select_related("product")
    stands = {line.product_id: (line.ordered, line.at_least) for line in live}
    if stands != {product.pk: (asked.amount, asked.at_least) for product, asked in wanted}:
        ordering.set_lines(order.public_id, [asked for _, asked in wanted], by=by, now=now, because=because)
