"""A trace goes both ways from its code, adds up, and never turns round."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fulfilment.core.problems import Missing
from fulfilment.models import Kit
from fulfilment.read.trace import trace
from fulfilment.services import packing
from tests import world
from tests.api.asking import ask
from tests.api.everything import FROZEN, TUESDAY, Everything
from tests.world import ADA, MONDAY, NOW

pytestmark = pytest.mark.django_db


@pytest.fixture
def farm() -> Iterator[Everything]:
    with time_machine.travel(NOW, tick=False) as clock:
        yield Everything(clock)


def test_from_an_intake_forward_to_every_plate_and_kitchen_table(farm: Everything) -> None:
    told = trace(farm.intake)
    assert told.kind == "intake"
    assert [each.code for each in told.sources] == [farm.intake], "its own donor, not what else is in the bags"
    assert told.sources[0].giver.name == "Corner Café"
    assert [(used.batch, used.amount) for used in told.sources[0].used] == [(farm.ids["batches"], 132_000)]
    assert {each.code for each in told.lots} == {farm.ids["lots"], farm.kits}
    assert {each.code for each in told.lines} == {farm.line, f"{farm.kit_order['id']}/1"}
    assert {(each.customer.kind, each.customer.name) for each in told.lines} == {
        ("kitchen", "The Heron"),
        ("buyer", "Dai"),
    }
    assert len(told.kits) == 4
    assert [each.line for each in told.kits if each.line] == [f"{farm.kit_order['id']}/1"]


def test_from_a_line_back_to_grounds_and_spawn(farm: Everything) -> None:
    told = trace(farm.line)
    assert [(each.lot, each.amount) for each in told.lines[0].taken] == [(farm.ids["lots"], 990)]
    assert [each.code for each in told.lots] == [farm.ids["lots"]], "not the kits of the same batch"
    assert told.kits == ()
    assert {each.code for each in told.sources} == {farm.intake, farm.spawn}
    assert farm.input not in {each.code for each in told.sources}, "straw that is in no bag"


def test_from_a_kit_to_its_own_line_and_no_other_kit(farm: Everything) -> None:
    sold = Kit.objects.get(line__isnull=False)
    told = trace(sold.public_id)
    assert [each.code for each in told.kits] == [sold.public_id]
    assert [each.code for each in told.lines] == [f"{farm.kit_order['id']}/1"]
    assert told.kits[0].holder is not None
    assert told.kits[0].holder.email == "dai@example.org"
    on_the_shelf = trace(farm.ids["kits"])
    assert on_the_shelf.lines == ()
    assert {each.code for each in on_the_shelf.sources} == {farm.intake, farm.spawn}


@pytest.mark.parametrize("noun", ["lots", "batches", "crops", "orders"])
def test_each_kind_of_code_is_known_for_what_it_is(farm: Everything, noun: str) -> None:
    kinds = {"lots": "lot", "batches": "batch", "crops": "crop", "orders": "order"}
    told = trace(farm.ids[noun])
    assert told.kind == kinds[noun]
    assert farm.line in {each.code for each in told.lines}
    assert farm.intake in {each.code for each in told.sources}


def test_deliveries_are_traced_forward_too(farm: Everything) -> None:
    spawn = trace(farm.spawn)
    assert [(each.kind, each.what) for each in spawn.sources] == [("spawn_delivery", "Pearl oyster")]
    assert farm.line in {each.code for each in spawn.lines}
    straw = trace(farm.input)
    assert [(each.kind, each.what, each.used) for each in straw.sources] == [("input_delivery", "straw", ())]
    assert (straw.batches, straw.lots, straw.lines, straw.kits) == ((), (), (), ())


def test_a_lot_s_ledger_accounts_for_every_gram(farm: Everything) -> None:
    lot = farm.ids["lots"]
    ask(farm.office, "POST", f"/lots/{lot}/wastes", {"quantity": 100, "reason": "bruised"}, status=201)
    part = trace(lot).lots[0]
    assert dict(part.ledger) == {"harvested": 3_000, "picked": -990, "wasted": -100}
    assert sum(amount for _, amount in part.ledger) == part.in_store == 1_910
    picked = sum(taken.amount for line in trace(lot).lines for taken in line.taken)
    assert picked == -dict(part.ledger)["picked"], "what left by picks is on the lines"


def test_an_undone_pick_leaves_no_trace_of_the_line(farm: Everything) -> None:
    packing.undo_pick(farm.ids["picks"], reason="wrong crate", by=ADA, now=FROZEN, today=MONDAY)
    assert farm.line not in {each.code for each in trace(farm.ids["lots"]).lines}
    assert trace(farm.line).lots == ()


def test_what_is_on_hold_says_so(farm: Everything) -> None:
    ask(farm.office, "POST", "/holds", {"kind": "intake", "id": farm.intake, "reason": "sour"}, status=201)
    told = trace(farm.spawn)
    assert {each.held for each in told.batches} == {each.held for each in told.lots} == {True}
    assert {each.held for each in told.kits} == {True}


def test_a_trace_costs_the_same_however_much_hangs_on_it(farm: Everything) -> None:
    def statements() -> int:
        with CaptureQueriesContext(connection) as seen:
            trace(farm.intake)
        return len(seen)

    before = statements()
    for days in range(1, 4):
        now = FROZEN + timedelta(days=days)
        farm.farm.harvest(500, on=TUESDAY + timedelta(days=days - 1), now=now)
    assert statements() == before


@pytest.mark.parametrize("code", ["K7Q2-M4XJ", "K7Q2-M4XJ/1", "K7Q2-M4XJ/" + "9" * 5000, "", "/", "x/y", "x" * 500])
def test_what_nobody_gave_out_is_traced_to_nothing(code: str) -> None:
    world.build()
    with pytest.raises(Missing):
        trace(code)
