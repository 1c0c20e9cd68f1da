"""A new farm's first week: what comes next, and bags that hang already."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from fulfilment.models import Batch, Crop, Lot, Night
from fulfilment.read.first_steps import all_done, first_steps, next_step
from fulfilment.services import customers, farm, growing, nights, ordering
from fulfilment.services.first_steps import confirm_delivery_days

pytestmark = pytest.mark.django_db

TODAY = date(2026, 5, 4)
NOW = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)
ADA = "user:ada"


def ago(days: int) -> date:
    return TODAY - timedelta(days=days)


def done() -> list[str]:
    return [step.key for step in first_steps(today=TODAY, now=NOW) if step.done]


def following() -> str:
    step = next_step(first_steps(today=TODAY, now=NOW))
    return step.key if step is not None else ""


def test_the_steps_come_in_an_order_in_which_each_has_what_it_needs() -> None:
    farm.set_up("Tide Mill Mushrooms", zone="Europe/Berlin", by=ADA, now=NOW)
    steps = first_steps(today=TODAY, now=NOW)
    seen: set[str] = set()
    for step in steps:
        assert seen.issuperset(step.needs)
        assert step.title
        assert step.why.endswith(".")
        seen.add(step.key)
    assert len(seen) == len(steps) == 11
    assert done() == []
    # Monday noon in Berlin is the usual cut-off of Tuesday, and it is ten o'clock there.
    days = next(step for step in steps if step.key == "delivery_days")
    assert "Tuesday 5 May 2026 and can be ordered until Monday 4 May 2026 at 12:00" in days.why


def test_a_new_farm_with_bags_that_hang_already_is_ready_for_its_first_night() -> None:
    """Everything is typed in today with the days on which it happened, weeks ago."""
    farm.set_up("Tide Mill Mushrooms", zone="Etc/UTC", by=ADA, now=NOW)
    assert following() == "strain"
    strain = farm.register_strain("Pearl oyster", growth="pearl", kit="pearl", by=ADA, now=NOW).public_id
    assert following() == "keeping"
    farm.keep(strain, grade="a", best_before_days=5, by=ADA, now=NOW)
    assert following() == "keeping", "a harvest has second-grade mushrooms too"
    farm.keep(strain, grade="b", best_before_days=4, by=ADA, now=NOW)
    assert following() == "products"
    product = farm.add_product(strain, grade="a", pack=500, price_minor=1400, name="Pearl, 500 g", by=ADA, now=NOW)
    assert following() == "rooms"
    dark = farm.add_room("Cellar", kind="incubation", set_point_c=22, by=ADA, now=NOW).public_id
    assert following() == "rooms"
    bright = farm.add_room("Shed", kind="fruiting", set_point_c=16, by=ADA, now=NOW).public_id
    assert following() == "delivery_days"
    confirm_delivery_days(by=ADA, now=NOW)
    confirm_delivery_days(by=ADA, now=NOW)
    assert following() == "grounds"

    donor = growing.add_donor("Corner Café", by=ADA, now=NOW).public_id
    kept = {"by": ADA, "now": NOW, "today": TODAY}
    intake = growing.log_intake(donor, grams=60_000, collected_on=ago(36), hours_since_brewing=12, **kept).public_id  # type: ignore[arg-type]
    assert following() == "spawn"
    supplier = growing.add_supplier("Spawn works", by=ADA, now=NOW).public_id
    spawn = growing.log_spawn(supplier, strain=strain, grams=10_000, received_on=ago(40), **kept).public_id  # type: ignore[arg-type]
    assert following() == "batch"
    batch = growing.mix_batch(
        strain, mixed_on=ago(35), bags=20, dry_g_per_bag=900, wet_g_per_bag=2700, spawn_pct=15, room=dark,
        intakes=[(intake, 55_000)], spawn=[(spawn, 8_000)], **kept,  # type: ignore[arg-type]
    ).public_id  # fmt: skip
    growing.log_observation(batch=batch, kind="run_full", seen_on=ago(17), **kept)  # type: ignore[arg-type]
    crop = growing.open_crop(batch, bags=18, room=bright, opened_on=ago(16), **kept).public_id  # type: ignore[arg-type]
    growing.log_observation(crop=crop, kind="pins", seen_on=ago(9), **kept)  # type: ignore[arg-type]
    grades: list[growing.Weighed] = [{"grade": "a", "weighed_g": 1500}]
    (old,) = growing.log_harvest(crop, harvested_on=ago(4), grades=grades, **kept)  # type: ignore[arg-type]
    (fresh,) = growing.log_harvest(crop, harvested_on=ago(1), grades=grades, **kept)  # type: ignore[arg-type]
    assert Batch.objects.get().colonised_on == ago(17)
    assert Crop.objects.get().opened_on == ago(16)
    assert [lot.best_before for lot in Lot.objects.order_by("pk")] == [ago(-1), ago(-4)]
    assert old.quantity == fresh.quantity

    assert following() == "kitchen"
    kitchen = customers.add_kitchen(
        "The Heron", email="heron@example.org", address={"street": "1 Quay", "town": "Saltby"}, by=ADA, now=NOW
    )
    assert following() == "order"
    order = ordering.place(
        kitchen=kitchen.public_id, on=ago(-2), lines=[ordering.Asked(product.public_id, 1000)], by=ADA, now=NOW
    )
    assert following() == "forecast"
    nights.run(TODAY.isoformat(), now=NOW, scenarios=60)
    assert Night.objects.get().done_at is not None
    steps = first_steps(today=TODAY, now=NOW)
    assert all_done(steps)
    assert next_step(steps) is None
    line = order.lines.get()
    assert line.allocations.exists()


def test_a_night_over_an_empty_farm_is_not_the_first() -> None:
    farm.set_up("Tide Mill Mushrooms", zone="Etc/UTC", by=ADA, now=NOW)
    nights.run(TODAY.isoformat(), now=NOW, scenarios=60)
    assert Night.objects.get().done_at is not None
    assert "forecast" not in done()


def test_looking_costs_a_handful_of_small_questions(django_assert_max_num_queries: object) -> None:
    farm.set_up("Tide Mill Mushrooms", zone="Etc/UTC", by=ADA, now=NOW)
    with django_assert_max_num_queries(20):  # type: ignore[operator]
        first_steps(today=TODAY, now=NOW)


def test_another_cut_off_shows_that_somebody_looked() -> None:
    farm.set_up("Tide Mill Mushrooms", zone="Etc/UTC", by=ADA, now=NOW)
    farm.change_farm(scenarios=60, by=ADA, now=NOW)
    assert "delivery_days" not in done()
    farm.change_farm(cut_off_days=2, by=ADA, now=NOW)
    assert "delivery_days" in done()
