"""A small farm to order from, built through the services: one strain ready to pick, one kitchen, one buyer."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from django.db import connection

from fulfilment.models import Batch, Buyer, Crop, Kitchen, Lot, Product, Room, Strain
from fulfilment.services import customers, farm, growing, planning

MONDAY = date(2026, 5, 4)
NOW = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
ADA = "user:ada"
SCENARIOS = 200


@dataclass(slots=True)
class World:
    """What the tests order from; ``crop`` is a crop of pearl oysters being picked."""

    strain: Strain
    product: Product
    kit: Product
    room: Room
    crop: Crop
    kitchen: Kitchen
    buyer: Buyer

    def harvest(self, grams: int, *, grade: str = "a", on: date = MONDAY, now: datetime = NOW) -> Lot:
        return growing.log_harvest(
            self.crop.public_id, harvested_on=on, grades=[{"grade": grade, "weighed_g": grams, "trimmed_g": grams}],
            by=ADA, now=now, today=on, confirmed=True,
        )[0]  # fmt: skip


def build(*, bags: int = 40, opened_days_ago: int = 12, kits_wanted: int = 0) -> World:
    """The farm on a Monday morning, with a batch mixed five weeks ago of which ``bags`` were opened."""
    _count_from_one()
    farm.set_up("Tide Mill Mushrooms", zone="Etc/UTC", by=ADA, now=NOW)
    farm.change_farm(by=ADA, now=NOW, scenarios=SCENARIOS)
    strain = farm.register_strain("Pearl oyster", growth="pearl", kit="pearl", by=ADA, now=NOW)
    for grade in farm.grades_of(strain):
        farm.keep(strain.public_id, grade=grade, best_before_days=7, by=ADA, now=NOW)
    product = farm.add_product(
        strain.public_id, grade="a", pack=500, price_minor=1400, name="Pearl oyster, 500 g", by=ADA, now=NOW
    )
    kit = farm.add_product(strain.public_id, grade="kit", pack=1, price_minor=1900, name="Pearl kit", by=ADA, now=NOW)
    dark = farm.add_room("Dark room", kind="incubation", set_point_c=24, by=ADA, now=NOW)
    room = farm.add_room("Fruiting room", kind="fruiting", set_point_c=17, by=ADA, now=NOW)
    crop = open_bags(strain, dark, room, bags=bags, opened_days_ago=opened_days_ago, kits_wanted=kits_wanted)
    kitchen = customers.add_kitchen(
        "The Heron", email="heron@example.org", address={"street": "1 Quay", "town": "Saltby"}, by=ADA, now=NOW
    )
    buyer = customers.add_buyer(
        "Dai", email="dai@example.org", zone="Etc/UTC", address={"street": "2 Lane", "town": "Saltby"}, by=ADA, now=NOW
    )
    return World(strain, product, kit, room, crop, kitchen, buyer)


def _count_from_one() -> None:
    """Draws are keyed by ids, and PostgreSQL counts on after a test is rolled back: the same farm grows every time."""
    if connection.vendor != "postgresql":
        return
    with connection.cursor() as cursor:
        for model in (Strain, Batch, Crop):
            if not model._default_manager.exists():
                cursor.execute(f"ALTER SEQUENCE {model._meta.db_table}_id_seq RESTART")


def open_bags(strain: Strain, dark: Room, room: Room, *, bags: int, opened_days_ago: int, kits_wanted: int = 0) -> Crop:
    """A batch from its grounds to the day its bags are picked."""
    mixed_on = MONDAY - timedelta(days=opened_days_ago + 21)
    opened_on = MONDAY - timedelta(days=opened_days_ago)
    filled = bags + kits_wanted
    donor = growing.add_donor("Corner Café", by=ADA, now=NOW)
    supplier = growing.add_supplier(f"Spawn works {mixed_on}", by=ADA, now=NOW)
    intake = growing.log_intake(
        donor.public_id,
        grams=filled * 3000,
        collected_on=mixed_on,
        hours_since_brewing=6,
        by=ADA,
        now=NOW,
        today=mixed_on,
    )
    spawn = growing.log_spawn(
        supplier.public_id,
        strain=strain.public_id,
        grams=filled * 500,
        received_on=mixed_on,
        by=ADA,
        now=NOW,
        today=mixed_on,
    )
    batch = growing.mix_batch(
        strain.public_id,
        mixed_on=mixed_on,
        bags=filled,
        dry_g_per_bag=900,
        wet_g_per_bag=2700,
        spawn_pct=15,
        room=dark.public_id,
        intakes=[(intake.public_id, filled * 3000)],
        spawn=[(spawn.public_id, filled * 500)],
        kits_wanted=kits_wanted,
        by=ADA,
        now=NOW,
        today=mixed_on,
        confirmed=True,
    )
    growing.log_observation(batch=batch.public_id, kind="run_full", seen_on=opened_on, by=ADA, now=NOW, today=opened_on)
    crop = growing.open_crop(
        batch.public_id, bags=bags, room=room.public_id, opened_on=opened_on, by=ADA, now=NOW, today=opened_on
    )
    pins = opened_on + timedelta(days=7)
    growing.log_observation(crop=crop.public_id, kind="pins", seen_on=pins, by=ADA, now=NOW, today=pins)
    return crop


def plan(now: datetime = NOW) -> None:
    planning.replan(now=now)
