"""Kits: sealed, sold with a pick, sent, joined by whoever holds one, reported on, replaced.

What may happen to a kit is the table of ``core.care.events``; each step writes its event, and the care mails follow.
Locks: batch, lot, kits, then the holder, whose row keeps two plans of one person's mails apart.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Final

from django.db import transaction
from django.db.models import F

from fulfilment.core import codes
from fulfilment.core.calendar import farm_day, in_words
from fulfilment.core.care import EventKind, KitEvent, KitStage, Warmth, check, report
from fulfilment.core.care.events import GROWTH
from fulfilment.core.problems import Conflict, Invalid, Missing
from fulfilment.core.units import KIT, amount
from fulfilment.models import Batch, Buyer, Holder, Kit, Line, Lot, StockEntry
from fulfilment.models import KitEvent as EventRow
from fulfilment.read import holds
from fulfilment.read import kits as read_kits
from fulfilment.services import caring, customers, events, given, jobs, mails, measures, rows, stock

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from django.db.models import QuerySet

MOST_BAGS: Final = 1000
REPORTED: Final = (
    EventKind.STARTED,
    EventKind.PINS,
    EventKind.HARVESTED_FIRST,
    EventKind.HARVESTED_ALL,
    EventKind.REWATERED,
    EventKind.PAUSED,
    EventKind.RESUMED,
    EventKind.TROUBLE,
    EventKind.FINISHED,
)
"""What a holder (or staff for them) can say of a kit; the rest happens to it on the farm."""

TROUBLES: Final = ("mould", "nothing_happens", "dry", "flies", "other")
CODE_DAYS: Final = 90
"""A joining code is good until so long after the kit is finished."""


# ---- On the farm ----------------------------------------------------------------------------------------------------


def seal(batch: str, *, bags: int, sealed_on: date, by: str, now: datetime, today: date) -> Lot:
    """So many grown-through bags become kits, a lot of their own; start by counts from the day of full run."""
    with transaction.atomic():
        of = rows.lock(Batch, batch, where="batch")
        amount(bags, where="bags", at_most=MOST_BAGS, unit="bags")
        best_before = _check_seal(of, bags=bags, sealed_on=sealed_on, today=today)
        lot = Lot.objects.create(
            kind=Lot.Kind.KITS,
            strain=of.strain,
            grade=KIT,
            batch=of,
            ready_on=sealed_on,
            best_before=best_before,
            made_at=now,
        )
        stock.move(lot, kind=StockEntry.Kind.SEALED, quantity=bags, by=by, now=now)
        made = Kit.objects.bulk_create([Kit(batch=of, lot=lot, state=KitStage.SEALED) for _ in range(bags)])
        _write(made, EventKind.SEALED, on=sealed_on, by=by, now=now)
        of.bags_sealed += bags
        of.kit_quota = max(of.kit_quota, stock.in_store(of))
        of.version += 1
        of.save(update_fields=["bags_sealed", "kit_quota", "version"])
        events.record("kits_sealed", subject=lot.public_id, by=by, at=now, data={"batch": of.public_id, "bags": bags})
        jobs.add("replan", due_at=now)
    return lot


def choose(lot: Lot, *, count: int, numbers: Sequence[str] = ()) -> list[Kit]:
    """``count`` kits of a locked lot to be picked: the named ones, or those sealed first; locked."""
    free = Kit.objects.filter(lot=lot, state=KitStage.SEALED, line__isnull=True)
    held = holds.held_kit_ids()
    if not numbers:
        found = [kit for kit in rows.lock_all(free) if kit.pk not in held][:count]
        if len(found) < count or lot.quantity < count:
            there = min(len(found), lot.quantity)
            raise Conflict(
                f"Lot {lot.public_id} has {there} kits that can be picked, not {count}: take the rest from another "
                "lot, or seal more.",
                code="not_in_store",
                where="amount",
                there=there,
            )
        return found
    wanted = {codes.tidy(number) for number in numbers}
    found = rows.lock_all(free.filter(public_id__in=wanted))
    if len(wanted) != count or len(found) != count:
        raise Invalid(
            f"{count} kits were to be picked, and {len(found)} of the numbers named are kits in lot {lot.public_id}: "
            "name each kit once.",
            code="kits_not_in_lot",
            where="kit_numbers",
        )
    for kit in found:
        if kit.pk in held:
            raise Conflict(
                f"Kit {kit.public_id} is on hold: take another one.",
                code="on_hold",
                where="kit_numbers",
                kit=kit.public_id,
            )
    return found


def sell(kits: Sequence[Kit], *, line: Line, on: date, by: str, now: datetime) -> None:
    """Locked kits are picked for a line; a gift has no holder until its receiver joins."""
    order = line.order
    holder = customers.holder_of(order.buyer, now=now) if order.buyer is not None and not order.gift else None
    _write(kits, EventKind.SOLD, on=on, by=by, now=now)
    _set(kits, state=KitStage.SOLD.value, line=line, holder=holder)


def take_back(line: Line, *, lot: Lot, count: int, sold_at: datetime, on: date, by: str, now: datetime) -> list[Kit]:
    """A pick of this instant is undone: its kits go back on sale."""
    of_pick = EventRow.objects.filter(kind=EventKind.SOLD, at=sold_at, kit__line=line, kit__lot=lot).values("kit")
    kits = rows.lock_all(Kit.objects.filter(pk__in=of_pick, state=KitStage.SOLD))[:count]
    _write(kits, EventKind.RELEASED, on=on, by=by, now=now)
    _set(kits, state=KitStage.SEALED.value, line=None, holder=None)
    return kits


def send(kits: QuerySet[Kit], *, on: date, by: str, now: datetime) -> list[Kit]:
    """Sold kits leave the farm; their care begins."""
    leaving = rows.lock_all(kits.filter(state=KitStage.SOLD))
    _write(leaving, EventKind.SENT, on=on, by=by, now=now)
    _set(leaving, state=KitStage.SENT.value)
    caring.follow_all({kit.holder_id for kit in leaving if kit.holder_id is not None}, now=now)
    return leaving


def refuse(line: Line, *, count: int, on: date, by: str, now: datetime) -> list[Kit]:
    """Kits sent back at the door end there, and nobody is told to care for them; the last numbered ones."""
    kits = list(reversed(rows.lock_all(Kit.objects.filter(line=line, state=KitStage.SENT))))[:count]
    holders = {kit.holder_id for kit in kits if kit.holder_id is not None}
    _write(kits, EventKind.FINISHED, on=on, by=by, now=now, note="refused at the door")
    _set(kits, state=KitStage.FINISHED.value, finished_on=on, holder=None)
    for kit in kits:
        caring.drop(kit)
    caring.follow_all(holders, now=now)
    return kits


# ---- In somebody's kitchen ------------------------------------------------------------------------------------------


def join(code: str, *, email: str, name: str = "", zone: str, warmth: str, now: datetime) -> Kit:
    """Whoever enters the code on the box holds the kit and is told what it needs.

    The same person again changes nothing but the room; another one takes over.  Nobody is shown who bought the kit or
    held it before, nor are they told who has it now.
    """
    address, clock = given.email(email), given.zone(zone)
    called = given.text(name, where="name", at_most=120, required=False)
    room = given.one_of(warmth, [word.value for word in Warmth], where="warmth")
    with transaction.atomic():
        kit = _lock_by_code(code)
        today = farm_day(now, clock)
        if kit.finished_on is not None and today > kit.finished_on + timedelta(days=CODE_DAYS):
            raise Conflict(
                f"This kit was finished on {in_words(kit.finished_on)}; its code was valid for {CODE_DAYS} days after "
                "that. Ask the farm if you have a kit that still grows.",
                code="code_expired",
                where="code",
            )
        before = kit.holder
        if before is not None and before.email.lower() == address.lower():
            _set([kit], warmth=room)
            caring.follow_all({before.pk}, now=now)
            return kit
        events_before = read_kits.events_of([kit])[kit.pk]
        check(KitEvent(EventKind.JOINED, today, now), events_before, now=now, zone=clock)
        holder = _holder(address, name=called, zone=clock, now=now)
        _write([kit], EventKind.JOINED, on=today, by=f"holder:{holder.public_id}", now=now)
        _set([kit], holder=holder, warmth=room)
        caring.follow_all({each.pk for each in (before, holder) if each is not None}, now=now)
        events.record(
            "kit_joined", subject=kit.public_id, by=f"holder:{holder.public_id}", at=now, buyer=_buyer(kit),
            data={"holder": holder.public_id, "took_over": before is not None},
        )  # fmt: skip
    return kit


def record(
    kit: str,
    *,
    kind: str,
    on: date,
    cycle: int | None = None,
    trouble: str = "",
    note: str = "",
    by: str,
    now: datetime,
) -> Kit:
    """A holder's report (or staff's for them); said twice, it is written once.

    ``cycle`` is the flush, told from the date where it is left out.  Raises what cannot be: pins before the start, a
    start before sending, a day to come (by the holder's own clock).
    """
    what = EventKind(given.one_of(kind, [word.value for word in REPORTED], where="kind"))
    said = given.text(note, where="note", at_most=300, required=False)
    if what is EventKind.TROUBLE:
        given.one_of(trouble, TROUBLES, where="trouble")
    elif trouble:
        raise Invalid("Only a report of trouble says which trouble it is.", code="no_trouble", where="trouble")
    with transaction.atomic():
        row = rows.lock(Kit, kit, where="kit")
        before = read_kits.events_of([row])[row.pk]
        event = report(what, before, on=on, at=now)
        if cycle is not None:
            event = KitEvent(what, on, now, given.number(cycle, where="cycle", at_least=1, at_most=6, unit="flush"))
        if _said_before(row, event, trouble=trouble, note=said):
            return row
        after = check(event, before, now=now, zone=read_kits.zone_of(row))
        EventRow.objects.create(
            kit=row, kind=event.kind.value, on=on, cycle=event.cycle, trouble=trouble, note=said, at=now,
            by=by[: events.BY_LENGTH],
        )  # fmt: skip
        finished = after.stage is KitStage.FINISHED
        _set([row], state=after.stage.value, finished_on=on if finished else row.finished_on)
        caring.follow(row, now=now)
        events.record(
            "kit_event", subject=row.public_id, by=by, at=now, buyer=_buyer(row),
            data={"kind": event.kind.value, "on": on.isoformat(), "cycle": event.cycle, "trouble": trouble},
        )  # fmt: skip
        if what is EventKind.TROUBLE:
            mails.queue(
                "kit_trouble", to_staff=True, subject={"kit": row.public_id, "trouble": trouble},
                once=f"kit_trouble:{row.public_id}:{now.isoformat()}", now=now,
            )  # fmt: skip
    return row


def set_room(kit: str, *, warmth: str | None = None, celsius: float | None = None, by: str, now: datetime) -> Kit:
    """The room the holder names, as a word, as degrees, or both; the dates to come follow the word."""
    if warmth is None and celsius is None:
        raise Invalid(
            "Say how warm the room is: cool, normal or warm, or its degrees Celsius.", code="missing", where="warmth"
        )
    with transaction.atomic():
        row = rows.lock(Kit, kit, where="kit")
        room = row.warmth if warmth is None else given.one_of(warmth, [word.value for word in Warmth], where="warmth")
        tenths = row.room_celsius_tenths if celsius is None else measures.tenths(celsius, where="celsius")
        _set([row], warmth=room, room_celsius_tenths=tenths)
        caring.follow(row, now=now)
        events.record("kit_room_told", subject=row.public_id, by=by, at=now, data={"warmth": room, "tenths": tenths})
    return row


def replace(kit: str, *, reason: str, on: date, by: str, now: datetime) -> Kit:
    """Staff replace a kit: its care ends here; the one that goes instead is a new order."""
    because = given.reason(reason, what="replacing a kit")
    with transaction.atomic():
        row = rows.lock(Kit, kit, where="kit")
        if row.state == KitStage.REPLACED:
            return row
        event = KitEvent(EventKind.REPLACED, on, now)
        check(event, read_kits.events_of([row])[row.pk], now=now, zone=read_kits.zone_of(row))
        _write([row], EventKind.REPLACED, on=on, by=by, now=now, note=because)
        _set([row], state=KitStage.REPLACED.value)
        caring.follow(row, now=now)
        events.record("kit_replaced", subject=row.public_id, by=by, at=now, buyer=_buyer(row))
    return row


def _check_seal(batch: Batch, *, bags: int, sealed_on: date, today: date) -> date:
    """The start-by date, if these bags can be sealed on that day."""
    measures.past_day(sealed_on, where="sealed_on", today=today)
    for hold in holds.over_batch(batch.pk):
        raise Conflict(
            f"Batch {batch.public_id} is on hold ({hold.reason}): nothing is sealed until a person releases it.",
            code="on_hold",
            where="batch",
            hold=hold.public_id,
        )
    if batch.colonised_on is None or sealed_on < batch.colonised_on:
        raise Conflict(
            f"Batch {batch.public_id} was not grown through by {in_words(sealed_on)}: log the full run first, with the "
            "day it was seen.",
            code="not_colonised",
            where="batch",
        )
    if bags > batch.bags_left:
        raise Conflict(
            f"Batch {batch.public_id} has {batch.bags_left} bags that are neither lost, opened nor sealed, so {bags} "
            "cannot be sealed.",
            code="not_enough_bags",
            where="bags",
            left=batch.bags_left,
        )
    best_before = batch.colonised_on + timedelta(weeks=batch.strain.kit_weeks)
    if best_before < sealed_on:
        raise Conflict(
            f"A kit of batch {batch.public_id} had to be started by {in_words(best_before)}, which is past: open the "
            "bags for the fruiting room instead.",
            code="past_start_by",
            where="batch",
        )
    return best_before


def _lock_by_code(code: str) -> Kit:
    tidy = codes.tidy(code)
    kit = (
        Kit.objects.select_for_update(no_key=True, of=("self",))
        .select_related("holder", "lot__strain")
        .filter(joining_code=tidy or "-")
        .first()
    )
    if kit is None:
        raise Missing(
            "There is no kit with this code: look at the label on the box, it looks like K7Q2-M4XJ.", where="code"
        )
    return kit


def _holder(email: str, *, name: str, zone: str, now: datetime) -> Holder:
    """The holder with this address.  Who is known already keeps name and clock: nobody has shown that it is they."""
    known = Holder.objects.filter(email__iexact=email, erased_at__isnull=True).order_by("pk").first()
    return known or Holder.objects.create(name=name, email=email, zone=zone, made_at=now)


def _said_before(kit: Kit, event: KitEvent, *, trouble: str, note: str) -> bool:
    """Pressed twice: the same report of the same day; or the first mushroom of a flush that had one."""
    same = EventRow.objects.filter(kit=kit, kind=event.kind.value)
    if event.kind is EventKind.HARVESTED_FIRST:
        return same.filter(cycle=event.cycle).exists()
    if event.kind in GROWTH or event.kind is EventKind.FINISHED:
        last = same.filter(cycle=event.cycle).order_by("pk").last()
        return last is not None and last.on == event.on
    if event.kind is EventKind.TROUBLE:
        return same.filter(on=event.on, trouble=trouble, note=note).exists()
    return False


def _buyer(kit: Kit) -> Buyer | None:
    return kit.line.order.buyer if kit.line is not None else None


def _write(kits: Iterable[Kit], kind: EventKind, *, on: date, by: str, now: datetime, note: str = "") -> None:
    """One event a kit.  A kit that went back on sale counts its sales in ``cycle``."""
    kits = list(kits)
    sales: dict[int, int] = {}
    if kind in (EventKind.SOLD, EventKind.RELEASED):
        for pk in EventRow.objects.filter(kit__in=kits, kind=EventKind.RELEASED).values_list("kit", flat=True):
            sales[pk] = sales.get(pk, 0) + 1
    EventRow.objects.bulk_create(
        EventRow(
            kit=kit,
            kind=kind.value,
            on=on,
            cycle=1 + sales.get(kit.pk, 0),
            note=note,
            at=now,
            by=by[: events.BY_LENGTH],
        )
        for kit in kits
    )


def _set(kits: Sequence[Kit], **fields: object) -> None:
    """The same new values for all of these locked kits."""
    Kit.objects.filter(pk__in=[kit.pk for kit in kits]).update(**fields, version=F("version") + 1)
    for kit in kits:
        for field, value in fields.items():
            setattr(kit, field, value)
        kit.version += 1
