"""A change is a merge patch (RFC 7396), at every address that takes one and for every member: what is left out stays,
null takes away what can be missing, and is refused in words, at its place, where something must be.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any, Final

import pytest
import time_machine
from django.core.cache import cache

from fulfilment import work
from fulfilment.models import Event
from fulfilment.read.farm import farm as the_farm
from tests import world
from tests.api import conforming
from tests.api.asking import ask, key
from tests.api.routes import ROUTES
from tests.world import MONDAY, NOW, World

pytestmark = pytest.mark.django_db

FRIDAY = (MONDAY + timedelta(days=4)).isoformat()
EMPTIED: Final[dict[str, dict[str, tuple[object, object]]]] = {
    "products": {},
    "kitchens": {"phone": ("01632 960 123", ""), "delivery_weekdays": ([1, 4], [])},
    "buyers": {"phone": ("01632 960 123", ""), "zone": ("Asia/Tokyo", "the farm's")},
    "orders": {"reference": ("A-17", ""), "note": ("Ring twice.", ""), "greeting": ("Get well.", "")},
    "standing-orders": {"ends_on": ("2026-08-28", None)},
    "webhook-endpoints": {"note": ("till", "")},
}
"""By noun, what can be emptied: a value that it has, and what is read once that was taken away."""
NOT_KEPT: Final = {"orders": {"because"}, "standing-orders": {"because", "from_on"}}
"""What says how the change is made and is no part of the thing: null is as if it were left out."""
PATCHED = {address.partition("/")[0]: view for address, view in ROUTES if "PATCH" in view.scopes}


@pytest.fixture
def farm() -> Iterator[World]:
    cache.clear()
    with time_machine.travel(NOW, tick=False):
        made = world.build()
        made.harvest(4_000)
        world.plan()
        work.drain(now=NOW)
        yield made


@pytest.fixture
def office(farm: World) -> str:
    return key("office")


@pytest.fixture
def addresses(farm: World, office: str) -> dict[str, str]:
    """One thing of every noun that can be changed."""
    lines = [{"product": farm.product.public_id, "amount_g": 500}]
    kitchen = farm.kitchen.public_id
    order = {"kitchen": kitchen, "on": FRIDAY, "lines": lines}
    weekly = {"kitchen": kitchen, "rule": "FREQ=WEEKLY;BYDAY=FR", "starts_on": MONDAY.isoformat(), "lines": lines}
    told = {"address": "https://heron.example.org/hooks", "kinds": ["order.placed"], "scope": "office"}
    ids = {
        "products": farm.product.public_id,
        "kitchens": kitchen,
        "buyers": farm.buyer.public_id,
        "orders": ask(office, "POST", "/orders", order, status=201)["id"],
        "standing-orders": ask(office, "POST", "/standing-orders", weekly, status=201)["id"],
        "webhook-endpoints": ask(office, "POST", "/webhook-endpoints", told, status=201)["id"],
    }
    return {noun: f"/{noun}/{code}" for noun, code in ids.items()}


def members(address: str) -> dict[str, bool]:
    """What a change at this address may name, and whether the schema lets it be null."""
    content = conforming.operation("PATCH", f"/api/v1{address}")["requestBody"]["content"]
    assert content["application/json"] == content["application/merge-patch+json"]
    name = content["application/json"]["schema"]["$ref"].rpartition("/")[2]
    return {member: _nullable(each) for member, each in conforming.component(name)["properties"].items()}


def _nullable(schema: dict[str, Any]) -> bool:
    return "null" in schema.get("type", ()) or any(_nullable(each) for each in schema.get("oneOf", ()))


def test_every_address_that_takes_a_change_is_walked(addresses: dict[str, str]) -> None:
    assert PATCHED.keys() == EMPTIED.keys() == addresses.keys()


def test_the_schema_says_null_of_what_can_be_missing_and_of_nothing_else(addresses: dict[str, str]) -> None:
    for noun, address in addresses.items():
        nullable = {member for member, may in members(address).items() if may}
        assert nullable == EMPTIED[noun].keys() | NOT_KEPT.get(noun, set()), noun


def test_null_takes_away_what_can_be_missing(addresses: dict[str, str], office: str) -> None:
    walked = [(noun, member, *each) for noun, those in EMPTIED.items() for member, each in those.items()]
    for noun, member, value, emptied in walked:
        address, where = addresses[noun], (noun, member)
        wanted = the_farm().zone if emptied == "the farm's" else emptied
        ask(office, "PATCH", address, {member: value}, match="*", status=200)
        before = ask(office, "GET", address, status=200)
        assert before[member] == value != wanted, where
        ask(office, "PATCH", address, {member: None}, match="*", status=200)
        assert ask(office, "GET", address, status=200) == before | {member: wanted}, f"{where}, and nothing else"
        ask(office, "PATCH", address, {member: None}, match="*", status=200)
        assert ask(office, "GET", address, status=200)[member] == wanted, "there is nothing to take away any more"


def test_null_is_refused_where_something_must_be(addresses: dict[str, str], office: str) -> None:
    for noun, address in addresses.items():
        events, must = Event.objects.count(), {member for member, may in members(address).items() if not may}
        assert must, noun
        before = ask(office, "GET", address, status=200)
        for member in must:
            told = ask(office, "PATCH", address, {member: None}, match="*", status=400)
            assert [(each["pointer"], each["code"]) for each in told["errors"]] == [(f"/{member}", "null")]
            assert told["detail"] == "This cannot be emptied: give a value, or leave it out and it stays as it is."
        told = ask(office, "PATCH", address, dict.fromkeys(must), match="*", status=400)
        assert {each["pointer"] for each in told["errors"]} == {f"/{member}" for member in must}
        assert ask(office, "GET", address, status=200) == before
        assert Event.objects.count() == events


def test_what_is_left_out_or_not_kept_changes_nothing(addresses: dict[str, str], office: str) -> None:
    for noun, address in addresses.items():
        before, events = ask(office, "GET", address, status=200), Event.objects.count()
        for change in ({}, dict.fromkeys(NOT_KEPT.get(noun, ()))):
            ask(office, "PATCH", address, change, match="*", status=200)
            assert ask(office, "GET", address, status=200) == before
            assert Event.objects.count() == events, noun
