"""Cleo's kitchen asks what comes short and answers; her order, and nobody else's, follows."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import time_machine
from django.core.cache import cache

from fulfilment.models import Event, Line, ShortageOffer
from fulfilment.services import customers
from tests.api.asking import ask, key
from tests.api.everything import FROZEN, TUESDAY, Everything
from tests.world import ADA, NOW

pytestmark = pytest.mark.django_db


@pytest.fixture
def all_() -> Iterator[Everything]:
    cache.clear()
    with time_machine.travel(NOW, tick=False) as clock:
        yield Everything(clock)


def test_a_kitchen_reads_what_comes_short_why_and_what_it_can_do(all_: Everything) -> None:
    (told,) = ask(all_.cleo, "GET", "/shortages", status=200)["items"]
    line = Line.objects.get(shortage_offers__public_id=told["id"])
    assert (told["line"], told["on"], told["unit"]) == (str(line), TUESDAY.isoformat(), "g")
    assert (told["ordered"], told["promised"], told["comes"], told["missing"]) == (1_000, 1_000, 0, 1_000)
    assert told["says"] == "Less was harvested than we expected when we promised it."
    assert told["open_until"] == "2026-05-04T16:00:00Z", "four in the afternoon of the day before, by her own terms"
    says = {choice["choice"]: choice["says"] for choice in told["choices"]}
    assert says["drop"] == "Nothing of Pearl oyster, 500 g will come on Tuesday 5 May 2026."
    assert "take_less" not in says
    assert all_.get("/shortages")["items"] == [told], "the office sees what its kitchens see"


def test_an_answer_sent_twice_is_one_answer(all_: Everything) -> None:
    address = f"/shortages/{all_.ids['shortages']}/answer"
    first = ask(all_.cleo, "POST", address, {"choice": "drop"}, once="drop-it", status=200)
    assert first == {
        "id": all_.ids["shortages"], "answer": "drop", "answered_at": FROZEN.isoformat().replace("+00:00", "Z"),
        "order": None,
    }  # fmt: skip
    assert ask(all_.cleo, "POST", address, {"choice": "drop"}, once="drop-it", status=200) == first
    assert ask(all_.cleo, "POST", address, {"choice": "drop"}, status=200) == first
    assert Event.objects.filter(kind="shortage_answered").count() == 1
    assert ask(all_.cleo, "GET", "/shortages", status=200)["items"] == []
    told = ask(all_.cleo, "POST", address, {"choice": "next_date"}, status=409)
    assert (told["code"], told["errors"][0]["pointer"]) == ("already_answered", "/choice")


def test_the_rest_on_another_date_says_which_order_that_is(all_: Everything) -> None:
    (told,) = ask(all_.cleo, "GET", "/shortages", status=200)["items"]
    (way,) = [each for each in told["choices"] if each["choice"] == "next_date"]
    address = f"/shortages/{told['id']}/answer"
    other = ask(all_.cleo, "POST", address, {"choice": "next_date", "on": "2026-05-14"}, status=409)
    assert (other["code"], other["data"]["first_on"]) == ("other_date", way["on"])
    made = ask(all_.cleo, "POST", address, {"choice": "next_date", "on": way["on"]}, status=200)
    order = ask(all_.cleo, "GET", f"/orders/{made['order']}", status=200)
    assert order["on"] == way["on"]
    assert [(line["ordered"], line["promised"]) for line in order["lines"]] == [(way["amount"], way["amount"])]


def test_another_kitchen_s_offer_is_not_there(all_: Everything) -> None:
    eve = customers.add_kitchen(
        "Eve's", email="eve@example.org", address={"street": "9 Row", "town": "Saltby"}, by=ADA, now=NOW
    )
    hers = key("kitchen", kitchen=eve)
    assert ask(hers, "GET", "/shortages", status=200)["items"] == []
    told = ask(hers, "POST", f"/shortages/{all_.ids['shortages']}/answer", {"choice": "drop"}, status=404)
    assert told["code"] == "not_found"
    assert ShortageOffer.objects.get().answer == ""


@pytest.mark.parametrize("scope", ["packing", "grower", "shop"])
def test_whoever_packs_or_grows_or_sells_kits_does_not_answer_for_a_kitchen(all_: Everything, scope: str) -> None:
    ask(key(scope), "GET", "/shortages", status=403)
    ask(key(scope), "POST", f"/shortages/{all_.ids['shortages']}/answer", {"choice": "drop"}, status=403)


def test_an_answer_that_is_none_is_refused(all_: Everything) -> None:
    told = ask(all_.cleo, "POST", f"/shortages/{all_.ids['shortages']}/answer", {"choice": "shrug"}, status=400)
    assert told["errors"][0]["pointer"] == "/choice"


# ---- Beside it: kits, parcels, collection ---------------------------------------------------------------------------


def test_a_kit_s_room_is_told_and_its_page_follows(all_: Everything) -> None:
    kit = all_.ids["kits"]
    ask(all_.office, "POST", f"/kits/{kit}/room", {"warmth": "cool", "celsius": 14.5}, status=201)
    assert all_.get(f"/kits/{kit}")["warmth"] == "cool"
    told = ask(all_.office, "POST", f"/kits/{kit}/room", {}, status=400)
    assert told["errors"][0]["pointer"] == "/warmth"
    told = ask(all_.office, "POST", f"/kits/{kit}/room", {"celsius": 200}, status=400)
    assert told["errors"][0] == {
        "pointer": "/celsius", "code": "impossible_temperature",
        "detail": "200 °C cannot be: between -10 and 50 °C. Is it Fahrenheit, or a dot missing?",
    }  # fmt: skip


def test_the_office_replaces_a_kit_that_was_sent_and_nobody_else_does(all_: Everything) -> None:
    shipment = all_.get(f"/orders/{all_.kit_order['id']}")["shipments"][0]
    all_.post(f"/shipments/{shipment}/parcel", {"carrier": "Overland Post"}, status=200)
    (kit,) = [each["id"] for each in all_.get("/kits")["items"] if each["stage"] == "sent"]
    body = {"reason": "arrived crushed"}
    for scope in ("shop", "packing", "grower"):
        ask(key(scope), "POST", f"/kits/{kit}/replacement", body, status=403)
    ask(all_.office, "POST", f"/kits/{kit}/replacement", {}, status=400)
    ask(all_.office, "POST", f"/kits/{kit}/replacement", body, status=201)
    assert all_.get(f"/kits/{kit}")["stage"] == "replaced"


def test_a_parcel_that_lacks_something_is_asked_about_once(all_: Everything) -> None:
    two = {
        "buyer": all_.farm.buyer.public_id,
        "on": "2026-05-07",
        "lines": [{"product": all_.farm.kit.public_id, "units": 2}],
    }
    order = all_.post("/orders", two)
    all_.post("/picks", {"line": f"{order['id']}/1", "lot": all_.kits, "units": 1})
    address = f"/shipments/{order['shipments'][0]}/parcel"
    told = all_.post(address, {"carrier": "Overland Post"}, status=409)
    assert told["code"] == "needs_confirmation"
    assert f"line {order['id']}/1 is due 2 kits and has 1 kit" in told["detail"]
    all_.post(address, {"carrier": "Overland Post", "confirmed": True}, status=200)


def test_a_harvest_of_a_crop_that_rests_says_which_flush_it_is(all_: Everything) -> None:
    crop = all_.ids["crops"]
    all_.post(f"/crops/{crop}/observations", {"kind": "flush_ended", "seen_on": "2026-05-04"})
    harvest = {
        "crop": crop,
        "harvested_on": "2026-05-12",
        "grades": [{"grade": "a", "weighed_g": 500}],
    }
    with time_machine.travel(NOW.replace(day=12), tick=False):
        told = all_.post("/harvests", harvest, status=400)
        assert (told["code"], told["errors"][0]["pointer"]) == ("which_flush", "/flush")
        all_.post("/harvests", harvest | {"flush": 2})
        assert all_.get(f"/crops/{crop}")["flush"] == 2
