"""What grows, built as a person would: through the services, each step on a day on which it could happen."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from fulfilment.models import (
    Batch,
    Crop,
    Donor,
    Farm,
    InputDelivery,
    Intake,
    Lot,
    Observation,
    Room,
    SpawnDelivery,
    Strain,
    Supplier,
)
from fulfilment.services import farm, growing
from fulfilment.services.growing import Weighed
from tests.builders.kitchens import FRIDAY, NOW
from tests.people import ADA

TODAY = FRIDAY
MIXED = TODAY - timedelta(days=35)
RUN = TODAY - timedelta(days=16)
OPENED = TODAY - timedelta(days=14)
PINS = TODAY - timedelta(days=7)


@dataclass(slots=True)
class Grower:
    """Ada's farm with one strain, two rooms, a donor and a supplier; her batches come out of these."""

    farm: Farm
    strain: Strain
    dark: Room
    light: Room
    donor: Donor
    supplier: Supplier

    def intake(self, grams: int = 60_000, *, on: date = MIXED, **more: Any) -> Intake:
        return growing.log_intake(
            self.donor.public_id,
            grams=grams,
            collected_on=on,
            hours_since_brewing=8,
            by=ADA,
            now=NOW,
            today=TODAY,
            **more,
        )

    def spawn(self, grams: int = 9_000, *, on: date = MIXED, strain: Strain | None = None) -> SpawnDelivery:
        return growing.log_spawn(
            self.supplier.public_id, strain=(strain or self.strain).public_id, grams=grams, received_on=on,
            supplier_lot="S-17", allergens="rye", by=ADA, now=NOW, today=TODAY,
        )  # fmt: skip

    def lime(self, grams: int = 2_000) -> InputDelivery:
        return growing.log_input(
            self.supplier.public_id, kind="lime", amount_received=grams, received_on=MIXED, by=ADA, now=NOW, today=TODAY
        )

    def batch(
        self,
        bags: int = 20,
        *,
        run: bool = True,
        kits_wanted: int = 0,
        intakes: list[tuple[str, int]] | None = None,
        spawn: list[tuple[str, int]] | None = None,
        inputs: list[tuple[str, int]] | None = None,
    ) -> Batch:
        """Bags of 900 g dry substrate, seen fully run unless said otherwise."""
        batch = growing.mix_batch(
            self.strain.public_id, mixed_on=MIXED, bags=bags, dry_g_per_bag=900, wet_g_per_bag=2_700, spawn_pct=15,
            room=self.dark.public_id,
            intakes=[(self.intake(bags * 2_400).public_id, bags * 2_400)] if intakes is None else intakes,
            spawn=[(self.spawn(bags * 400).public_id, bags * 400)] if spawn is None else spawn,
            inputs=inputs or [], kits_wanted=kits_wanted, by=ADA, now=NOW, today=TODAY,
        )  # fmt: skip
        if run:
            self.see(batch, "run_full", on=RUN)
            batch.refresh_from_db()
        return batch

    def crop(self, of: Batch | None = None, *, bags: int = 10, on: date = OPENED, confirmed: bool = False) -> Crop:
        return growing.open_crop(
            (of or self.batch()).public_id, bags=bags, room=self.light.public_id, opened_on=on, by=ADA, now=NOW,
            today=TODAY, confirmed=confirmed,
        )  # fmt: skip

    def see(self, what: Batch | Crop, kind: str, *, on: date = TODAY, **more: Any) -> Observation:
        named: dict[str, Any] = {"batch" if isinstance(what, Batch) else "crop": what.public_id}
        return growing.log_observation(kind=kind, seen_on=on, by=ADA, now=NOW, today=TODAY, **named, **more)

    def harvest(
        self,
        crop: Crop,
        weighed_g: int = 1_000,
        *,
        on: date = TODAY,
        trimmed_g: int | None = None,
        grade: str = "a",
        flush: int | None = None,
        flush_ended: bool = False,
        confirmed: bool = False,
    ) -> Lot:
        weighed: list[Weighed] = [{"grade": grade, "weighed_g": weighed_g, "trimmed_g": trimmed_g}]
        return growing.log_harvest(
            crop.public_id, harvested_on=on, grades=weighed, flush=flush, flush_ended=flush_ended, confirmed=confirmed,
            by=ADA, now=NOW, today=TODAY,
        )[0]  # fmt: skip


def a_grower(*, zone: str = "Europe/Berlin") -> Grower:
    """A farm that keeps pearl oysters of grade a five days and of grade b four, and sells kits."""
    made = farm.set_up("Tide Mill Mushrooms", zone=zone, by=ADA, now=NOW)
    strain = farm.register_strain("Pearl oyster", growth="pearl", kit="pearl", by=ADA, now=NOW)
    for grade, days in (("a", 5), ("b", 4)):
        farm.keep(strain.public_id, grade=grade, best_before_days=days, by=ADA, now=NOW)
    return Grower(
        farm=made,
        strain=strain,
        dark=farm.add_room("Dark room", kind="incubation", set_point_c=22, by=ADA, now=NOW),
        light=farm.add_room("Light room", kind="fruiting", set_point_c=16, by=ADA, now=NOW),
        donor=growing.add_donor("Corner Café", email="cafe@example.org", by=ADA, now=NOW),
        supplier=growing.add_supplier("Spawn works", email="spawn@example.org", by=ADA, now=NOW),
    )
