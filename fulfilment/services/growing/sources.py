"""Where bags come from: donors and what was collected from them, suppliers and what they delivered."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db import transaction

from fulfilment.core.problems import Conflict, Invalid
from fulfilment.core.units import amount
from fulfilment.models import Donor, InputDelivery, Intake, Kitchen, SpawnDelivery, Strain, Supplier
from fulfilment.services import events, given, measures, rows

if TYPE_CHECKING:
    from datetime import date, datetime

MOST_HOURS = 24 * 30
"""Grounds older than a month are no fresh substrate for anybody."""


def add_donor(name: str, *, by: str, now: datetime, email: str = "", phone: str = "", kitchen: str = "") -> Donor:
    """Who gives grounds; ``kitchen`` where it buys mushrooms too."""
    with transaction.atomic():
        buys = rows.find(Kitchen, kitchen, where="kitchen") if kitchen else None
        if buys is not None and Donor.objects.filter(kitchen=buys).exists():
            raise Conflict("This kitchen is a donor already: log its intakes there.", code="taken", where="kitchen")
        donor = Donor.objects.create(
            name=given.text(name, where="name", at_most=120),
            email=given.email(email) if email else "",
            phone=given.text(phone, where="phone", at_most=40, required=False),
            kitchen=buys,
        )
        events.record("donor_added", subject=donor.public_id, by=by, at=now, kitchen=buys)
    return donor


def add_supplier(name: str, *, by: str, now: datetime, email: str = "", phone: str = "") -> Supplier:
    """Who sells spawn, straw, lime or bags."""
    with transaction.atomic():
        name = given.text(name, where="name", at_most=120)
        if Supplier.objects.filter(name__iexact=name).exists():
            raise Conflict("There is a supplier of that name already.", code="taken", where="name")
        supplier = Supplier.objects.create(
            name=name,
            email=given.email(email) if email else "",
            phone=given.text(phone, where="phone", at_most=40, required=False),
        )
        events.record("supplier_added", subject=supplier.public_id, by=by, at=now)
    return supplier


def change_donor(
    donor_id: str,
    *,
    by: str,
    now: datetime,
    name: str | None = None,
    email: str | None = None,
    phone: str | None = None,
    kitchen: str | None = None,
) -> Donor:
    """Another name or contact of a donor, or the ``kitchen`` that it is (empty: none); left out, it stays as it is."""
    with transaction.atomic():
        donor = rows.lock(Donor, donor_id, where="donor")
        changed = _contact(donor, name=name, email=email, phone=phone)
        if kitchen is not None:
            buys = rows.find(Kitchen, kitchen, where="kitchen") if kitchen else None
            if buys is not None and Donor.objects.filter(kitchen=buys).exclude(pk=donor.pk).exists():
                raise Conflict("This kitchen is a donor already: log its intakes there.", code="taken", where="kitchen")
            if donor.kitchen != buys:
                donor.kitchen = buys
                changed.append("kitchen")
        if changed:
            donor.save(update_fields=changed)
            events.record("donor_changed", subject=donor.public_id, by=by, at=now, data={"fields": sorted(changed)})
    return donor


def change_supplier(
    supplier_id: str,
    *,
    by: str,
    now: datetime,
    name: str | None = None,
    email: str | None = None,
    phone: str | None = None,
) -> Supplier:
    """Another name or contact of a supplier; what is left out stays as it is."""
    with transaction.atomic():
        supplier = rows.lock(Supplier, supplier_id, where="supplier")
        changed = _contact(supplier, name=name, email=email, phone=phone)
        if "name" in changed and Supplier.objects.filter(name__iexact=supplier.name).exclude(pk=supplier.pk).exists():
            raise Conflict("There is a supplier of that name already.", code="taken", where="name")
        if changed:
            supplier.save(update_fields=changed)
            events.record(
                "supplier_changed", subject=supplier.public_id, by=by, at=now, data={"fields": sorted(changed)}
            )
    return supplier


def _contact(row: Donor | Supplier, *, name: str | None, email: str | None, phone: str | None) -> list[str]:
    """Write onto ``row`` what is named, each looked at, and say which of it is news."""
    wanted: dict[str, str] = {}
    if name is not None:
        wanted["name"] = given.text(name, where="name", at_most=120)
    if email is not None:
        wanted["email"] = given.email(email) if email else ""
    if phone is not None:
        wanted["phone"] = given.text(phone, where="phone", at_most=40, required=False)
    changed = [field for field, value in wanted.items() if getattr(row, field) != value]
    for field in changed:
        setattr(row, field, wanted[field])
    return changed


def log_intake(
    donor_id: str,
    *,
    grams: int,
    collected_on: date,
    hours_since_brewing: int,
    by: str,
    now: datetime,
    today: date,
    accepted: bool = True,
    refused_because: str = "",
    allergens: str = "",
) -> Intake:
    """Grounds from one donor on one day.  What was refused is logged too, with the reason, and goes into no batch."""
    with transaction.atomic():
        donor = rows.find(Donor, donor_id, where="donor")
        because = given.text(refused_because, where="refused_because", at_most=200, required=False)
        if accepted and because:
            raise Invalid(
                "These grounds are accepted, so there is no reason for refusing them: leave it out, or refuse them.",
                code="accepted_and_refused",
                where="refused_because",
            )
        if not accepted and not because:
            raise Invalid("Say why: refusing grounds needs a reason.", code="reason_needed", where="refused_because")
        intake = Intake.objects.create(
            donor=donor,
            grams=amount(grams, where="grams"),
            collected_on=measures.past_day(collected_on, where="collected_on", today=today),
            hours_since_brewing=given.number(
                hours_since_brewing, where="hours_since_brewing", at_least=0, at_most=MOST_HOURS, unit="hours"
            ),
            accepted=accepted,
            refused_because=because,
            allergens=given.text(allergens, where="allergens", at_most=200, required=False),
            logged_by=by[: events.BY_LENGTH],
        )
        events.record(
            "intake_logged",
            subject=intake.public_id,
            by=by,
            at=now,
            data={"donor": donor.public_id, "grams": intake.grams, "accepted": accepted},
        )
    return intake


def log_spawn(
    supplier_id: str,
    *,
    strain: str,
    grams: int,
    received_on: date,
    by: str,
    now: datetime,
    today: date,
    supplier_lot: str = "",
    allergens: str = "",
) -> SpawnDelivery:
    """Spawn of one strain as received."""
    with transaction.atomic():
        supplier = rows.find(Supplier, supplier_id, where="supplier")
        delivery = SpawnDelivery.objects.create(
            supplier=supplier,
            strain=rows.find(Strain, strain, where="strain"),
            grams=amount(grams, where="grams"),
            received_on=measures.past_day(received_on, where="received_on", today=today),
            supplier_lot=given.text(supplier_lot, where="supplier_lot", at_most=60, required=False),
            allergens=given.text(allergens, where="allergens", at_most=200, required=False),
            logged_by=by[: events.BY_LENGTH],
        )
        events.record(
            "spawn_logged",
            subject=delivery.public_id,
            by=by,
            at=now,
            data={"supplier": supplier.public_id, "grams": delivery.grams},
        )
    return delivery


def log_input(
    supplier_id: str,
    *,
    kind: str,
    amount_received: int,
    received_on: date,
    by: str,
    now: datetime,
    today: date,
    supplier_lot: str = "",
    allergens: str = "",
) -> InputDelivery:
    """Straw, lime, bran and other inputs in grams, bags in pieces."""
    with transaction.atomic():
        supplier = rows.find(Supplier, supplier_id, where="supplier")
        kind = given.one_of(kind, InputDelivery.Kind.values, where="kind")
        delivery = InputDelivery.objects.create(
            supplier=supplier,
            kind=kind,
            amount=amount(
                amount_received,
                where="amount_received",
                unit="pieces" if kind == InputDelivery.Kind.BAGS else "grams",
            ),
            received_on=measures.past_day(received_on, where="received_on", today=today),
            supplier_lot=given.text(supplier_lot, where="supplier_lot", at_most=60, required=False),
            allergens=given.text(allergens, where="allergens", at_most=200, required=False),
            logged_by=by[: events.BY_LENGTH],
        )
        events.record(
            "input_logged",
            subject=delivery.public_id,
            by=by,
            at=now,
            data={"supplier": supplier.public_id, "kind": kind, "amount": delivery.amount},
        )
    return delivery
