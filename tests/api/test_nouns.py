"""Noun by noun: what the office sets up, what growers log, whom the farm knows; and what each refuses, with why."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.core.cache import cache
from django.test import Client

from fulfilment.models import ApiKey, Holder, Job, Kit, Kitchen, Product
from tests import world
from tests.api.asking import ask, key
from tests.api.everything import Everything
from tests.world import MONDAY, NOW, World

pytestmark = pytest.mark.django_db

ON = MONDAY.isoformat()


@pytest.fixture(autouse=True)
def clock() -> Iterator[time_machine.Traveller]:
    cache.clear()
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture
def farm() -> World:
    return world.build(kits_wanted=4)


@pytest.fixture
def office(farm: World) -> str:
    return key("office", "grower", "packing", "shop")


@pytest.fixture
def all_(clock: time_machine.Traveller) -> Everything:
    return Everything(clock)


def tag_of(secret: str, address: str) -> str:
    response = Client().get(f"/api/v1{address}", headers={"Authorization": f"Bearer {secret}"})
    return response["ETag"]


# ---- What the office sets up ----------------------------------------------------------------------------------------


def test_a_strain_from_its_name_to_a_price(farm: World, office: str) -> None:
    strain = ask(office, "POST", "/strains", {"name": "Pink oyster", "profile": "pink", "hardy": False}, status=201)
    address = f"/strains/{strain['id']}"
    ask(office, "POST", f"{address}/keeping", {"grade": "a", "best_before_days": 3, "use_by": True}, status=201)
    assert ask(office, "GET", address, status=200)["grades"] == [{"grade": "a", "best_before_days": 3, "use_by": True}]
    price = {"amount": "21.50", "currency": "EUR"}
    body = {"strain": strain["id"], "grade": "a", "pack": 250, "price": price, "name": "Pink, 250 g"}
    product = ask(office, "POST", "/products", body, status=201)["id"]
    shown = ask(office, "GET", f"/products/{product}", status=200)
    assert (shown["pack"], shown["price"], shown["unit"]) == (250, price, "g")
    told = ask(office, "POST", "/products", body | {"price": price | {"currency": "SEK"}}, status=400)
    assert (told["code"], told["errors"][0]["pointer"]) == ("wrong_currency", "/price")


def test_a_product_is_changed_by_whoever_has_seen_it_last(farm: World, office: str) -> None:
    address = f"/products/{farm.product.public_id}"
    seen = tag_of(office, address)
    assert ask(office, "PATCH", address, {"active": False}, status=428)["code"] == "match_missing"
    ask(office, "PATCH", address, {"price": {"amount": "15.00", "currency": "EUR"}}, match=seen, status=200)
    told = ask(office, "PATCH", address, {"active": False}, match=seen, status=412)
    assert told["code"] == "stale"
    product = Product.objects.get(pk=farm.product.pk)
    assert (product.price_minor, product.active) == (1_500, True)
    ask(office, "PATCH", address, {"active": False}, match=tag_of(office, address), status=200)
    assert not Product.objects.get(pk=farm.product.pk).active
    assert ask(office, "PATCH", "/products/K7Q2-M4XJ", {"active": True}, match="*", status=404)["code"] == "not_found"


def test_a_kitchen_with_its_terms_addresses_and_substitutes(farm: World, office: str) -> None:
    place = {"street": "3 Staithe", "town": "Saltby"}
    kitchen = ask(
        office, "POST", "/kitchens", {"name": "Otter", "email": "otter@example.org", "address": place}, status=201
    )["id"]
    address = f"/kitchens/{kitchen}"
    ask(office, "PATCH", address, {"tier": 1, "max_age_days": 2}, match=tag_of(office, address), status=200)
    told = ask(office, "PATCH", address, {"tier": 9}, match=tag_of(office, address), status=400)
    assert told["errors"][0]["pointer"] == "/tier"
    shown = ask(office, "GET", address, status=200)
    assert (shown["tier"], shown["max_age_days"]) == (1, 2)
    ask(office, "POST", f"{address}/addresses", place | {"name": "Back door"}, status=201)
    doors = [each["name"] for each in ask(office, "GET", f"{address}/addresses", status=200)["items"]]
    assert doors == ["Otter", "Back door"]
    strain = farm.strain.public_id
    instead = {"strain": strain, "grade": "a", "instead_strain": strain, "instead_grade": "b"}
    ask(office, "POST", f"{address}/substitutes", {"substitutes": [instead]}, status=200)
    assert ask(office, "GET", f"{address}/substitutes", status=200)["items"] == [instead]
    itself = {"substitutes": [instead | {"instead_grade": "a"}]}
    assert ask(office, "POST", f"{address}/substitutes", itself, status=400)["code"] == "substitute_of_itself"
    hers = key("kitchen", kitchen=Kitchen.objects.get(public_id=kitchen))
    assert ask(hers, "GET", address, status=200)["tier"] is None, "its place in the row is not told to a kitchen"
    ask(hers, "PATCH", address, {"tier": 1}, match="*", status=403)


def test_buyers_are_the_office_s_and_the_shop_s(farm: World, office: str) -> None:
    body = {
        "name": "Gwen",
        "email": "gwen@example.org",
        "zone": "Europe/London",
        "address": {"street": "4 Lane", "town": "Saltby"},
    }
    shop = key("shop")
    buyer = ask(shop, "POST", "/buyers", body, status=201)["id"]
    assert ask(shop, "GET", f"/buyers/{buyer}", status=200)["zone"] == "Europe/London"
    assert {each["name"] for each in ask(office, "GET", "/buyers", status=200)["items"]} == {"Dai", "Gwen"}
    ask(key("packing"), "GET", "/buyers", status=403)
    farm.buyer.erased_at = NOW
    farm.buyer.save()
    ask(office, "GET", f"/buyers/{farm.buyer.public_id}", status=404)
    order = {"buyer": farm.buyer.public_id, "on": ON, "lines": [{"product": farm.kit.public_id, "units": 1}]}
    assert ask(shop, "POST", "/promise-checks", order, status=400)["code"] == "not_found"


def test_a_buyer_who_says_no_zone_has_the_farm_s(farm: World, office: str) -> None:
    body = {"name": "Fay", "email": "fay@example.org", "address": {"street": "9 Row", "town": "Saltby"}}
    fay = ask(office, "POST", "/buyers", body, status=201)["id"]
    zone = ask(office, "GET", "/farm", status=200)["zone"]
    assert ask(office, "GET", f"/buyers/{fay}", status=200)["zone"] == zone


def test_an_order_is_for_one_customer(farm: World, office: str) -> None:
    lines = [{"product": farm.kit.public_id, "units": 1}]
    both = {"buyer": farm.buyer.public_id, "kitchen": farm.kitchen.public_id, "on": ON, "lines": lines}
    assert ask(office, "POST", "/promise-checks", both, status=400)["code"] == "one_of_two"
    assert ask(office, "POST", "/promise-checks", {"on": ON, "lines": lines}, status=400)["code"] == "missing"
    hers = key("kitchen", kitchen=farm.kitchen)
    ask(hers, "POST", "/promise-checks", {"buyer": farm.buyer.public_id, "on": ON, "lines": lines}, status=403)


def test_the_farm_s_terms_are_everybody_s(farm: World) -> None:
    told = ask(key("kitchen", kitchen=farm.kitchen), "GET", "/farm", status=200)
    assert (told["name"], told["cut_off_days"], told["cut_off_time"]) == ("Tide Mill Mushrooms", 1, "12:00")


def test_before_there_is_a_forecast_its_address_says_so(farm: World, office: str) -> None:
    for address in ("/forecasts/current", "/plans/latest"):
        assert "the first night makes one" in ask(office, "GET", address, status=404)["detail"]
    Job.objects.all().delete()
    assert ask(office, "POST", "/replans", {}, status=202) == {"asked": True}
    assert Job.objects.get().kind == "replan"


# ---- What growers log -----------------------------------------------------------------------------------------------


def test_grounds_and_spawn_are_listed_with_what_is_left_of_them(farm: World, office: str) -> None:
    intake = ask(office, "GET", "/intakes", status=200)["items"][0]
    spawn = ask(office, "GET", "/spawn-deliveries", status=200)["items"][0]
    assert (intake["grams"], intake["used_g"]) == (132_000, 132_000)
    assert (spawn["grams"], spawn["used_g"]) == (22_000, 22_000)
    refused = {
        "donor": intake["donor"], "grams": 4_000, "collected_on": ON, "hours_since_brewing": 60, "accepted": False,
    }  # fmt: skip
    assert "why" in ask(office, "POST", "/intakes", refused, status=400)["detail"].lower()
    ask(office, "POST", "/intakes", refused | {"refused_because": "three days old, sour"}, status=201)
    newest = ask(office, "GET", "/intakes", status=200)["items"][0]
    assert (newest["accepted"], newest["used_g"]) == (False, 0)


def test_a_room_shows_its_newest_reading(farm: World, office: str) -> None:
    room = farm.room.public_id
    for hour, celsius in ((3, 16.0), (5, 17.5), (4, 19.0)):
        reading = {"room": room, "celsius": celsius, "at": (NOW.replace(hour=hour)).isoformat()}
        ask(office, "POST", "/readings", reading, status=201)
    shown = {each["id"]: each for each in ask(office, "GET", "/rooms", status=200)["items"]}
    assert (shown[room]["celsius"], shown[room]["read_at"]) == (17.5, "2026-05-04T05:00:00Z")
    assert {each["celsius"] for each in shown.values()} == {17.5, None}


def test_a_batch_and_its_crop_tell_their_story(all_: Everything) -> None:
    batch = all_.get(f"/batches/{all_.ids['batches']}")
    assert batch["intakes"] == [{"id": all_.intake, "amount": 132_000}]
    assert batch["spawn"] == [{"id": all_.spawn, "amount": 22_000}]
    assert [each["kind"] for each in batch["observations"]] == ["run_full"]
    assert batch["crops"] == [all_.ids["crops"]]
    crop = all_.get(f"/crops/{all_.ids['crops']}")
    assert [each["kind"] for each in crop["observations"]] == ["pins"]
    assert [(each["weighed_g"], each["lot"]) for each in crop["harvests"]] == [(3_000, all_.ids["lots"])]
    over = {"kind": "finished", "seen_on": ON}
    all_.post(f"/crops/{all_.ids['crops']}/observations", over)
    assert all_.get("/crops")["items"] == []
    assert all_.get(f"/crops/{all_.ids['crops']}")["finished_on"] == ON


def test_holds_in_force_and_ended(all_: Everything) -> None:
    hold = all_.ids["holds"]
    assert [each["id"] for each in all_.get("/holds?in_force=true")["items"]] == [hold]
    all_.post(f"/holds/{hold}/destruction", {}, status=200)
    assert all_.get("/holds?in_force=true")["items"] == []
    ended = all_.get(f"/holds/{hold}")
    assert (ended["kind"], ended["on"], ended["outcome"]) == ("input_delivery", all_.input, "destroyed")
    assert ask(all_.office, "GET", "/holds?in_force=perhaps", status=400)["errors"][0]["pointer"] == "/in_force"


# ---- Traces ---------------------------------------------------------------------------------------------------------


def test_a_trace_by_any_code_names_people_to_the_office_only(all_: Everything) -> None:
    told = all_.get(f"/traces/{all_.ids['lots'].lower()}")
    assert told["id"] == all_.ids["lots"], "however it was typed"
    assert told["lots"][0]["ledger"] == {"harvested": 3_000, "picked": -990}
    assert [(each["id"], each["customer"]["email"]) for each in told["lines"]] == [(all_.line, "heron@example.org")]
    assert all_.get(f"/traces/{all_.line}")["kind"] == "line"
    packer = ask(key("packing"), "GET", f"/traces/{all_.intake}", status=200)
    assert "example.org" not in json.dumps(packer)
    assert "Dai" not in json.dumps(packer)
    assert {each["customer"]["id"] for each in packer["lines"]} == {
        all_.farm.kitchen.public_id,
        all_.farm.buyer.public_id,
    }
    for address in ("/traces/K7Q2-M4XJ", f"/traces/{all_.line}0", "/traces/nothing"):
        assert ask(all_.office, "GET", address, status=404)["code"] == "not_found"
    ask(all_.cleo, "GET", f"/traces/{all_.ids['lots']}", status=403)


# ---- Kits in other people's kitchens --------------------------------------------------------------------------------


def test_whoever_has_the_box_joins_without_a_key(all_: Everything, clock: time_machine.Traveller) -> None:
    all_.post(f"/shipments/{all_.kit_order['shipments'][0]}/parcel", {"carrier": "Overland Post"}, status=200)
    kit = Kit.objects.get(line__isnull=False)
    body = {"code": kit.joining_code, "email": "eve@example.org", "zone": "Europe/London", "warmth": "cool"}
    told = ask("", "POST", "/kit-joinings", body, status=201)
    assert told == {"id": kit.public_id}, "not who bought it"
    kit.refresh_from_db()
    assert kit.holder is not None
    assert (kit.holder.email, kit.warmth) == ("eve@example.org", "cool")
    assert ask("", "POST", "/kit-joinings", body, status=201) == told, "again, and nothing changes"
    assert Holder.objects.filter(email="eve@example.org").count() == 1
    assert ask("", "POST", "/kit-joinings", body | {"email": "eve@"}, status=400)["code"] == "not_an_address"
    assert ask("", "POST", "/kit-joinings", body | {"zone": "Moon"}, status=400)["errors"][0]["pointer"] == "/zone"


def test_codes_cannot_be_guessed_one_after_the_other(farm: World, clock: time_machine.Traveller) -> None:
    body = {"code": "K7Q2-M4XJ", "email": "eve@example.org", "zone": "Etc/UTC"}
    for _ in range(10):
        assert ask("", "POST", "/kit-joinings", body, status=400)["code"] == "not_found"
    assert ask("", "POST", "/kit-joinings", body, status=429)["code"] == "throttled"
    liar = Client().post(
        "/api/v1/kit-joinings", json.dumps(body), content_type="application/json",
        headers={"X-Forwarded-For": "203.0.113.7"},
    )  # fmt: skip
    assert liar.status_code == 429, "who asks does not choose from where"
    assert 1 <= int(liar["Retry-After"]) <= 61
    clock.shift(timedelta(seconds=int(liar["Retry-After"])))
    assert ask("", "POST", "/kit-joinings", body, status=400)["code"] == "not_found"


def test_a_key_that_asks_too_often_waits_and_others_do_not(farm: World, settings: Any) -> None:
    settings.API_PER_MINUTE = 3
    loud, quiet = key("office"), key("office")
    assert [ask(loud, "GET", "/farm").get("code") for _ in range(4)] == [None, None, None, "throttled"]
    ask(quiet, "GET", "/farm", status=200)
    assert ApiKey.objects.count() == 2


# ---- What bad input gets --------------------------------------------------------------------------------------------

BAD: list[tuple[str, dict[str, object], int, str, str]] = [
    ("/harvests", {"crop": "$crops", "harvested_on": "2026-05-05", "grades": [{"grade": "a", "weighed_g": 900}]},
     400, "in_the_future", "/harvested_on"),
    ("/harvests", {"crop": "$crops", "harvested_on": ON, "grades": [{"grade": "z", "weighed_g": 900}]},
     400, "unknown_grade", "/grades/0/grade"),
    ("/intakes", {"donor": "K7Q2-M4XJ", "grams": 1, "collected_on": ON, "hours_since_brewing": 1},
     400, "not_found", "/donor"),
    ("/readings", {"room": "$room", "celsius": 200, "at": "2026-05-04T05:00:00Z"},
     400, "impossible_temperature", "/celsius"),
    ("/readings", {"room": "$room", "celsius": 20, "at": "2026-05-04T05:00:00"}, 400, "invalid", "/at"),
    ("/rooms", {"name": "Fruiting room", "kind": "fruiting", "set_point_c": 17}, 409, "taken", "/name"),
    ("/strains", {"name": "Pearl oyster", "profile": "pearl"}, 409, "taken", "/name"),
    ("/strains/$strains/keeping", {"grade": "z", "best_before_days": 3}, 400, "unknown_grade", "/grade"),
    ("/products", {"strain": "$strains", "grade": "a", "pack": 500, "name": "x",
                   "price": {"amount": "1.00", "currency": "EUR"}}, 409, "taken", "/pack"),
    ("/products", {"strain": "$strains", "grade": "a", "pack": 500, "name": "x", "price": 1}, 400, "invalid", "/price"),
    ("/suppliers", {"name": "two\nlines"}, 400, "not_one_line", "/name"),
    ("/donors", {"name": "x", "email": "a@b\nBcc: c@example.org"}, 400, "not_one_line", "/email"),
    ("/batches/$batches/crops", {"bags": 999, "room": "$room", "opened_on": ON}, 409, "not_so_many_bags", "/bags"),
    ("/batches/$batches/observations", {"kind": "run_full", "seen_on": "2027-01-01"}, 400, "in_the_future", "/seen_on"),
    ("/crops/$crops/observations", {"kind": "bags_lost", "seen_on": ON, "bags": 1}, 400, "", "/cause"),
    ("/batches/$batches/kits", {"bags": 999, "sealed_on": ON}, 409, "not_enough_bags", "/bags"),
    ("/lots/$lots/wastes", {"quantity": 999_999}, 409, "not_in_store", "/quantity"),
    ("/lots/$lots/takings", {"quantity": 0, "kind": "sample"}, 400, "too_small", "/quantity"),
    ("/lots/$lots/harvest-corrections", {"weighed_g": -1, "reason": "x"}, 400, "too_small", "/weighed_g"),
    ("/lots/$lots/corrections", {"to_quantity": -1, "reason": "x"}, 400, "too_small", "/to_quantity"),
    ("/lots/$lots/dry-outs", {}, 400, "", ""),
    ("/holds", {"kind": "lot", "id": "K7Q2-M4XJ", "reason": "x"}, 400, "not_found", ""),
    ("/holds", {"kind": "lot", "id": "$lots", "reason": " "}, 400, "", "/reason"),
    ("/orders", {"kitchen": "$kitchens", "on": "2026-05-04", "lines": [{"product": "$products", "amount_g": 500}]},
     409, "", "/on"),
    ("/orders", {"kitchen": "$kitchens", "on": "2026-05-05", "lines": []}, 400, "invalid", "/lines"),
    ("/orders/$orders/lines/1/amount", {"amount_g": 750}, 400, "not_whole_packs", ""),
    ("/orders/$orders/lines/9/amount", {"amount_g": 500}, 404, "not_found", ""),
    ("/orders/$orders/cancellation", {"because": "x" * 300}, 400, "invalid", "/because"),
    ("/standing-orders", {"kitchen": "$kitchens", "rule": "FREQ=SECONDLY", "starts_on": ON,
                          "lines": [{"product": "$products", "amount_g": 500}]}, 400, "", "/rule"),
    ("/standing-orders/$standing-orders/changes", {"kind": "skip", "on": "2026-05-06"}, 400, "", "/on"),
    ("/standing-orders/$standing-orders/end", {"last_on": "never"}, 400, "invalid", "/last_on"),
    ("/picks", {"line": "$line", "lot": "$kitlot", "amount_g": 500}, 400, "not_accepted", "/lot"),
    ("/picks", {"line": "no line", "lot": "$lots", "amount_g": 500}, 400, "not_found", "/line"),
    ("/picks/K7Q2-M4XJ/undoing", {}, 404, "not_found", ""),
    ("/rounds/$rounds/closure", {"crates": {"K7Q2-M4XJ": 1}}, 400, "not_on_round", "/crates"),
    ("/shipments/$shipments/parcel", {"carrier": "Overland Post"}, 409, "", ""),
    ("/shipments/$shipments/delivery", {}, 409, "", ""),
    ("/shipments/$shipments/collection", {}, 409, "", ""),
    ("/kits/$kits/events", {"kind": "started", "on": ON}, 409, "", ""),
    ("/kits/$kits/events", {"kind": "sent", "on": ON}, 400, "invalid", "/kind"),
    ("/kitchens", {"name": "x", "email": "x", "address": {"street": "1", "town": "y"}},
     400, "not_an_address", "/email"),
    ("/kitchens/$kitchens/addresses", {"street": "1", "town": "y", "country": "UTOPIA"}, 400, "invalid", "/country"),
    ("/kitchens/$kitchens/crates", {"back": 0}, 400, "", "/back"),
    ("/buyers", {"name": "x", "email": "x@example.org", "zone": "Moon", "address": {"street": "1", "town": "y"}},
     400, "", "/zone"),
]  # fmt: skip


def test_bad_input_gets_a_sentence_and_a_place(all_: Everything) -> None:
    words = {f"${noun}": code for noun, code in all_.ids.items()}
    words |= {"$room": all_.farm.room.public_id, "$line": all_.line, "$kitlot": all_.kits}

    def filled(value: Any) -> Any:
        return json.loads(_replaced(json.dumps(value), words))

    wrong = []
    for address, body, status, code, where in BAD:
        told = ask(all_.office, "POST", filled(address), filled(body))
        pointers = [each["pointer"] for each in told.get("errors", [])]
        right = (
            told.get("status") == status
            and code in ("", told["code"])
            and (not where or where in pointers)
            and not told["detail"][0].islower()
            and told["detail"][-1] in ".?"
        )
        if not right:
            wrong.append((address, body, told))
    assert not wrong, json.dumps(wrong, indent=1)


def _replaced(text: str, words: dict[str, str]) -> str:
    for word in sorted(words, key=len, reverse=True):
        text = text.replace(word, words[word])
    return text
