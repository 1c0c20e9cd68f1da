"""Customers, their orders and what is in store for them, laid straight into the tables."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from fulfilment.core.care import PEARL, PINK
from fulfilment.core.growth import PEARL as PEARL_GROWTH
from fulfilment.models import (
    Address,
    Allocation,
    Batch,
    Book,
    Buyer,
    Crop,
    Farm,
    Harvest,
    Keeping,
    Kitchen,
    Line,
    Lot,
    Order,
    Plan,
    Product,
    Promise,
    PromisePart,
    Room,
    Shipment,
    StockEntry,
    Strain,
    Way,
)
from fulfilment.services import stock
from fulfilment.services.promising import draw

FRIDAY = date(2026, 5, 8)
"""The day of delivery."""
THURSDAY = FRIDAY - timedelta(days=1)
NOW = datetime(2026, 5, 8, 5, 0, tzinfo=UTC)
"""Friday morning, when Ben packs."""
BEN = "user:ben"


def a_farm(*, zone: str = "Europe/Berlin") -> Farm:
    return Farm.objects.create(pk=1, name="Tide Mill Mushrooms", zone=zone, delivery_weekdays=[0, 1, 2, 3, 4])


def a_strain(name: str = "Pearl oyster", *, tender: bool = False) -> Strain:
    strain = Strain.objects.create(
        name=name, growth=PEARL_GROWTH.as_data(), kit=(PINK if tender else PEARL).as_data(), hardy=not tender
    )
    for grade in ("a", "b"):
        Keeping.objects.create(strain=strain, grade=grade, best_before_days=5)
    for grade in ("a", "b", "kit"):
        Book.objects.create(strain=strain, grade=grade)
    return strain


def a_product(strain: Strain, *, grade: str = "a", price_minor: int = 1450) -> Product:
    return Product.objects.create(
        name=f"{strain.name}, {grade}",
        strain=strain,
        grade=grade,
        pack=1 if grade == "kit" else 500,
        price_minor=price_minor,
    )


def a_kitchen(name: str = "The Heron", *, postcode: str = "10", round_name: str = "Town", **terms: object) -> Kitchen:
    kitchen = Kitchen.objects.create(
        name=name, email=f"{name.split()[-1].lower()}@example.org", round_name=round_name, made_at=NOW, **terms
    )
    Address.objects.create(kitchen=kitchen, name=name, street="1 Quay", postcode=postcode, town="Saltby")
    return kitchen


def a_buyer(name: str = "Dai", *, zone: str = "Europe/Berlin") -> Buyer:
    buyer = Buyer.objects.create(name=name, email=f"{name.lower()}@example.org", zone=zone, made_at=NOW)
    Address.objects.create(buyer=buyer, name=name, street="2 Lane", postcode="20", town="Saltby")
    return buyer


def a_line(
    customer: Kitchen | Buyer,
    product: Product,
    ordered: int,
    *,
    promised: int | None = None,
    on: date = FRIDAY,
    way: Way | None = None,
    gift: bool = False,
    order: Order | None = None,
) -> Line:
    """One line with its shipment and a promise of one part (all of it unless said otherwise)."""
    kitchen = customer if isinstance(customer, Kitchen) else None
    buyer = customer if isinstance(customer, Buyer) else None
    chosen = way or (Way.ROUND if kitchen is not None else Way.CARRIER)
    address = Address.objects.get(kitchen=kitchen, buyer=buyer)
    shipment, _ = Shipment.objects.get_or_create(
        address=address,
        on=on,
        way=chosen,
        state="placed",
        defaults={"kitchen": kitchen, "buyer": buyer, "cut_off_at": NOW - timedelta(hours=18)},
    )
    if order is None:
        order = Order.objects.create(
            kitchen=kitchen, buyer=buyer, on=on, gift=gift, placed_at=NOW, placed_by="key:test"
        )
    amount = ordered if promised is None else promised
    line = Line.objects.create(
        order=order,
        shipment=shipment,
        number=order.lines.count() + 1,
        product=product,
        price_minor=product.price_minor,
        ordered=ordered,
        promised=amount,
    )
    promise = Promise.objects.create(
        line=line,
        number=1,
        status="full" if amount == ordered else "partial" if amount else "declined",
        wanted=ordered,
        amount=amount,
        asked_pct=90,
        chance_pct=95,
        at=NOW,
        by="key:test",
    )
    if amount:
        book = Book.objects.get(strain=product.strain, grade=product.grade)
        PromisePart.objects.create(
            promise=promise,
            book=book,
            amount=amount,
            first_on=on - timedelta(days=3),
            last_on=on,
            rank=draw(Line.objects.filter(pk=line.pk))[0].rank,
        )
    line.promise = promise
    line.save()
    return line


def a_batch(strain: Strain, *, bags: int = 40, colonised_on: date | None = FRIDAY - timedelta(days=14)) -> Batch:
    room, _ = Room.objects.get_or_create(name="Fruiting room", kind="fruiting", defaults={"set_point_tenths": 170})
    return Batch.objects.create(
        strain=strain,
        mixed_on=(colonised_on or FRIDAY) - timedelta(days=26),
        bags=bags,
        dry_g_per_bag=900,
        wet_g_per_bag=2700,
        spawn_pct=15,
        room=room,
        colonised_on=colonised_on,
        logged_by="user:ada",
    )


def a_fresh_lot(
    strain: Strain,
    grams: int,
    *,
    grade: str = "a",
    harvested_on: date = THURSDAY,
    best_before: date | None = None,
    hard_stop: bool = False,
) -> Lot:
    """A lot picked off a crop of its own."""
    batch = a_batch(strain)
    crop = Crop.objects.create(
        batch=batch,
        room=batch.room,
        opened_on=FRIDAY - timedelta(days=14),
        bags=20,
        stage="picking",
        stage_since=harvested_on,
        logged_by="user:ada",
    )
    harvest = Harvest.objects.create(
        crop=crop,
        flush=1,
        harvested_on=harvested_on,
        grade=grade,
        weighed_g=grams,
        trimmed_g=grams,
        logged_by="user:ada",
        logged_at=NOW,
    )
    lot = Lot.objects.create(
        kind="fresh",
        strain=strain,
        grade=grade,
        harvest=harvest,
        batch=batch,
        ready_on=harvested_on,
        best_before=best_before or harvested_on + timedelta(days=5),
        hard_stop=hard_stop,
        made_at=NOW,
    )
    stock.move(lot, kind=StockEntry.Kind.HARVESTED, quantity=grams, by="user:ada", now=NOW)
    return lot


def plan(*pieces: tuple[Line, Lot | None, int], made_at: datetime = NOW - timedelta(hours=3)) -> Plan:
    """A plan in place of the one before: (line, lot or None for a coming harvest, amount)."""
    made = Plan.objects.create(made_at=made_at, cause="test")
    Allocation.objects.filter(line__in=[line for line, _, _ in pieces]).delete()
    for line, lot, amount in pieces:
        Allocation.objects.create(
            line=line,
            strain=lot.strain if lot else line.product.strain,
            grade=lot.grade if lot else line.product.grade,
            lot=lot,
            coming_on=None if lot else FRIDAY,
            amount=amount,
            plan=made,
        )
    return made
