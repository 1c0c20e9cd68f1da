"""Orders by HTTP as a kitchen's program changes them: as a whole, by line, filtered, with the reasons in words."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
import time_machine

from fulfilment import work
from fulfilment.models import Event, Line, Order, PromisePart, Shipment
from fulfilment.services import customers
from tests import world
from tests.api.asking import ask, key
from tests.world import ADA, MONDAY, NOW, World

pytestmark = pytest.mark.django_db

TUESDAY, WEDNESDAY = MONDAY + timedelta(days=1), MONDAY + timedelta(days=2)
UNKNOWN = "K7Q2-M4XJ"


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
def cleo(farm: World) -> str:
    return key("kitchen", kitchen=farm.kitchen)


def fresh(farm: World, grams: int = 1_000) -> dict[str, Any]:
    return {"product": farm.product.public_id, "amount_g": grams}


def kits(farm: World, units: int = 1) -> dict[str, Any]:
    return {"product": farm.kit.public_id, "units": units}


def place(cleo: str, *lines: dict[str, Any], **more: object) -> Any:
    return ask(cleo, "POST", "/orders", {"on": TUESDAY.isoformat(), "lines": list(lines), **more}, status=201)


def amounts(order: Any) -> dict[str, int]:
    return {line["name"]: line["ordered"] for line in order["lines"] if not line["cancelled"]}


def test_an_order_is_changed_as_a_whole(farm: World, cleo: str) -> None:
    """RFC 7396: what is left out stays, null empties, a list is the whole list."""
    farm.harvest(3_000)
    work.drain(now=NOW)
    order = place(cleo, fresh(farm), kits(farm, 2), reference="A-17", note="ring twice")
    address = f"/orders/{order['id']}"
    before = ask(cleo, "GET", address, status=200)
    assert (before["note"], before["reference"]) == ("ring twice", "A-17")
    assert "note" not in order, "an answer that is stored holds nothing personal"
    rank = PromisePart.objects.filter(promise__current_of__product=farm.product).values_list("rank", flat=True).get()
    ask(cleo, "PATCH", address, {"note": None}, status=428)
    ask(cleo, "PATCH", address, {"note": None}, match='"99"', status=412)
    changed = {"note": None, "reference": "A-18", "lines": [fresh(farm, 500)]}
    told = ask(cleo, "PATCH", address, changed, match='"1"', status=200)
    assert (told["note"], told["reference"], amounts(told)) == ("", "A-18", {"Pearl oyster, 500 g": 500})
    parts = PromisePart.objects.filter(
        promise__current_of__product=farm.product, promise__current_of__cancelled_at=None
    )
    assert parts.values_list("rank", flat=True).get() == rank, "less keeps its place"
    ask(cleo, "PATCH", address, {"note": "x"}, match='"1"', status=412)
    again = ask(cleo, "PATCH", address, {"lines": [fresh(farm, 500), kits(farm)]}, match="*", status=200)
    assert amounts(again) == {"Pearl oyster, 500 g": 500, "Pearl kit": 1}
    assert [line["number"] for line in again["lines"]] == [1, 2, 3], "numbers are given once"
    assert Event.objects.get(kind="order_changed").data["fields"] == ["note", "reference"]


def test_a_change_that_cannot_be_changes_nothing(farm: World, cleo: str) -> None:
    order = place(cleo, fresh(farm))
    address, before = f"/orders/{order['id']}", Event.objects.count()
    wrongs: list[tuple[dict[str, Any], int, str, str]] = [
        ({"lines": [fresh(farm, 700)]}, 400, "not_whole_packs", "/lines/0/amount_g"),
        ({"lines": [fresh(farm), fresh(farm)]}, 400, "named_twice", "/lines/1/product"),
        ({"lines": []}, 400, "invalid", "/lines"),
        ({"note": "one\ntwo"}, 400, "not_one_line", "/note"),
        ({"address": 9}, 400, "not_found", "/address"),
        ({"way": "pigeon"}, 400, "invalid", "/way"),
        ({"note": "new", "lines": [kits(farm, 2_000)]}, 400, "too_large", "/lines/0/units"),
    ]
    for body, status, code, pointer in wrongs:
        told = ask(cleo, "PATCH", address, body, match="*", status=status)
        assert (told["code"], told["errors"][0]["pointer"]) == (code, pointer), body
    assert Event.objects.count() == before
    assert ask(cleo, "GET", address, status=200)["note"] == ""


def test_after_the_cut_off_only_the_office_changes_and_says_why(
    farm: World, cleo: str, clock: time_machine.Traveller
) -> None:
    order = place(cleo, fresh(farm))
    address = f"/orders/{order['id']}"
    clock.move_to(NOW + timedelta(hours=7))
    assert ask(cleo, "PATCH", address, {"note": "late"}, match="*", status=409)["code"] == "past_cut_off"
    assert ask(cleo, "PATCH", address, {"note": "x", "because": "please"}, match="*", status=403)["code"] == "forbidden"
    late = ask(key("office"), "PATCH", address, {"note": "late", "because": "they called"}, match="*", status=200)
    assert late["note"] == "late"
    assert ask(cleo, "POST", f"{address}/lines", {"lines": [kits(farm)]}, status=409)["code"] == "past_cut_off"
    assert ask(cleo, "POST", f"{address}/lines/1/cancellation", {}, status=409)["code"] == "past_cut_off"


def test_lines_are_added_and_dropped(farm: World, cleo: str) -> None:
    order = place(cleo, fresh(farm))
    address = f"/orders/{order['id']}"
    added = ask(cleo, "POST", f"{address}/lines", {"lines": [kits(farm)]}, once="more", status=201)
    assert ask(cleo, "POST", f"{address}/lines", {"lines": [kits(farm)]}, once="more", status=201) == added
    assert added["lines"][1]["promise"]["status"] == "full"
    told = ask(cleo, "POST", f"{address}/lines", {"lines": [fresh(farm)]}, status=409)
    assert (told["code"], told["errors"][0]["pointer"]) == ("line_there", "/lines/0/product")
    assert amounts(ask(cleo, "POST", f"{address}/lines/1/cancellation", {}, status=200)) == {"Pearl kit": 1}
    assert ask(cleo, "POST", f"{address}/lines/7/cancellation", {}, status=404)["code"] == "not_found"
    assert ask(cleo, "POST", f"{address}/lines/2/cancellation", {}, status=200)["state"] == "cancelled"
    assert ask(cleo, "POST", f"{address}/lines", {"lines": [kits(farm)]}, status=409)["code"] == "cancelled"
    assert ask(cleo, "PATCH", address, {"note": "x"}, match="*", status=409)["code"] == "cancelled"


def test_an_order_goes_to_another_address_while_it_can(farm: World, cleo: str) -> None:
    place_of_theirs = {"street": "3 Staithe", "town": "Saltby"}
    customers.add_address(place_of_theirs, kitchen=farm.kitchen.public_id, by=ADA, now=NOW)  # type: ignore[arg-type]  # a place
    there = ask(cleo, "GET", f"/kitchens/{farm.kitchen.public_id}/addresses", status=200)["items"]
    assert [(each["number"], each["street"]) for each in there] == [(1, "1 Quay"), (2, "3 Staithe")]
    order = place(cleo, fresh(farm))
    other = place(cleo, kits(farm), address=2)
    assert order["shipments"] != other["shipments"]
    moved = ask(cleo, "PATCH", f"/orders/{order['id']}", {"address": 2}, match="*", status=200)
    assert moved["address"]["street"] == "3 Staithe"
    assert moved["shipments"] == other["shipments"], "it joins what goes there"
    assert Shipment.objects.get(public_id=order["shipments"][0]).state == "cancelled"
    fetched = ask(cleo, "PATCH", f"/orders/{order['id']}", {"way": "collected"}, match="*", status=200)
    assert (fetched["way"], len(fetched["shipments"])) == ("collected", 1)
    work.drain(now=NOW)
    assert Line.objects.filter(order__public_id=order["id"], shipment__state="placed").count() == 1


def test_a_list_of_orders_is_filtered(farm: World, cleo: str) -> None:
    first = place(cleo, fresh(farm), reference="one")
    second = ask(cleo, "POST", "/orders", {"on": WEDNESDAY.isoformat(), "lines": [kits(farm)]}, status=201)
    ask(cleo, "POST", f"/orders/{first['id']}/cancellation", {}, status=200)
    both = {first["id"], second["id"]}

    def found(query: str) -> set[str]:
        return {each["id"] for each in ask(key("office"), "GET", f"/orders?{query}", status=200)["items"]}

    assert found(f"from={TUESDAY}&until={WEDNESDAY}") == both
    assert found(f"from={WEDNESDAY}") == {second["id"]}
    assert found("state=cancelled") == {first["id"]}
    assert found("state=placed") == {second["id"]}
    assert found("state=delivered") == set()
    assert found(f"kitchen={farm.kitchen.public_id}") == both
    assert found(f"kitchen={UNKNOWN}") == found(f"buyer={farm.buyer.public_id}") == set()
    assert found("reference=one") == {first["id"]}
    assert ask(cleo, "GET", "/orders?state=lost", status=400)["code"] == "invalid_choice"
    assert ask(cleo, "GET", "/orders?from=soon", status=400)["errors"][0]["pointer"] == "/from"
    # Pages go on under the same filter.
    page = ask(key("office"), "GET", f"/orders?kitchen={farm.kitchen.public_id}&page_size=1", status=200)
    assert page["items"][0]["id"] == second["id"]
    rest = ask(key("office"), "GET", page["next"].partition("/api/v1")[2], status=200)
    assert ([each["id"] for each in rest["items"]], rest["next"]) == ([first["id"]], None)


def test_each_state_of_the_filter_is_the_state_that_is_told(farm: World, cleo: str) -> None:
    """Brute force over two shipments: an order's state is that of its least advanced live one."""
    order = place(cleo, fresh(farm), kits(farm))
    row = Order.objects.get(public_id=order["id"])
    one = row.lines.get(number=1).shipment
    two = Shipment.objects.create(
        kitchen=farm.kitchen, address=one.address, on=one.on, way="collected", cut_off_at=one.cut_off_at
    )
    row.lines.filter(number=2).update(shipment=two)
    states = ("placed", "packed", "sent", "delivered", "cancelled")
    office = key("office")
    for first in states:
        for second in states:
            Shipment.objects.filter(pk=one.pk).update(state=first)
            Shipment.objects.filter(pk=two.pk).update(state=second)
            told = ask(office, "GET", f"/orders/{order['id']}", status=200)["state"]
            found = [state for state in states if ask(office, "GET", f"/orders?state={state}", status=200)["items"]]
            assert found == [told], (first, second)


def test_a_line_says_why_in_words_and_a_customer_s_numbers_are_its_own(farm: World, cleo: str) -> None:
    order = place(cleo, fresh(farm, 200_000))
    promise = order["lines"][0]["promise"]
    assert promise["status"] in ("partial", "declined")
    assert promise["says"].endswith(".")
    assert "%" not in promise["says"]
    work.drain(now=NOW)
    mine = ask(cleo, "GET", f"/orders/{order['id']}", status=200)["lines"][0]
    theirs = ask(key("office"), "GET", f"/orders/{order['id']}", status=200)["lines"][0]
    assert mine["says"].endswith(".")
    assert {"there", "promised_before"} <= theirs["account"].keys()
    assert not {"there", "promised_before"} & mine["account"].keys(), "what others were promised"
    assert all(part["substitute"] is False for part in mine["promise"]["parts"])
