"""A day at the farm by HTTP: checked, ordered, harvested, planned, picked, sent, refused at the door; and a kit's
way.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fulfilment import work
from fulfilment.models import Crop, Line, Mail, Round
from fulfilment.services import customers
from tests import world
from tests.api.asking import ask, key
from tests.world import ADA, MONDAY, NOW, World

pytestmark = pytest.mark.django_db

TUESDAY = MONDAY + timedelta(days=1)


@pytest.fixture
def clock() -> Iterator[time_machine.Traveller]:
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture
def farm(clock: time_machine.Traveller) -> World:
    made = world.build(kits_wanted=4)
    world.plan()
    return made


@pytest.fixture
def office(farm: World) -> str:
    return key("office", "grower", "packing", "shop")


@pytest.fixture
def cleo(farm: World) -> str:
    return key("kitchen", kitchen=farm.kitchen)


def wanted(farm: World, grams: int = 1_000, **more: object) -> dict[str, Any]:
    return {"on": TUESDAY.isoformat(), "lines": [{"product": farm.product.public_id, "amount_g": grams}]} | more


def harvest(office: str, farm: World, grams: int) -> Any:
    body = {
        "crop": farm.crop.public_id,
        "harvested_on": MONDAY.isoformat(),
        "grades": [{"grade": "a", "weighed_g": grams, "trimmed_g": grams}],
        "confirmed": True,
    }
    return ask(office, "POST", "/harvests", body, status=201)


def test_from_a_check_to_the_door(farm: World, office: str, cleo: str, clock: time_machine.Traveller) -> None:
    before = ask(cleo, "POST", "/promise-checks", wanted(farm), status=200)["lines"][0]["promise"]
    assert before["words"] in ("sure", "likely", "do_not_plan_on_it")
    order = ask(cleo, "POST", "/orders", wanted(farm), status=201)
    assert order["kitchen"] == farm.kitchen.public_id
    assert order["lines"][0]["promise"]["amount"] == before["amount"]

    lot = harvest(office, farm, 3_000)["lots"][0]
    assert lot["quantity_g"] == 3_000
    work.drain(now=NOW)
    line = ask(cleo, "GET", f"/orders/{order['id']}", status=200)["lines"][0]
    assert (line["promised"], line["allocated"]) == (1_000, 1_000), "what was logged is promised and planned"
    assert line["account"]["code"] == "full"

    clock.move_to(NOW + timedelta(hours=7))
    work.drain(now=NOW + timedelta(hours=7))
    assert ask(cleo, "GET", f"/shipments/{order['shipments'][0]}", status=200)["frozen"] is True
    pick_list = ask(office, "GET", f"/pick-lists?on={TUESDAY.isoformat()}", status=200)["items"][0]
    row = ask(office, "GET", f"/pick-lists/{pick_list['id']}", status=200)["stops"][0]["lines"][0]["rows"][0]
    assert (row["lot"], row["amount"]) == (lot["id"], 1_000)

    clock.move_to(NOW + timedelta(days=1))
    pick = {"line": row["line"], "lot": row["lot"], "amount_g": 990}
    made = ask(office, "POST", "/picks", pick, once="pick-1", status=201)
    assert ask(office, "POST", "/picks", pick, once="pick-1", status=201) == made, "sent twice, picked once"
    assert made["picked"] == 990
    trip = Round.objects.get()
    ask(office, "POST", f"/rounds/{trip.public_id}/closure", {"crates": {order["shipments"][0]: 2}}, status=200)
    refused = [{"line": row["line"], "amount": 90, "reason": "bruised"}]
    ask(
        office,
        "POST",
        f"/shipments/{order['shipments'][0]}/delivery",
        {"refused": refused, "crates_back": 1},
        status=200,
    )
    told = ask(cleo, "GET", f"/orders/{order['id']}", status=200)
    assert told["state"] == "delivered"
    assert (told["lines"][0]["picked"], told["lines"][0]["refused"], told["lines"][0]["accepted"]) == (990, 90, 900)
    assert ask(cleo, "GET", f"/shipments/{order['shipments'][0]}", status=200)["delivery_note"] == 1
    assert ask(office, "GET", f"/kitchens/{farm.kitchen.public_id}", status=200)["crates_out"] == 1


def test_a_kit_from_the_shelf_to_somebody_s_kitchen(farm: World, office: str, clock: time_machine.Traveller) -> None:
    batch = farm.crop.batch.public_id
    ask(office, "POST", f"/batches/{batch}/kits", {"bags": 4, "sealed_on": MONDAY.isoformat()}, status=201)
    body = {
        "buyer": farm.buyer.public_id,
        "on": TUESDAY.isoformat(),
        "lines": [{"product": farm.kit.public_id, "units": 1}],
    }
    order = ask(office, "POST", "/orders", body, status=201)
    assert order["lines"][0]["promise"]["status"] == "full"
    late = NOW + timedelta(hours=7)
    clock.move_to(late)
    work.drain(now=late)
    lists = ask(office, "GET", "/pick-lists", status=200)["items"]
    rows = ask(office, "GET", f"/pick-lists/{lists[0]['id']}", status=200)["stops"][0]["lines"][0]["rows"]
    ask(office, "POST", "/picks", {"line": rows[0]["line"], "lot": rows[0]["lot"], "units": 1}, status=201)
    parcel = {"carrier": "Overland Post", "tracking": "T1"}
    ask(office, "POST", f"/shipments/{order['shipments'][0]}/parcel", parcel, status=200)
    kit = next(k for k in ask(office, "GET", "/kits", status=200)["items"] if k["stage"] == "sent")
    started = {"kind": "started", "on": MONDAY.isoformat()}
    ask(office, "POST", f"/kits/{kit['id']}/events", started, status=201)
    shown = ask(office, "GET", f"/kits/{kit['id']}", status=200)
    assert shown["stage"] == "started"
    assert any(each["anchor"] == "pins" for each in shown["expected"])
    assert Mail.objects.filter(kind="kit_sent", buyer=farm.buyer).exists()


def test_standing_orders_by_http(farm: World, cleo: str) -> None:
    body = {
        "rule": "FREQ=WEEKLY;BYDAY=FR",
        "starts_on": MONDAY.isoformat(),
        "lines": [{"product": farm.product.public_id, "amount_g": 500}],
    }
    begun = ask(cleo, "POST", "/standing-orders", body, status=201)
    assert len(begun["orders"]) == 4
    assert begun["words"].startswith("every Friday")
    address = f"/standing-orders/{begun['id']}"
    ask(cleo, "POST", f"{address}/changes", {"kind": "skip", "on": begun["dates"][0]}, status=201)
    amounts = {"kind": "amounts", "on": begun["dates"][1], "amounts": {farm.product.public_id: 1_500}}
    ask(cleo, "POST", f"{address}/changes", amounts, status=201)
    states = [ask(cleo, "GET", f"/orders/{each}", status=200) for each in begun["orders"]]
    assert sorted((each["on"], each["state"], each["lines"][0]["ordered"]) for each in states)[:2] == [
        (begun["dates"][0], "cancelled", 500),
        (begun["dates"][1], "placed", 1_500),
    ]
    ask(cleo, "POST", f"{address}/end", {"last_on": begun["dates"][1]}, status=200)
    assert ask(cleo, "GET", address, status=200)["ends_on"] == begun["dates"][1]


def test_an_order_is_changed_and_cancelled(farm: World, cleo: str) -> None:
    order = ask(cleo, "POST", "/orders", wanted(farm, 2_000), status=201)
    changed = ask(cleo, "POST", f"/orders/{order['id']}/lines/1/amount", {"amount_g": 1_000}, status=200)
    assert changed["lines"][0]["ordered"] == 1_000
    gone = ask(cleo, "POST", f"/orders/{order['id']}/cancellation", {}, status=200)
    assert gone["state"] == "cancelled"


@pytest.mark.parametrize(
    ("body", "status", "code", "where"),
    [
        ({"amount_g": 1_250}, 400, "not_whole_packs", "lines/0/amount_g"),
        ({"amount_g": 0}, 400, "too_small", "lines/0/amount_g"),
        ({"amount_g": 2**40}, 400, "invalid", "lines/0/amount_g"),
        ({"amount_g": 10**9}, 400, "too_large", "lines/0/amount_g"),
        ({"amount_g": "1000"}, 400, "invalid", "lines/0/amount_g"),
        ({"amount_g": 1_000, "units": 1}, 400, "one_of_two", "lines/0/amount_g"),
        ({"amount_g": 1_000, "price": 1}, 400, "invalid", ""),
    ],
)
def test_lines_that_cannot_be(
    farm: World, cleo: str, body: dict[str, object], status: int, code: str, where: str
) -> None:
    line = {"product": farm.product.public_id} | body
    told = ask(cleo, "POST", "/orders", {"on": TUESDAY.isoformat(), "lines": [line]}, status=status)
    if status == 400:
        assert told["detail"].endswith((".", "errors below."))
        assert not Line.objects.exists()
    if where:
        assert told["code"] == code
        assert any(where in each["pointer"] for each in told["errors"])


def test_days_that_cannot_be_say_which_can(farm: World, cleo: str) -> None:
    sunday = (MONDAY + timedelta(days=6)).isoformat()
    told = ask(cleo, "POST", "/orders", wanted(farm, on=sunday), status=400)
    assert "The next day you can order for is Tuesday 5 May 2026" in str(told)


def test_staff_s_rights_are_not_a_kitchen_s(farm: World, cleo: str) -> None:
    for extra in ({"below_chance": True}, {"because": "the chef rang"}):
        told = ask(cleo, "POST", "/orders", wanted(farm) | extra, status=403)
        assert told["code"] == "forbidden"
    ask(cleo, "POST", "/harvests", {}, status=403)
    ask(cleo, "GET", "/forecasts/current", status=403)


def test_staff_s_reasons_are_not_shown_to_the_kitchen(farm: World, office: str, cleo: str) -> None:
    order = ask(cleo, "POST", "/orders", wanted(farm, 2_000), status=201)["id"]
    change = {"amount_g": 1_000, "because": "they never pay on time"}
    ask(office, "POST", f"/orders/{order}/lines/1/amount", change, status=200)
    assert "never pay" in str(ask(office, "GET", f"/events?subject={order}", status=200))
    told = ask(cleo, "GET", f"/events?subject={order}", status=200)["items"]
    assert [each["kind"] for each in told] == ["line_changed", "order_placed"]
    assert "never pay" not in str(told)


def test_a_stranger_s_things_are_not_there(farm: World, office: str, cleo: str) -> None:
    """Eve has a kitchen and a key of her own; what is Cleo's answers 404, whatever she does to it."""
    eve = customers.add_kitchen(
        "Eve's", email="eve@example.org", address={"street": "9 Row", "town": "Saltby"}, by=ADA, now=NOW
    )
    secret = key("kitchen", kitchen=eve)
    order = ask(cleo, "POST", "/orders", wanted(farm), status=201)
    begun = ask(
        cleo, "POST", "/standing-orders",
        {"rule": "FREQ=DAILY", "starts_on": MONDAY.isoformat(),
         "lines": [{"product": farm.product.public_id, "amount_g": 500}]},
        status=201,
    )  # fmt: skip
    code = order["id"]
    for method, address, body in [
        ("GET", f"/orders/{code}", None),
        ("POST", f"/orders/{code}/cancellation", {}),
        ("POST", f"/orders/{code}/lines/1/amount", {"amount_g": 500}),
        ("GET", f"/shipments/{order['shipments'][0]}", None),
        ("GET", f"/standing-orders/{begun['id']}", None),
        ("POST", f"/standing-orders/{begun['id']}/changes", {"kind": "skip", "on": begun["dates"][0]}),
        ("POST", f"/standing-orders/{begun['id']}/end", {"last_on": begun["dates"][0]}),
        ("GET", f"/kitchens/{farm.kitchen.public_id}", None),
    ]:
        told = ask(secret, method, address, body, status=404)
        assert told["code"] == "not_found", address
    for address in ("/orders", "/promise-checks"):
        theirs = ask(secret, "POST", address, wanted(farm, kitchen=farm.kitchen.public_id), status=400)
        unknown = ask(secret, "POST", address, wanted(farm, kitchen="K7Q2-M4XJ"), status=400)
        assert theirs["code"] == unknown["code"] == "not_found"
    assert ask(secret, "GET", "/orders", status=200)["items"] == []
    events = str(ask(secret, "GET", "/events", status=200)["items"])
    assert eve.public_id in events
    assert code not in events
    assert farm.kitchen.public_id not in events
    assert ask(cleo, "GET", f"/orders/{code}", status=200)["state"] == "placed"


def test_a_list_of_orders_costs_the_same_however_long(farm: World, office: str, cleo: str) -> None:
    def statements() -> int:
        with CaptureQueriesContext(
            connection,
        ) as seen:
            ask(office, "GET", "/orders?page_size=50", status=200)
        return len(seen)

    ask(cleo, "POST", "/orders", wanted(farm), status=201)
    one = statements()
    for _ in range(4):
        ask(cleo, "POST", "/orders", wanted(farm), status=201)
    assert statements() == one


def test_growing_by_http(farm: World, office: str) -> None:
    """From grounds to a new crop, each step by its address."""
    donor = ask(office, "POST", "/donors", {"name": "Mill Lane Espresso"}, status=201)["id"]
    supplier = ask(office, "POST", "/suppliers", {"name": "Fen Spawn"}, status=201)["id"]
    intake = ask(
        office, "POST", "/intakes",
        {"donor": donor, "grams": 30_000, "collected_on": MONDAY.isoformat(), "hours_since_brewing": 8}, status=201,
    )["id"]  # fmt: skip
    spawn = ask(
        office, "POST", "/spawn-deliveries",
        {"supplier": supplier, "strain": farm.strain.public_id, "grams": 5_000, "received_on": MONDAY.isoformat()},
        status=201,
    )["id"]  # fmt: skip
    room = ask(office, "POST", "/rooms", {"name": "Loft", "kind": "incubation", "set_point_c": 23.5}, status=201)["id"]
    reading = {"room": room, "celsius": 22.5, "at": "2026-05-04T05:00:00Z"}
    assert ask(office, "POST", "/readings", reading, status=201)["celsius"] == 22.5
    told = ask(office, "POST", "/readings", reading | {"celsius": 200}, status=400)
    assert "200" in told["detail"]
    batch = ask(
        office, "POST", "/batches",
        {
            "strain": farm.strain.public_id, "mixed_on": MONDAY.isoformat(), "bags": 10, "dry_g_per_bag": 900,
            "wet_g_per_bag": 2_700, "spawn_pct": 15, "room": room, "intakes": [{"id": intake, "amount": 27_000}],
            "spawn": [{"id": spawn, "amount": 4_000}], "confirmed": True,
        },
        status=201,
    )["id"]  # fmt: skip
    seen = {"kind": "run_full", "seen_on": MONDAY.isoformat()}
    ask(office, "POST", f"/batches/{batch}/observations", seen, status=201)
    crop = ask(
        office, "POST", f"/batches/{batch}/crops",
        {"bags": 10, "room": farm.room.public_id, "opened_on": MONDAY.isoformat()}, status=201,
    )["id"]  # fmt: skip
    lost = {"kind": "bags_lost", "seen_on": MONDAY.isoformat(), "bags": 2, "cause": "mould"}
    ask(office, "POST", f"/crops/{crop}/observations", lost, status=201)
    assert Crop.objects.get(public_id=crop).bags_alive == 8
    hold = ask(office, "POST", "/holds", {"kind": "batch", "id": batch, "reason": "sour smell"}, status=201)["id"]
    ask(office, "POST", f"/holds/{hold}/release", {}, status=200)
    ask(office, "POST", f"/holds/{hold}/release", {}, status=409)


def test_lots_are_wasted_dried_taken_and_corrected(farm: World, office: str) -> None:
    lot = harvest(office, farm, 3_000)["lots"][0]["id"]
    assert ask(office, "POST", f"/lots/{lot}/wastes", {"quantity": 100}, status=201)["left"] == 2_900
    assert ask(office, "POST", f"/lots/{lot}/dry-outs", {"counted_g": 2_800}, status=201)["left"] == 2_800
    taken = {"kind": "sample", "quantity": 50, "confirmed": True}
    assert ask(office, "POST", f"/lots/{lot}/takings", taken, status=201)["left"] == 2_750
    right = {"to_quantity": 2_700, "reason": "weighed again"}
    assert ask(office, "POST", f"/lots/{lot}/corrections", right, status=201)["left"] == 2_700
    told = ask(office, "POST", f"/lots/{lot}/wastes", {"quantity": 9_000}, status=409)
    assert "take at most 2700" in told["detail"]
    assert ask(office, "GET", f"/lots/{lot}", status=200)["quantity_g"] == 2_700
