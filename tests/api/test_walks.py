"""Every address with something at it: it answers as the schema says, refuses what it does not know, wants a key for
what it moves, and tells nobody of what is another's.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import time_machine
from django.core.cache import cache
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from fulfilment import urls as _urls  # noqa: F401 - the addresses below are this module's
from fulfilment.api.urls import V1
from fulfilment.models import Event, Order
from fulfilment.read.scope import STAFF
from fulfilment.services import customers
from tests.api import conforming
from tests.api.asking import ask, key
from tests.api.everything import TUESDAY, Everything
from tests.world import ADA, MONDAY, NOW

pytestmark = pytest.mark.django_db

ROUTES: list[tuple[str, Any]] = [
    (str(route.pattern), route.callback.view_class)  # type: ignore[union-attr]  # each is a view
    for route in V1
]
UNKNOWN = "K7Q2-M4XJ"
KEEPS_NOTHING = {"promise-checks"}
OPEN = {"kit-joinings"}
KNOWN_TO_ALL = {"strains", "products"}
OF_ONE_SCOPE = {"webhook-endpoints"}
"""Each scope sees its own, the office all."""
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


def test_what_is_another_s_is_not_there_whatever_is_asked(all_: Everything) -> None:
    """Role × foreign thing: Eve's kitchen and the shop get for Cleo's things what they get for an id never given."""
    eve = customers.add_kitchen(
        "Eve's", email="eve@example.org", address={"street": "9 Row", "town": "Saltby"}, by=ADA, now=NOW
    )
    strangers = {"kitchen": key("kitchen", kitchen=eve), "shop": key("shop")}
    walked = set()
    before = Event.objects.count()
    for address, view in ROUTES:
        noun = address.partition("/")[0]
        if "<str:code>" not in address or noun in KNOWN_TO_ALL:
            continue
        for method, scopes in view.scopes.items():
            for scope in scopes & strangers.keys():
                if (scope, noun) == ("shop", "buyers"):
                    continue  # Every buyer of kits is the shop's.
                body = None if method == "GET" else BODIES[address]
                theirs = ask(strangers[scope], method, all_.address(address), body, status=404)
                never = ask(strangers[scope], method, all_.address(address, UNKNOWN), body, status=404)
                code = all_.address(address).split("/")[2]
                assert str(theirs).replace(code, UNKNOWN) == str(never), (scope, method, address)
                walked.add((scope, method, noun))
    assert Event.objects.count() == before
    assert walked == {
        ("kitchen", "GET", "orders"), ("kitchen", "POST", "orders"),
        ("kitchen", "GET", "standing-orders"), ("kitchen", "POST", "standing-orders"),
        ("kitchen", "GET", "kitchens"), ("kitchen", "GET", "shipments"),
        ("kitchen", "POST", "shortages"),
        *((scope, method, "webhook-endpoints") for scope in strangers for method in ("GET", "POST", "PATCH")),
        ("shop", "GET", "orders"), ("shop", "POST", "orders"), ("shop", "GET", "shipments"),
        ("shop", "GET", "kits"), ("shop", "POST", "kits"),
    }  # fmt: skip


def test_lists_hold_only_what_is_the_asker_s_own(all_: Everything) -> None:
    eve = customers.add_kitchen(
        "Eve's", email="eve@example.org", address={"street": "9 Row", "town": "Saltby"}, by=ADA, now=NOW
    )
    hers, shop = key("kitchen", kitchen=eve), key("shop")
    assert [each["id"] for each in ask(hers, "GET", "/kitchens", status=200)["items"]] == [eve.public_id]
    assert ask(hers, "GET", "/orders", status=200)["items"] == []
    assert ask(hers, "GET", "/standing-orders", status=200)["items"] == []
    sold = ask(shop, "GET", "/orders", status=200)["items"]
    assert [each["id"] for each in sold] == [all_.kit_order["id"]], "kit orders, not what kitchens order"
    assert len(ask(shop, "GET", "/kits", status=200)["items"]) == 1, "sold ones, not those on the shelf"
    for each in ask(shop, "GET", "/events", status=200)["items"]:
        assert all_.ids["orders"] != each["subject"]
        assert all_.ids["kitchens"] != each["subject"]


def test_a_list_of_orders_can_be_one_day_s(all_: Everything) -> None:
    ids = [each["id"] for each in all_.get(f"/orders?on={TUESDAY}")["items"]]
    assert set(ids) == set(Order.objects.filter(on=TUESDAY).values_list("public_id", flat=True))
    assert all_.get(f"/orders?on={MONDAY}")["items"] == []
    assert ask(all_.office, "GET", "/orders?on=tuesday", status=400)["code"] == "not_a_day"


@pytest.mark.parametrize("address", ["orders", "standing-orders", "intakes", "rooms", "holds", "kits"])
def test_a_list_takes_as_many_statements_for_one_as_for_all(all_: Everything, address: str) -> None:
    """Up to two more where the newest has nothing of a kind to read ahead; one a row would be three more or above."""

    def statements(size: int) -> tuple[int, int]:
        with CaptureQueriesContext(connection) as seen:
            items = all_.get(f"/{address}?page_size={size}")["items"]
        return len(items), len(seen)

    donor = all_.get("/donors")["items"][0]["id"]
    for more in range(3):
        all_.post("/rooms", {"name": f"Loft {more}", "kind": "fruiting", "set_point_c": 17})
        all_.post("/holds", {"kind": "intake", "id": all_.intake, "reason": "sour"})
        grounds = {"donor": donor, "grams": 9_000, "collected_on": MONDAY.isoformat(), "hours_since_brewing": 5}
        all_.post("/intakes", grounds)
        weekly = {
            "rule": "FREQ=WEEKLY;BYDAY=TH",
            "starts_on": MONDAY.isoformat(),
            "lines": [{"product": all_.farm.product.public_id, "amount_g": 500}],
        }
        ask(all_.cleo, "POST", "/standing-orders", weekly, status=201)
    one, few = statements(1)
    shown, many = statements(200)
    assert one == 1
    assert shown >= 4
    assert many <= few + 2, f"{shown} items"


SEEN: dict[str, object] = {"kind": "seen", "seen_on": "2026-05-04"}
BODIES: dict[str, dict[str, object]] = {
    "strains/<str:code>/keeping": {"grade": "a", "best_before_days": 7},
    "products/<str:code>": {"active": True},
    "orders/<str:code>/cancellation": {},
    "orders/<str:code>/lines/<int:number>/amount": {"amount_g": 500},
    "standing-orders/<str:code>/changes": {"kind": "skip", "on": "2026-05-08"},
    "standing-orders/<str:code>/end": {"last_on": "2026-05-08"},
    "kitchens/<str:code>": {"active": True},
    "kitchens/<str:code>/addresses": {"street": "3 Staithe", "town": "Saltby"},
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
    "shortages/<str:code>/answer": {"choice": "drop"},
    "webhook-endpoints/<str:code>": {"note": "till"},
    "webhook-endpoints/<str:code>/rotations": {},
    "webhook-endpoints/<str:code>/pings": {},
    "webhook-endpoints/<str:code>/replays": {"since": "2026-05-04T06:00:00Z"},
}
"""For each address that changes one thing, a body good enough to get as far as that thing."""
