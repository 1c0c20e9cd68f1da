"""A code in, everything it touched out: back to donors and suppliers, forward to kitchens, buyers and holders."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fulfilment.core.problems import Missing
from fulfilment.models import Batch, InputDelivery, Intake, Kit, Line, Lot, SpawnDelivery
from fulfilment.read.trace import Trace, Used, trace
from fulfilment.services import farm, holds, packing, stock
from tests.builders.growing import TODAY, Grower, a_grower
from tests.builders.kitchens import NOW, a_buyer, a_kitchen, a_line, a_product
from tests.builders.kits import a_kit_lot
from tests.people import ADA, BEN

pytestmark = pytest.mark.django_db


@dataclass(slots=True)
class Week:
    """Grounds of two days in two batches, the second intake in both; mushrooms for two kitchens and a kit for Dai."""

    grower: Grower
    first: Intake
    shared: Intake
    spawn: SpawnDelivery
    lime: InputDelivery
    one: Batch
    two: Batch
    lot_one: Lot
    lot_two: Lot
    kit_lot: Lot
    heron: Line
    otter: Line
    dai: Line

    def pick(self, line: Line, lot: Lot, amount: int) -> str:
        made = packing.pick(str(line), lot=lot.public_id, amount=amount, by=BEN, now=NOW, today=TODAY, confirmed=True)
        return made.public_id


@pytest.fixture
def week() -> Week:
    grower = a_grower()
    first, shared, spawn, lime = grower.intake(30_000), grower.intake(60_000), grower.spawn(20_000), grower.lime(900)
    one = grower.batch(
        20, intakes=[(first.public_id, 30_000), (shared.public_id, 20_000)], spawn=[(spawn.public_id, 8_000)],
        inputs=[(lime.public_id, 400)],
    )  # fmt: skip
    two = grower.batch(10, intakes=[(shared.public_id, 25_000)], spawn=[(spawn.public_id, 4_000)])
    lots = [grower.harvest(grower.crop(batch, bags=8), 2_000, trimmed_g=2_000) for batch in (one, two)]
    farm.add_product(grower.strain.public_id, grade="kit", pack=1, price_minor=1900, name="Kit", by=ADA, now=NOW)
    fresh = a_product(grower.strain)
    made = Week(
        grower, first, shared, spawn, lime, one, two, lots[0], lots[1], a_kit_lot(one, 3),
        heron=a_line(a_kitchen("The Heron"), fresh, 1_000), otter=a_line(a_kitchen("The Otter"), fresh, 1_500),
        dai=a_line(a_buyer(), grower.strain.products.get(grade="kit"), 1),
    )  # fmt: skip
    made.pick(made.heron, made.lot_one, 1_000)
    made.pick(made.otter, made.lot_one, 500)
    made.pick(made.otter, made.lot_two, 1_000)
    made.pick(made.dai, made.kit_lot, 1)
    stock.waste(made.lot_two.public_id, quantity=100, by=ADA, now=NOW, today=TODAY)
    return made


def got(found: Trace) -> set[tuple[str, str, int]]:
    return {(line.customer.name, taken.lot, taken.amount) for line in found.lines for taken in line.taken}


def test_from_a_lot_back_to_whoever_gave_for_it(week: Week) -> None:
    found = trace(week.lot_one.public_id)
    assert (found.kind, found.code) == ("lot", week.lot_one.public_id)
    assert {
        (source.kind, source.code, source.giver.name, *((used.batch, used.amount) for used in source.used))
        for source in found.sources
    } == {
        ("intake", week.first.public_id, "Corner Café", (week.one.public_id, 30_000)),
        ("intake", week.shared.public_id, "Corner Café", (week.one.public_id, 20_000)),
        ("spawn_delivery", week.spawn.public_id, "Spawn works", (week.one.public_id, 8_000)),
        ("input_delivery", week.lime.public_id, "Spawn works", (week.one.public_id, 400)),
    }
    spawn = next(source for source in found.sources if source.kind == "spawn_delivery")
    assert (spawn.what, spawn.supplier_lot, spawn.allergens, spawn.giver.email) == (
        "Pearl oyster", "S-17", "rye", "spawn@example.org",
    )  # fmt: skip


def test_from_a_lot_forward_to_whoever_got_of_it(week: Week) -> None:
    found = trace(week.lot_one.public_id)
    code = week.lot_one.public_id
    assert got(found) == {("The Heron", code, 1_000), ("The Otter", code, 500)}
    assert {line.code for line in found.lines} == {str(week.heron), str(week.otter)}
    assert {(line.customer.kind, line.customer.email) for line in found.lines} == {
        ("kitchen", "heron@example.org"), ("kitchen", "otter@example.org"),
    }  # fmt: skip
    assert not found.kits


def test_from_an_intake_to_every_batch_and_all_that_came_of_them(week: Week) -> None:
    found = trace(week.shared.public_id)
    assert [source.code for source in found.sources] == [week.shared.public_id]
    assert set(found.sources[0].used) == {Used(week.one.public_id, 20_000), Used(week.two.public_id, 25_000)}
    assert [batch.code for batch in found.batches] == [week.one.public_id, week.two.public_id]
    assert {lot.code for lot in found.lots} == {
        week.lot_one.public_id, week.lot_two.public_id, week.kit_lot.public_id,
    }  # fmt: skip
    assert got(found) == {
        ("The Heron", week.lot_one.public_id, 1_000), ("The Otter", week.lot_one.public_id, 500),
        ("The Otter", week.lot_two.public_id, 1_000), ("Dai", week.kit_lot.public_id, 1),
    }  # fmt: skip
    assert [(kit.state, kit.line) for kit in found.kits] == [
        ("sold", str(week.dai)),
        ("sealed", None),
        ("sealed", None),
    ]


def test_the_first_intake_is_in_one_batch_only(week: Week) -> None:
    found = trace(week.first.public_id)
    assert [batch.code for batch in found.batches] == [week.one.public_id]
    assert week.lot_two.public_id not in {lot.code for lot in found.lots}


def test_grounds_not_mixed_yet_are_found_alone(week: Week) -> None:
    intake = week.grower.intake(700)
    found = trace(intake.public_id)
    assert [(source.code, source.amount, source.used) for source in found.sources] == [(intake.public_id, 700, ())]
    assert not found.batches
    assert not found.lots


@pytest.mark.parametrize("kind", ["spawn", "lime"])
def test_from_a_delivery_to_its_batches(week: Week, kind: str) -> None:
    delivery = getattr(week, kind)
    found = trace(delivery.public_id)
    assert [source.code for source in found.sources] == [delivery.public_id]
    batches = {batch.code for batch in found.batches}
    assert batches == {"spawn": {week.one.public_id, week.two.public_id}, "lime": {week.one.public_id}}[kind]


def test_from_an_order_line_back_through_both_its_lots(week: Week) -> None:
    found = trace(str(week.otter))
    assert (found.kind, found.code) == ("line", str(week.otter))
    assert {lot.code for lot in found.lots} == {week.lot_one.public_id, week.lot_two.public_id}
    assert {source.code for source in found.sources} == {
        each.public_id for each in (week.first, week.shared, week.spawn, week.lime)
    }
    assert got(found) == {("The Otter", week.lot_one.public_id, 500), ("The Otter", week.lot_two.public_id, 1_000)}


def test_from_a_kit_to_its_bag_and_the_line_it_went_with(week: Week) -> None:
    kit = Kit.objects.get(line=week.dai)
    found = trace(kit.public_id)
    assert [(each.code, each.line) for each in found.kits] == [(kit.public_id, str(week.dai))]
    assert got(found) == {("Dai", week.kit_lot.public_id, 1)}
    assert [batch.code for batch in found.batches] == [week.one.public_id]


def test_a_crop_leads_to_its_own_lots(week: Week) -> None:
    harvest = week.lot_two.harvest
    assert harvest is not None
    other = week.grower.harvest(week.grower.crop(week.two, bags=1, on=TODAY), 100)
    found = trace(harvest.crop.public_id)
    assert [lot.code for lot in found.lots] == [week.lot_two.public_id]
    assert [batch.code for batch in found.batches] == [week.two.public_id]
    assert [lot.code for lot in trace(week.two.public_id).lots] == [week.lot_two.public_id, other.public_id]


def test_a_crop_that_gave_nothing_yet_has_its_batch(week: Week) -> None:
    crop = week.grower.crop(week.two, bags=1)
    found = trace(crop.public_id)
    assert [batch.code for batch in found.batches] == [week.two.public_id]
    assert not found.lots


def test_every_lots_account_is_whole(week: Week) -> None:
    for lot in trace(week.shared.public_id).lots:
        assert sum(quantity for _, quantity in lot.ledger) == lot.in_store
    two = trace(week.lot_two.public_id).lots[0]
    assert (dict(two.ledger), two.in_store) == ({"harvested": 2_000, "picked": -1_000, "wasted": -100}, 900)


def test_every_gram_picked_is_somebodys(week: Week) -> None:
    found = trace(week.shared.public_id)
    for lot in found.lots:
        ledger = dict(lot.ledger)
        taken = sum(each.amount for line in found.lines for each in line.taken if each.lot == lot.code)
        assert taken == -ledger.get("picked", 0) - ledger.get("pick_undone", 0) > 0


def test_an_order_is_all_its_lines(week: Week) -> None:
    found = trace(week.otter.order.public_id)
    assert (found.kind, [line.code for line in found.lines]) == ("order", [str(week.otter)])
    assert {lot.code for lot in found.lots} == {week.lot_one.public_id, week.lot_two.public_id}


def test_an_undone_pick_is_nobodys(week: Week) -> None:
    line = a_line(a_kitchen("The Finch"), week.heron.product, 300)
    pick = week.pick(line, week.lot_two, 300)
    assert ("The Finch", week.lot_two.public_id, 300) in got(trace(week.lot_two.public_id))
    packing.undo_pick(pick, reason="wrong crate", by=BEN, now=NOW, today=TODAY)
    found = trace(week.lot_two.public_id)
    assert "The Finch" not in {line.customer.name for line in found.lines}
    assert dict(found.lots[0].ledger)["pick_undone"] == 300
    assert not trace(str(line)).lots


def test_what_is_held_is_said(week: Week) -> None:
    holds.hold("batch", week.one.public_id, reason="sour", by=ADA, now=NOW)
    found = trace(week.shared.public_id)
    assert {batch.code: batch.held for batch in found.batches} == {week.one.public_id: True, week.two.public_id: False}
    assert {lot.code: lot.held for lot in found.lots} == {
        week.lot_one.public_id: True, week.kit_lot.public_id: True, week.lot_two.public_id: False,
    }  # fmt: skip
    assert all(kit.held for kit in found.kits)


@pytest.mark.parametrize("code", ["", "nonsense", "2222-2222", "K7Q2-M4XA"])
def test_a_code_that_nothing_has_is_missing(week: Week, code: str) -> None:
    with pytest.raises(Missing, match="Nothing here has the code"):
        trace(code)


@pytest.mark.parametrize("name", ["{order}/9", "{order}/", "{order}/x", "2222-2222/1", "/1", "{order}/1/1"])
def test_a_line_that_nobody_ordered_is_missing(week: Week, name: str) -> None:
    with pytest.raises(Missing, match=r"Nothing here has the code .*, or a line such as K7Q2-M4XJ/1\."):
        trace(name.format(order=week.heron.order.public_id))


def test_the_number_of_statements_does_not_grow_with_what_is_found(week: Week) -> None:
    def statements() -> int:
        with CaptureQueriesContext(connection) as seen:
            trace(week.shared.public_id)
        return len(seen)

    before = statements()
    for number in range(6):
        lot = week.grower.harvest(week.grower.crop(week.one, bags=1), 200, trimmed_g=200)
        week.pick(a_line(a_kitchen(f"Kitchen {number}"), week.heron.product, 200), lot, 200)
    assert statements() == before
