"""What the forecast is told of the rooms: where each crop and batch stands, and what the logs teach."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from fulfilment.core.growth import PEARL, CropState, Stage
from fulfilment.models import Batch
from fulfilment.read.growing import crop_states, trim_loss
from fulfilment.services import farm, growing
from tests.builders.growing import MIXED, OPENED, PINS, TODAY, Grower, a_grower
from tests.builders.kitchens import NOW
from tests.builders.kits import a_kit_lot
from tests.people import ADA

pytestmark = pytest.mark.django_db


@pytest.fixture
def grower() -> Grower:
    return a_grower()


def state(key: str) -> CropState:
    return next(each for each in crop_states(TODAY)[0] if each.key == key)


def test_a_running_batch_is_as_old_as_its_room_was_warm(grower: Grower) -> None:
    batch = grower.batch(20, run=False)
    days = (TODAY - MIXED).days
    assert state(f"batch:{batch.pk}").elapsed == pytest.approx(days)
    assert (state(f"batch:{batch.pk}").stage, state(f"batch:{batch.pk}").bags) == (Stage.COLONISING, 20)
    # both on the farm's 7 May: half past midnight in Berlin is 22:30 of the day before in UTC
    for celsius, at in ((14, datetime(2026, 5, 6, 22, 30, tzinfo=UTC)), (18, datetime(2026, 5, 7, 12, tzinfo=UTC))):
        growing.log_reading(grower.dark.public_id, celsius=celsius, at=at, by=ADA, now=NOW)
    at_16 = PEARL.mycelium.rate(16, reference=PEARL.incubation_reference_c)
    assert state(f"batch:{batch.pk}").elapsed == pytest.approx(days - 1 + at_16)


def test_a_colder_room_is_a_slower_pace(grower: Grower) -> None:
    crop = grower.crop()
    assert state(f"crop:{crop.pk}").pace == pytest.approx(1)
    farm.set_room(grower.light.public_id, set_point_c=10, by=ADA, now=NOW)
    slow = PEARL.fruiting.rate(10, reference=PEARL.fruiting_reference_c)
    assert state(f"crop:{crop.pk}").pace == pytest.approx(slow)
    assert slow < 1


def test_bags_not_opened_yet_will_go_to_the_room_that_suits_them(grower: Grower) -> None:
    batch = grower.batch()
    farm.add_room("Tropics", kind="fruiting", set_point_c=28, by=ADA, now=NOW)
    assert state(f"batch:{batch.pk}").pace == pytest.approx(1)


def test_bags_meant_as_kits_are_not_to_be_fruited(grower: Grower) -> None:
    batch = grower.batch(20)
    a_kit_lot(batch, 3)
    Batch.objects.filter(pk=batch.pk).update(kit_quota=8)
    assert (state(f"batch:{batch.pk}").bags, state(f"batch:{batch.pk}").stage) == (12, Stage.PINNING)


def test_a_crop_stands_where_it_was_seen(grower: Grower) -> None:
    crop = grower.crop(bags=10)
    grower.see(crop, "pins", on=PINS)
    grower.see(crop, "bags_lost", bags=2, cause="mould")
    found = state(f"crop:{crop.pk}")
    assert (found.stage, found.flush, found.bags, found.dry_g_per_bag) == (Stage.GROWING, 1, 8, 900)
    assert found.elapsed == pytest.approx((TODAY - PINS).days)


def test_a_crop_being_picked_knows_what_was_taken(grower: Grower) -> None:
    crop = grower.crop()
    grower.harvest(crop, 600, on=TODAY - timedelta(days=2))
    grower.harvest(crop, 900, on=TODAY)
    found = state(f"crop:{crop.pk}")
    assert (found.stage, found.picked_g, found.picking_day, found.picked_today) == (Stage.PICKING, 1_500, 2, True)


def test_a_flush_that_nobody_ended_rests_since_its_last_mushroom(grower: Grower) -> None:
    crop = grower.crop()
    grower.harvest(crop, 600, on=OPENED + timedelta(days=4), confirmed=True)
    found = state(f"crop:{crop.pk}")
    assert (found.stage, found.picked_g) == (Stage.RESTING, 0)
    assert found.elapsed == pytest.approx(10)


def test_finished_and_lost_crops_are_gone(grower: Grower) -> None:
    first, second = grower.crop(grower.batch(10)), grower.crop(grower.batch(10))
    grower.see(first, "finished")
    grower.see(second, "bags_lost", bags=10, cause="flies")
    assert crop_states(TODAY)[0] == []


def test_a_fast_farm_teaches_that_pins_come_early(grower: Grower) -> None:
    before = crop_states(TODAY)[1][grower.strain.pk].pinning.mean[0]
    for _ in range(4):
        grower.see(grower.crop(), "pins", on=OPENED + timedelta(days=4))
    after = crop_states(TODAY)[1][grower.strain.pk].pinning.mean[0]
    assert after < before


def test_trimming_is_a_belief_until_it_is_logged(grower: Grower) -> None:
    assert trim_loss(grower.strain) == pytest.approx(0.05)
    crop = grower.crop()
    for _ in range(10):
        grower.harvest(crop, 100, trimmed_g=85)
    # ten logs of 15 % beside a belief of 5 % that is worth ten
    assert trim_loss(grower.strain) == pytest.approx(0.10)
