"""The shipment that an order's lines join: found or begun, held while they change, moved elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from django.db import IntegrityError, transaction
from django.db.models import F

from fulfilment.core.calendar import FarmCalendar, in_words
from fulfilment.core.problems import Conflict, Invalid
from fulfilment.models import Address, Buyer, Kitchen, Line, Order, Shipment, Way
from fulfilment.models.states import SHIPMENT, move
from fulfilment.read.farm import calendar, farm
from fulfilment.services import jobs
from fulfilment.services.ordering.wanted import Amendments, customer_of, sides


def join_shipment(own: FarmCalendar, customer: Kitchen | Buyer, *, on: date, way: str, address: int | None) -> Shipment:
    """The shipment of this customer's address, date and way that can still be joined, or a new one."""
    kitchen, buyer = sides(customer)
    chosen = chosen_way(way, is_kitchen=kitchen is not None)
    where = Address.objects.filter(kitchen=kitchen, buyer=buyer).order_by("pk")
    if address is not None:
        where = where.filter(pk=address)
    found = where.first()
    open_one = _joinable(found, on=on, way=chosen)
    return open_one or begin_shipment(own, customer, on=on, way=chosen, address=found)


def begin_shipment(
    own: FarmCalendar, customer: Kitchen | Buyer, *, on: date, way: str, address: Address | None
) -> Shipment:
    """A new one, or the one that an order of other goods began at this moment.

    Raises Invalid where there is no such address.
    """
    if address is None:
        raise Invalid("There is no such address of this customer: add one first.", code="no_address", where="address")
    kitchen, buyer = sides(customer)
    try:
        with transaction.atomic():
            return Shipment.objects.create(
                kitchen=kitchen, buyer=buyer, address=address, on=on, way=way, cut_off_at=own.cut_off_at(on)
            )
    except IntegrityError:
        begun = _joinable(address, on=on, way=way)
        if begun is None:
            raise
        return begun


def _joinable(address: Address | None, *, on: date, way: str) -> Shipment | None:
    """What goes there that day and can still be joined, held."""
    there = Shipment.objects.filter(address=address, on=on, way=way, state=Shipment.State.PLACED)
    return there.select_for_update(no_key=True).first()


def chosen_way(way: str, *, is_kitchen: bool) -> str:
    """As asked, else as is usual; raises Invalid for a way that this customer's things do not go."""
    chosen = way or (Way.ROUND if is_kitchen else Way.CARRIER)
    if chosen not in Way.values:
        raise Invalid(f"There is no way {way[:20]!r}: round, carrier or collected.", code="unknown_way", where="way")
    if chosen == Way.ROUND and not is_kitchen:
        raise Invalid("A buyer's kits go by carrier or are collected.", code="unknown_way", where="way")
    return chosen


def hold_shipment(pk: int, *, now: datetime, leave: str) -> Shipment:
    """The shipment, locked, if its lines may still be changed by whoever asks: after its cut-off only with leave."""
    shipment = Shipment.objects.select_for_update(no_key=True).get(pk=pk)
    if shipment.state not in ("placed", "packed"):
        raise Conflict(
            f"This went out already (it is {shipment.state}): it can no longer be changed.",
            code="wrong_state", state=shipment.state,
        )  # fmt: skip
    if now >= shipment.cut_off_at and not leave.strip():
        raise Conflict(
            f"The cut-off for {in_words(shipment.on)} is past: please call the farm.",
            code="past_cut_off", cut_off_at=shipment.cut_off_at.isoformat(),
        )  # fmt: skip
    return shipment


def move_shipments(placed: Order, shipments: Sequence[Shipment], changes: Amendments, *, now: datetime) -> bool:
    """Take an order's lines to another address, or another way; says whether any moved."""
    if "way" not in changes and "address" not in changes:
        return False
    moved = False
    for old in shipments:
        new = join_shipment(
            calendar(farm()), customer_of(placed), on=placed.on, way=changes.get("way", old.way),
            address=changes.get("address", old.address_id),
        )  # fmt: skip
        if new.pk == old.pk:
            continue
        if now >= old.cut_off_at or old.state != Shipment.State.PLACED:
            raise Conflict(
                f"The cut-off for {in_words(old.on)} is past: where it goes can no longer be changed.",
                code="past_cut_off", where="address" if "address" in changes else "way",
            )  # fmt: skip
        Line.objects.filter(order=placed, shipment=old).update(shipment=new, version=F("version") + 1)
        if not Line.objects.filter(shipment=old, cancelled_at__isnull=True).exists():
            state = move(SHIPMENT, old.state, Shipment.State.CANCELLED, what="shipment")
            Shipment.objects.filter(pk=old.pk).update(state=state, version=F("version") + 1)
        ask_for_plan(new, now=now)
        moved = True
    return moved


def ask_for_plan(shipment: Shipment, *, now: datetime) -> None:
    jobs.add("replan", due_at=now)
    if now >= shipment.cut_off_at:
        jobs.add("freeze", subject=shipment.on.isoformat(), due_at=now)
