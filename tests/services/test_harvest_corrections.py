"""Ada typed a weight wrong, or wrote it down on the wrong crop, and puts it right."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import IntegrityError, transaction

from fulfilment.core.problems import Conflict, Invalid, Unconfirmed
from fulfilment.models import Crop, Event, Harvest, Job, Lot, StockEntry
from fulfilment.read.growing import crop_states, harvested, trim_loss
from fulfilment.services import growing, stock
from tests.builders.growing import OPENED, PINS, TODAY, Grower, a_grower
from tests.builders.kitchens import NOW
from tests.builders.kits import a_kit_lot
from tests.people import ADA

pytestmark = pytest.mark.django_db


@pytest.fixture
def grower() -> Grower:
    return a_grower()


def right(lot: Lot, weighed_g: int, **more: Any) -> Lot:
    said: dict[str, Any] = {"reason": "a slip of the pen", "by": ADA, "now": NOW, **more}
    return growing.correct_harvest(lot.public_id, weighed_g=weighed_g, **said)


def stands(lot: Lot) -> tuple[int, int]:
    return harvested().values_list("weighed", "trimmed").get(lot=lot)


def state(crop: Crop) -> tuple[Any, ...]:
    crop.refresh_from_db()
    return crop.stage, crop.stage_since, crop.flush


def test_a_weight_typed_too_high_is_put_right_everywhere(grower: Grower) -> None:
    crop = grower.crop()
    grower.harvest(crop, 900, on=TODAY - timedelta(days=1))
    lot = grower.harvest(crop, 4_000, trimmed_g=3_600, confirmed=True)
    asked = Job.objects.get(kind="replan").wanted
    held = right(lot, 400)
    assert (held.quantity, stands(lot)) == (360, (400, 360)), "the same share is trimmed off"
    assert list(lot.entries.order_by("pk").values_list("kind", "quantity", "reason")) == [
        ("harvested", 3_600, ""), ("corrected", -3_240, "a slip of the pen"),
    ]  # fmt: skip
    assert Job.objects.get(kind="replan").wanted == asked + 1
    event = Event.objects.get(kind="harvest_corrected", subject=crop.public_id)
    assert event.data == {"lot": lot.public_id, "weighed_g": [4_000, 400], "trimmed_g": [3_600, 360]}
    (known,) = [each for each in crop_states(TODAY + timedelta(days=1))[0] if each.key == f"crop:{crop.pk}"]
    assert known.picked_g == 1_300


def test_a_second_look_is_measured_against_the_first(grower: Grower) -> None:
    lot = grower.harvest(grower.crop(), 1_000, trimmed_g=900)
    right(lot, 800, trimmed_g=780)
    assert right(lot, 1_100, trimmed_g=1_000).quantity == 1_000
    assert stands(lot) == (1_100, 1_000)
    assert Harvest.objects.filter(corrects__isnull=False).count() == 2


def test_only_the_trimming_was_wrong(grower: Grower) -> None:
    lot = grower.harvest(grower.crop(), 1_000, trimmed_g=500)
    assert right(lot, 1_000, trimmed_g=960).quantity == 960
    assert trim_loss(grower.strain) < 0.05, "learned from 4 % among the strain's 5 %, not from 50 %"


def test_a_harvest_of_another_crop_never_was(grower: Grower) -> None:
    crop = grower.crop()
    grower.see(crop, "pins", on=PINS)
    lot = grower.harvest(crop, 1_000)
    assert state(crop)[0] == "picking"
    assert right(lot, 0, reason="it was the other shelf").quantity == 0
    assert state(crop) == ("growing", PINS, 1), "the pins were seen, and nothing was picked since"
    assert trim_loss(grower.strain) == 0.05
    grower.harvest(crop, 500, on=TODAY)
    assert state(crop) == ("picking", TODAY, 1)


def test_without_pins_the_crop_waits_for_them_again(grower: Grower) -> None:
    crop = grower.crop()
    right(grower.harvest(crop, 1_000), 0)
    assert state(crop) == ("pinning", OPENED, 1)


def test_a_flush_that_began_with_the_harvest_has_not_begun(grower: Grower) -> None:
    crop = grower.crop()
    grower.harvest(crop, on=TODAY - timedelta(days=5), flush_ended=True)
    right(grower.harvest(crop, 500, flush=2), 0)
    assert state(crop) == ("resting", TODAY - timedelta(days=5), 1)
    grower.see(crop, "rewatered", on=TODAY - timedelta(days=1))
    right(grower.harvest(crop, 500), 0)
    assert state(crop) == ("pinning", TODAY - timedelta(days=1), 2)


def test_the_first_day_of_picking_is_that_of_what_is_left(grower: Grower) -> None:
    crop = grower.crop()
    first = grower.harvest(crop, on=TODAY - timedelta(days=2))
    grower.harvest(crop, on=TODAY)
    right(first, 0)
    assert state(crop) == ("picking", TODAY, 1)


def test_a_flush_can_end_before_a_harvest_that_never_was(grower: Grower) -> None:
    crop = grower.crop()
    grower.harvest(crop, on=TODAY - timedelta(days=3))
    right(grower.harvest(crop, on=TODAY), 0)
    grower.see(crop, "flush_ended", on=TODAY - timedelta(days=2))
    assert state(crop) == ("resting", TODAY - timedelta(days=2), 1)


def test_what_has_left_the_lot_was_there(grower: Grower) -> None:
    lot = grower.harvest(grower.crop(), 1_000, trimmed_g=1_000)
    stock.waste(lot.public_id, quantity=600, by=ADA, now=NOW, today=TODAY)
    with pytest.raises(Conflict, match=r"600 g of lot .* have left it already, so at least so much") as told:
        right(lot, 599)
    assert (told.value.where, told.value.data["left_g"]) == ("weighed_g", 600)
    assert right(lot, 600).quantity == 0


def test_what_cannot_be_is_refused_and_nothing_is_kept(grower: Grower) -> None:
    lot = grower.harvest(grower.crop(), 1_000, trimmed_g=900)
    for weighed, more, sentence in (
        (1_000, {}, "1000 g weighed and 900 g after trimming is what is written down"),
        (-1, {}, "-1 grams is too little"),
        (500, {"trimmed_g": 501}, "Trimming takes away: 501 g cannot be left of 500 g."),
        (500, {"trimmed_g": 0}, "0 grams is too little"),
        (900, {"reason": " "}, "putting a harvest right"),
        (900_000, {}, "far more than any bags can give"),
    ):
        with pytest.raises(Invalid, match=sentence):
            right(lot, weighed, **more)
    for weighed, question in ((12_000, "much for 10 bags"), (40_000, "which no bag can give")):
        with pytest.raises(Unconfirmed, match=question):
            right(lot, weighed)
    lot.refresh_from_db()
    assert (lot.quantity, Harvest.objects.count(), StockEntry.objects.count()) == (900, 1, 1)
    assert right(lot, 12_000, confirmed=True).quantity == 10_800


def test_kits_are_counted_and_not_weighed(grower: Grower) -> None:
    with pytest.raises(Invalid, match="sealed and counted, not harvested"):
        right(a_kit_lot(grower.batch(), bags=3), 5)


def test_the_table_itself_wants_a_weight_and_a_reason(grower: Grower) -> None:
    first = grower.harvest(grower.crop(), 1_000).harvest
    assert first is not None
    row = {
        "crop": first.crop, "flush": 1, "harvested_on": TODAY, "grade": "a", "logged_by": ADA, "logged_at": NOW,
    }  # fmt: skip
    for wrong in (
        {"weighed_g": -5, "trimmed_g": -5},
        {"weighed_g": 5, "trimmed_g": 6},
        {"weighed_g": -5, "trimmed_g": -5, "corrects": first},
        {"weighed_g": 0, "trimmed_g": 0, "corrects": first, "reason": "nothing"},
    ):
        with pytest.raises(IntegrityError), transaction.atomic():
            Harvest.objects.create(**row, **wrong)
