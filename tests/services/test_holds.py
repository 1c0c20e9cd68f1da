"""Ada stops something, looks into it, and releases or destroys it: what a hold reaches and what destroying leaves."""

from __future__ import annotations

from datetime import timedelta

import pytest

from fulfilment.core.problems import Conflict, Forbidden, Invalid, Missing
from fulfilment.models import Batch, Event, Hold, Job, Lot, Observation
from fulfilment.read import growing as read_growing
from fulfilment.read.holds import held_batch_ids, held_kit_ids, held_lot_ids, over_batch, over_kit, over_lot
from fulfilment.services import farm, growing, holds, kits, packing, stock
from tests.builders.growing import TODAY, Grower, a_grower
from tests.builders.kitchens import NOW, a_buyer, a_kitchen, a_line, a_product
from tests.builders.kits import a_kit_lot
from tests.people import ADA, BEN, NIGHT

pytestmark = pytest.mark.django_db


@pytest.fixture
def grower() -> Grower:
    return a_grower()


def stop(kind: str, public_id: str, *, reason: str = "smells sour") -> Hold:
    return holds.hold(kind, public_id, reason=reason, by=ADA, now=NOW)


def release(hold: Hold) -> Hold:
    return holds.release(hold.public_id, by=ADA, now=NOW)


def destroy(hold: Hold) -> Hold:
    return holds.destroy(hold.public_id, by=ADA, now=NOW, today=TODAY)


# ---- What it reaches ------------------------------------------------------------------------------------------------


def test_a_hold_reaches_all_that_was_made_of_the_thing_and_nothing_else(grower: Grower) -> None:
    intake, spawn, lime = grower.intake(90_000), grower.spawn(9_000), grower.lime()
    batch = grower.batch(
        20, intakes=[(intake.public_id, 48_000)], spawn=[(spawn.public_id, 8_000)], inputs=[(lime.public_id, 500)]
    )
    other = grower.batch(10)
    lot, others = grower.harvest(grower.crop(batch)), grower.harvest(grower.crop(other))
    kit_lot = a_kit_lot(batch, 2)
    kit = kit_lot.kits.order_by("pk")[0]
    assert others.pk not in held_lot_ids()
    reached = {
        ("intake", intake.public_id): ({batch.pk}, {lot.pk, kit_lot.pk}, 2),
        ("spawn_delivery", spawn.public_id): ({batch.pk}, {lot.pk, kit_lot.pk}, 2),
        ("input_delivery", lime.public_id): ({batch.pk}, {lot.pk, kit_lot.pk}, 2),
        ("batch", batch.public_id): ({batch.pk}, {lot.pk, kit_lot.pk}, 2),
        ("lot", lot.public_id): (set(), {lot.pk}, 0),
        ("lot", kit_lot.public_id): (set(), {kit_lot.pk}, 2),
        ("kit", kit.public_id): (set(), set(), 1),
    }
    for (kind, public_id), (batches, lots, kit_count) in reached.items():
        hold = stop(kind, public_id)
        assert (set(held_batch_ids()), set(held_lot_ids()), len(held_kit_ids())) == (batches, lots, kit_count)
        assert [over_batch(batch.pk), over_lot(lot.pk), over_kit(kit.pk)] == [
            [hold] * (batch.pk in batches), [hold] * (lot.pk in lots), [hold] * (kit.pk in held_kit_ids()),
        ]  # fmt: skip
        release(hold)
        assert not held_batch_ids() | held_lot_ids() | held_kit_ids()


def test_two_reasons_are_ended_one_by_one(grower: Grower) -> None:
    lot = grower.harvest(grower.crop())
    first, second = stop("lot", lot.public_id), stop("batch", lot.batch.public_id, reason="mould seen")
    release(first)
    assert held_lot_ids() == {lot.pk}
    release(second)
    assert not held_lot_ids()


def test_held_bags_are_in_no_forecast(grower: Grower) -> None:
    batch = grower.batch(20)
    crop = grower.crop(batch)
    states, _ = read_growing.crop_states(TODAY)
    assert {state.key for state in states} == {f"batch:{batch.pk}", f"crop:{crop.pk}"}
    hold = stop("batch", batch.public_id)
    assert read_growing.crop_states(TODAY)[0] == []
    release(hold)
    assert read_growing.crop_states(TODAY)[0] == states


def test_nothing_under_a_hold_is_opened_sealed_or_picked(grower: Grower) -> None:
    batch = grower.batch(20)
    lot = grower.harvest(grower.crop(batch))
    line = a_line(a_kitchen(), a_product(grower.strain), 500)
    stop("batch", batch.public_id)
    with pytest.raises(Conflict, match=r"is (held|on hold)"):
        grower.crop(batch, bags=1, confirmed=True)
    with pytest.raises(Conflict, match=r"is (held|on hold)"):
        kits.seal(batch.public_id, bags=1, sealed_on=TODAY, by=ADA, now=NOW, today=TODAY)
    with pytest.raises(Conflict, match=r"is (held|on hold)"):
        packing.pick(str(line), lot=lot.public_id, amount=500, by=BEN, now=NOW, today=TODAY, confirmed=True)


# ---- Placing and ending ---------------------------------------------------------------------------------------------


def test_a_hold_says_who_and_why_and_asks_for_a_replan(grower: Grower) -> None:
    lot = grower.harvest(grower.crop())
    Job.objects.all().delete()
    hold = stop("lot", lot.public_id.lower())
    assert (hold.lot, hold.reason, hold.placed_by, hold.placed_at) == (lot, "smells sour", ADA, NOW)
    event = Event.objects.get(kind="held", subject=hold.public_id)
    assert event.data == {"kind": "lot", "on": lot.public_id}
    assert Job.objects.get().kind == "replan"
    assert Lot.objects.get(pk=lot.pk).quantity == lot.quantity


def test_a_hold_needs_a_thing_and_a_reason(grower: Grower) -> None:
    lot = grower.harvest(grower.crop())
    with pytest.raises(Invalid, match="Say why: a hold needs a reason"):
        stop("lot", lot.public_id, reason=" ")
    with pytest.raises(Invalid, match="This must be one of: intake, spawn_delivery"):
        stop("room", lot.public_id)
    with pytest.raises(Missing, match="There is no batch"):
        stop("batch", lot.public_id)
    assert not Hold.objects.exists()


def test_a_hold_is_ended_once_and_by_a_person(grower: Grower) -> None:
    hold = stop("lot", grower.harvest(grower.crop()).public_id)
    with pytest.raises(Forbidden, match="Only a named person can end a hold"):
        holds.release(hold.public_id, by=NIGHT, now=NOW)
    with pytest.raises(Forbidden, match="Only a named person can end a hold"):
        holds.destroy(hold.public_id, by="worker", now=NOW, today=TODAY)
    ended = release(hold)
    assert (ended.outcome, ended.ended_by, ended.ended_at) == ("released", ADA, NOW)
    for again in (release, destroy):
        with pytest.raises(Conflict, match="is released already: place another one if it must be stopped again"):
            again(hold)


# ---- Destroying -----------------------------------------------------------------------------------------------------


def test_a_destroyed_lot_is_waste_to_the_last_gram(grower: Grower) -> None:
    crop = grower.crop()
    lot, other = grower.harvest(crop, trimmed_g=1_000), grower.harvest(crop, trimmed_g=900)
    hold = destroy(stop("lot", lot.public_id))
    assert hold.outcome == "destroyed"
    assert [Lot.objects.get(pk=each.pk).quantity for each in (lot, other)] == [0, 900]
    entry = lot.entries.order_by("-pk")[0]
    assert (entry.kind, entry.quantity, entry.reason) == (
        "wasted", -1_000, f"destroyed under hold {hold.public_id}",
    )  # fmt: skip


def test_a_destroyed_intake_takes_stock_crops_and_bags_with_it(grower: Grower) -> None:
    intake = grower.intake(48_000)
    batch = grower.batch(20, intakes=[(intake.public_id, 48_000)])
    crop = grower.crop(batch, bags=8)
    lot, kit_lot = grower.harvest(crop), a_kit_lot(batch, 3)
    Batch.objects.filter(pk=batch.pk).update(kit_quota=5)
    destroy(stop("intake", intake.public_id))
    batch.refresh_from_db()
    crop.refresh_from_db()
    assert (batch.bags_left, batch.bags_lost, batch.kit_quota) == (0, 9, 0)
    assert (crop.stage, crop.finished_on) == ("finished", TODAY)
    assert Observation.objects.get(crop=crop, kind="finished").note.startswith("destroyed under hold")
    assert [Lot.objects.get(pk=each.pk).quantity for each in (lot, kit_lot)] == [0, 0]
    assert set(kit_lot.kits.values_list("state", flat=True)) == {"finished"}
    # nothing more can come of it, though the hold is over
    assert not held_batch_ids()
    assert read_growing.crop_states(TODAY)[0] == []
    tomorrow = TODAY + timedelta(days=1)
    with pytest.raises(Conflict, match="was finished on"):
        growing.log_harvest(
            crop.public_id,
            harvested_on=tomorrow,
            grades=[{"grade": "a", "weighed_g": 10}],
            by=ADA,
            now=NOW,
            today=tomorrow,
        )


def test_a_harvest_of_a_destroyed_batch_written_down_late_stays_stopped(grower: Grower) -> None:
    """It was taken before the batch was destroyed: it is on the shelf, and nobody may promise, pick or eat it."""
    batch = grower.batch(20)
    crop = grower.crop(batch)
    destroy(stop("batch", batch.public_id))
    late = grower.harvest(crop, on=TODAY)
    assert late.pk in held_lot_ids()
    line = a_line(a_kitchen(), a_product(grower.strain), 500)
    with pytest.raises(Conflict, match="was destroyed: nothing is ever picked from it"):
        packing.pick(str(line), lot=late.public_id, amount=500, by=BEN, now=NOW, today=TODAY)
    with pytest.raises(Conflict, match=r"was destroyed \(.*\): nobody may eat of it"):
        stock.take(late.public_id, kind="own_use", quantity=100, by=ADA, now=NOW, today=TODAY)
    stock.waste(late.public_id, quantity=late.quantity, reason="too", by=ADA, now=NOW, today=TODAY)


def test_what_stands_packed_is_put_back_before_it_is_destroyed(grower: Grower) -> None:
    lot = grower.harvest(grower.crop(), trimmed_g=1_000)
    line = a_line(a_kitchen(), a_product(grower.strain), 500)
    pick = packing.pick(str(line), lot=lot.public_id, amount=500, by=BEN, now=NOW, today=TODAY)
    hold = stop("lot", lot.public_id)
    with pytest.raises(Conflict) as problem:
        destroy(hold)
    assert problem.value.sentence == (
        f"Some of it is picked for {line} and still here: undo these picks first, then destroy it."
    )
    hold.refresh_from_db()
    assert (hold.ended_at, Lot.objects.get(pk=lot.pk).quantity) == (None, 500)
    packing.undo_pick(pick.public_id, reason="held", by=BEN, now=NOW, today=TODAY)
    destroy(hold)
    assert Lot.objects.get(pk=lot.pk).quantity == 0


def test_a_destroyed_kit_is_one_bag_of_its_lot(grower: Grower) -> None:
    kit_lot = a_kit_lot(grower.batch(), 3)
    first, second, _ = kit_lot.kits.order_by("pk")
    destroy(stop("kit", second.public_id))
    second.refresh_from_db()
    assert (second.state, Lot.objects.get(pk=kit_lot.pk).quantity) == ("finished", 2)
    kit = farm.add_product(grower.strain.public_id, grade="kit", pack=1, price_minor=1900, name="K", by=ADA, now=NOW)
    line = a_line(a_buyer(), kit, 1)
    packing.pick(str(line), lot=kit_lot.public_id, amount=1, by=BEN, now=NOW, today=TODAY)
    with pytest.raises(Conflict, match="is sold: it is not in store"):
        destroy(stop("kit", first.public_id))
