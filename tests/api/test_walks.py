"""Every address with something at it: it answers as the schema says, refuses what it does not know, wants a key for
what it moves, and tells nobody of what is another's.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import time_machine
from django.core.cache import cache
from django.test import Client

from fulfilment.api.views import Endpoint
from fulfilment.models import Event, Kitchen, Order
from fulfilment.read.scope import STAFF
from fulfilment.services import customers
from tests.api import conforming
from tests.api.asking import ask, key
from tests.api.everything import TUESDAY, Everything
from tests.api.routes import ROUTES
from tests.world import ADA, MONDAY, NOW

pytestmark = pytest.mark.django_db

UNKNOWN = "K7Q2-M4XJ"
KEEPS_NOTHING = {"promise-checks", "standing-order-previews"}
OPEN = {"kit-joinings"}
KNOWN_TO_ALL = {"strains", "products"}
OF_ONE_SCOPE = {"webhook-endpoints"}
"""Each scope sees its own, the office all."""
OWNED = {
    "kitchen": {"doubts", "kitchens", "orders", "shipments", "shortages", "standing-orders", "webhook-endpoints"},
    "shop": {"kits", "orders", "shipments", "webhook-endpoints"},
}
"""By role, the nouns of which some rows are its own and others are another's."""
WHOLLY_SHOPS = {"buyers", "purchases"}
"""All of these are the shop's: a farm has one."""
LISTS = [address for address, view in ROUTES if "GET" in view.scopes and "<" not in address]


@pytest.fixture
def clock() -> Iterator[time_machine.Traveller]:
    cache.clear()
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture
def all_(clock: time_machine.Traveller) -> Everything:
    return Everything(clock)


def test_every_address_that_is_read_answers_as_the_schema_says(all_: Everything) -> None:
    """``ask`` holds each answer against the schema; lists have something in them."""
    for address, view in ROUTES:
        if "GET" in view.scopes:
            told = all_.get(all_.address(address))
            if "items" in told and address.rpartition("/")[2] not in {"substitutes", "prices"}:
                assert told["items"], address


def test_an_answer_that_says_more_or_less_than_the_schema_is_seen() -> None:
    right = {"id": UNKNOWN}
    conforming.check("POST", "/api/v1/donors", 201, right)
    for wrong in ({}, {"id": 1}, right | {"name": "Corner Café"}):
        with pytest.raises(Exception, match="Failed validating"):
            conforming.check("POST", "/api/v1/donors", 201, wrong)
    with pytest.raises(AssertionError):
        conforming.check("POST", "/api/v1/donors", 204, None)


def test_every_body_refuses_what_it_does_not_know(all_: Everything) -> None:
    before = Event.objects.count()
    for address, view in ROUTES:
        for method in view.scopes.keys() - {"GET"}:
            told = ask(all_.office, method, all_.address(address), {"surprise": 1}, status=400)
            named = [each["pointer"] for each in told["errors"] if each["code"] == "unknown_field"]
            assert named == ["/surprise"], (method, address, told)
    assert Event.objects.count() == before


def test_every_post_that_moves_something_wants_its_own_name(all_: Everything) -> None:
    for address, view in ROUTES:
        if "POST" in view.scopes and address not in KEEPS_NOTHING | OPEN:
            told = Client().post(
                f"/api/v1{all_.address(address)}", b"{}", content_type="application/json",
                headers={"Authorization": f"Bearer {all_.office}"},
            )  # fmt: skip
            assert (told.status_code, told.json()["code"]) == (400, "idempotency_key_missing"), address


def test_every_list_refuses_parameters_that_mean_nothing(all_: Everything) -> None:
    for address in LISTS:
        told = ask(all_.office, "GET", f"/{address}?surprise=1", status=400)
        assert told["code"] == "unknown_parameter", address


def test_whoever_is_let_in_at_the_farm_finds_the_thing(all_: Everything) -> None:
    """Scopes of a route and sight of its rows agree: what packing may do, packing may see."""
    for address, view in ROUTES:
        if "<str:code>" not in address:
            continue
        if address.partition("/")[0] in OF_ONE_SCOPE:
            continue
        for method, scopes in view.scopes.items():
            for scope in scopes & STAFF:
                body = None if method == "GET" else BODIES[address]
                told = ask(key(scope), method, all_.address(address), body, match="*")
                assert told.get("status") != 404, (scope, method, address, told)


def test_an_id_that_was_never_given_is_404_at_every_address(all_: Everything) -> None:
    before = Event.objects.count()
    for address, view in ROUTES:
        if "<str:code>" in address:
            for method in view.scopes:
                body = None if method == "GET" else BODIES[address]
                for code in (UNKNOWN, "7KQ2-M4XJ", "nonsense"):
                    told = ask(all_.office, method, all_.address(address, code), body, match="*", status=404)
                    assert told["code"] == "not_found", (method, address, told)
    assert Event.objects.count() == before


def test_every_address_is_an_endpoint_whose_things_have_an_owner() -> None:
    """A new address that nobody has thought of here fails: it needs a body, and somebody it belongs to."""
    assert len(ROUTES) > 80
    for address, view in ROUTES:
        assert issubclass(view, Endpoint), address
        assert view.scopes, f"{address} says for nobody whom it takes"
        if "<str:code>" not in address:
            continue
        noun = address.partition("/")[0]
        if view.scopes.keys() - {"GET"}:
            assert address in BODIES, f"give BODIES a body for {address}"
        for scope in frozenset().union(*view.scopes.values()) & OWNED.keys():
            whose = OWNED[scope] | KNOWN_TO_ALL | (WHOLLY_SHOPS if scope == "shop" else set())
            assert noun in whose, f"say in OWNED whether a {scope} key may find each of the {noun}"


def test_what_is_another_s_is_not_there_whatever_is_asked(all_: Everything) -> None:
    """Role × route × foreign thing: Eve's kitchen and the shop get for Cleo's what they get for an id never given."""
    strangers = {"kitchen": key("kitchen", kitchen=_eve()), "shop": key("shop")}
    walked = {scope: set[str]() for scope in OWNED}
    before = Event.objects.count()
    for address, view in ROUTES:
        noun = address.partition("/")[0]
        if "<str:code>" not in address:
            continue
        for method, scopes in view.scopes.items():
            for scope in scopes & strangers.keys():
                if noun not in OWNED[scope]:
                    continue
                body = None if method == "GET" else BODIES[address]
                asked: Any = {"secret": strangers[scope], "method": method, "body": body, "match": "*", "status": 404}
                theirs = ask(address=all_.address(address), **asked)
                never = ask(address=all_.address(address, UNKNOWN), **asked)
                code = all_.address(address).split("/")[2]
                assert str(theirs).replace(code, UNKNOWN) == str(never), (scope, method, address)
                walked[scope].add(noun)
    assert Event.objects.count() == before
    assert walked == OWNED


def test_what_is_another_s_is_not_there_in_a_body_either(all_: Everything) -> None:
    hers, shop = key("kitchen", kitchen=_eve()), key("shop")
    line = {"product": all_.farm.product.public_id, "amount_g": 500}
    kit = {"product": all_.farm.kit.public_id, "units": 1}
    day = "2026-05-08"
    rule = {"rule": "FREQ=WEEKLY;BYDAY=FR", "starts_on": day}
    asked: list[tuple[str, str, dict[str, Any], str, str]] = [
        (hers, "/orders", {"on": day, "lines": [line]}, "kitchen", all_.ids["kitchens"]),
        (hers, "/promise-checks", {"on": day, "lines": [line]}, "kitchen", all_.ids["kitchens"]),
        (hers, "/standing-orders", {**rule, "lines": [line]}, "kitchen", all_.ids["kitchens"]),
        (hers, "/standing-order-previews", rule, "kitchen", all_.ids["kitchens"]),
        (shop, "/orders", {"on": day, "lines": [line]}, "kitchen", all_.ids["kitchens"]),
        (shop, "/purchases", {"receivers": [{"lines": [kit], "ships_from": day}]}, "buyer", all_.ids["kitchens"]),
    ]
    before = Event.objects.count()
    for secret, address, body, name, code in asked:
        theirs = ask(secret, "POST", address, {**body, name: code}, status=400)
        never = ask(secret, "POST", address, {**body, name: UNKNOWN}, status=400)
        assert theirs["code"] == "not_found", (address, theirs)
        assert str(theirs).replace(code, UNKNOWN) == str(never), address
    assert ask(hers, "POST", "/orders", {"on": day, "lines": [kit], "buyer": all_.ids["buyers"]}, status=403)
    assert Event.objects.count() == before


def test_no_list_names_what_is_another_s(all_: Everything) -> None:
    """Eve's kitchen and the shop read every list they may: nothing in it is Cleo's, by any of its ids."""
    cleos = {all_.ids[noun] for noun in OWNED["kitchen"]}
    for scope, secret in (("kitchen", key("kitchen", kitchen=_eve())), ("shop", key("shop"))):
        for address, view in ROUTES:
            if "<" in address or scope not in view.scopes.get("GET", ()):
                continue
            told = str(ask(secret, "GET", f"/{address}", status=200))
            assert not {code for code in cleos if code in told}, (scope, address)


def _eve() -> Kitchen:
    return customers.add_kitchen(
        "Eve's", email="eve@example.org", address={"street": "9 Row", "town": "Saltby"}, by=ADA, now=NOW
    )


def test_lists_hold_only_what_is_the_asker_s_own(all_: Everything) -> None:
    eve = _eve()
    hers, shop = key("kitchen", kitchen=eve), key("shop")
    assert [each["id"] for each in ask(hers, "GET", "/kitchens", status=200)["items"]] == [eve.public_id]
    assert ask(hers, "GET", "/orders", status=200)["items"] == []
    assert ask(hers, "GET", "/standing-orders", status=200)["items"] == []
    sold = ask(shop, "GET", "/orders", status=200)["items"]
    assert {each["id"] for each in sold} == all_.kit_orders, "kit orders, not what kitchens order"
    assert len(ask(shop, "GET", "/kits", status=200)["items"]) == 1, "sold ones, not those on the shelf"
    for each in ask(shop, "GET", "/events", status=200)["items"]:
        assert all_.ids["orders"] != each["subject"]
        assert all_.ids["kitchens"] != each["subject"]


def test_a_list_of_orders_can_be_one_day_s(all_: Everything) -> None:
    ids = [each["id"] for each in all_.get(f"/orders?on={TUESDAY}")["items"]]
    assert set(ids) == set(Order.objects.filter(on=TUESDAY).values_list("public_id", flat=True))
    assert all_.get(f"/orders?on={MONDAY}")["items"] == []
    assert ask(all_.office, "GET", "/orders?on=tuesday", status=400)["code"] == "not_a_day"


SEEN: dict[str, object] = {"kind": "seen", "seen_on": "2026-05-04"}
BODIES: dict[str, dict[str, object]] = {
    "strains/<str:code>/keeping": {"grade": "a", "best_before_days": 7},
    "products/<str:code>": {"active": True},
    "orders/<str:code>": {"note": "ring twice"},
    "orders/<str:code>/cancellation": {},
    "orders/<str:code>/lines": {"lines": [{"product": UNKNOWN, "units": 1}]},
    "orders/<str:code>/lines/<int:number>/cancellation": {},
    "orders/<str:code>/lines/<int:number>/amount": {"amount_g": 500},
    "standing-orders/<str:code>": {"on_closed": "earlier"},
    "standing-orders/<str:code>/changes": {"kind": "skip", "on": "2026-05-08"},
    "standing-orders/<str:code>/end": {"last_on": "2026-05-08"},
    "kitchens/<str:code>": {"active": True},
    "kitchens/<str:code>/addresses": {"street": "3 Staithe", "town": "Saltby"},
    "buyers/<str:code>": {"name": "Dai"},
    "buyers/<str:code>/addresses": {"street": "3 Staithe", "town": "Saltby"},
    "purchases/<str:code>/payment": {"payment": "paid"},
    "purchases/<str:code>/cancellation": {},
    "kitchens/<str:code>/substitutes": {"substitutes": []},
    "kitchens/<str:code>/prices": {"prices": []},
    "kitchens/<str:code>/crates": {"back": 1, "confirmed": True},
    "batches/<str:code>/crops": {"bags": 1, "room": UNKNOWN, "opened_on": "2026-05-04"},
    "batches/<str:code>/observations": SEEN,
    "batches/<str:code>/kits": {"bags": 1, "sealed_on": "2026-05-04"},
    "crops/<str:code>/observations": SEEN,
    "lots/<str:code>/wastes": {"quantity": 1},
    "lots/<str:code>/takings": {"quantity": 1, "kind": "sample"},
    "lots/<str:code>/dry-outs": {"lost_g": 1},
    "lots/<str:code>/harvest-corrections": {"weighed_g": 1_900, "reason": "a slip of the pen"},
    "lots/<str:code>/corrections": {"to_quantity": 1_000, "reason": "weighed again"},
    "holds/<str:code>/release": {},
    "holds/<str:code>/destruction": {},
    "picks/<str:code>/undoing": {},
    "rounds/<str:code>/closure": {},
    "shipments/<str:code>/parcel": {"carrier": "Overland Post"},
    "shipments/<str:code>/delivery": {},
    "shipments/<str:code>/collection": {},
    "kits/<str:code>/events": {"kind": "started", "on": "2026-05-04"},
    "kits/<str:code>/room": {"warmth": "cool"},
    "kits/<str:code>/replacement": {"reason": "arrived crushed"},
    "doubts/<str:code>/answer": {"choice": "keep"},
    "shortages/<str:code>/answer": {"choice": "drop"},
    "webhook-endpoints/<str:code>": {"note": "till"},
    "webhook-endpoints/<str:code>/rotations": {},
    "webhook-endpoints/<str:code>/pings": {},
    "webhook-endpoints/<str:code>/replays": {"since": "2026-05-04T06:00:00Z"},
}
"""For each address that changes one thing, a body good enough to get as far as that thing."""
