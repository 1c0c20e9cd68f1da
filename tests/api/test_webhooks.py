"""Webhooks over HTTP: a kitchen's program sets itself up, is told, verifies, and asks for what it missed."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import jsonschema
import pytest
import time_machine
import yaml
from django.core.cache import cache
from django.test import Client
from pytest_django import Settings
from standardwebhooks import Webhook

from fulfilment import work
from fulfilment.api.webhooks import sample
from fulfilment.models import Event, Once, WebhookEndpoint, WebhookMessage
from fulfilment.read.webhook_kinds import KINDS, OF_EVENT, PING, body
from fulfilment.services import customers
from tests import world
from tests.api.asking import ask, key
from tests.api.everything import Everything
from tests.listener import Listener, listening, says
from tests.people import ADA
from tests.world import MONDAY, NOW, World

if TYPE_CHECKING:
    from collections.abc import Iterator

SCHEMA = Path(__file__).parents[2] / "docs" / "openapi.yaml"
ADDRESS = "https://kitchen.example.org/hooks"


@pytest.fixture(autouse=True)
def _here(settings: Settings) -> None:
    settings.WEBHOOKS_TO_LOOPBACK = True
    cache.clear()


@pytest.fixture
def listener() -> Iterator[Listener]:
    with listening() as heard:
        yield heard


def test_a_kitchen_s_program_from_its_key_to_a_replay(
    transactional_db: None, listener: Listener, settings: Settings
) -> None:
    with time_machine.travel(NOW):
        farm = world.build()
        farm.harvest(3_000)
        world.plan()
        cleo = key("kitchen", kitchen=farm.kitchen)
        asked = {"address": listener.address, "kinds": ["order.placed", "order.cancelled"], "note": "kitchen screen"}
        made = ask(cleo, "POST", "/webhook-endpoints", asked, once="mine", status=201)
        at = f"/webhook-endpoints/{made['id']}"
        wanted = {
            "on": (MONDAY + timedelta(days=2)).isoformat(),
            "lines": [{"product": farm.product.public_id, "amount_g": 1_000}],
        }
        order = ask(cleo, "POST", "/orders", wanted, status=201)["id"]
        work.drain(now=datetime.now(UTC))
        [got] = listener.got
        told = Webhook(made["secret"]).verify(got.body, got.headers)
        assert (told["type"], told["data"]) == ("order.placed", {"order": order, "on": wanted["on"]})
        assert ask(cleo, "GET", f"/orders/{order}", status=200)["id"] == told["data"]["order"]

        listener.answer = says(500)
        ask(cleo, "POST", f"/orders/{order}/cancellation", {}, status=200)
        work.drain(now=datetime.now(UTC))
        tries = ask(cleo, "GET", f"{at}/tries", status=200)["items"]
        assert [(each["type"], each["outcome"], each["status"]) for each in tries] == [
            ("order.cancelled", "refused", 500), ("order.placed", "delivered", 204),
        ]  # fmt: skip
        [waits] = ask(cleo, "GET", f"{at}/messages?state=waiting", status=200)["items"]
        assert (waits["type"], waits["tries"], waits["message"]) == ("order.cancelled", 1, tries[0]["message"])

        listener.answer = says(200)
        new = ask(cleo, "POST", f"{at}/rotations", {}, status=201)["secret"]
        again = ask(cleo, "POST", f"{at}/replays", {"message": tries[1]["message"]}, status=201)
        assert again["messages"] == 1
        since = {"since": (NOW - timedelta(hours=1)).isoformat()}
        assert ask(cleo, "POST", f"{at}/replays", since, status=201)["messages"] == 2
        pinged = ask(cleo, "POST", f"{at}/pings", {}, status=201)["message"]
        work.drain(now=datetime.now(UTC))
        arrived = {each.id: each for each in listener.got[2:]}
        assert set(arrived) == {got.id, tries[0]["message"], pinged}
        for each in arrived.values():
            for secret in (made["secret"], new):
                Webhook(secret).verify(each.body, each.headers)
        assert json.loads(arrived[pinged].body)["type"] == PING


@pytest.fixture
def farm(db: None) -> Iterator[World]:
    with time_machine.travel(NOW, tick=False):
        yield world.build()


def test_a_secret_is_shown_once_and_kept_in_no_answer(farm: World) -> None:
    cleo = key("kitchen", kitchen=farm.kitchen)
    asked = {"address": ADDRESS, "kinds": ["order.placed"]}
    made = ask(cleo, "POST", "/webhook-endpoints", asked, once="mine", status=201)
    same = ask(cleo, "POST", "/webhook-endpoints", asked, once="mine", status=201)
    assert made["secret"].startswith("whsec_")
    assert same == {"id": made["id"], "secret": None}
    at = f"/webhook-endpoints/{made['id']}"
    turned = ask(cleo, "POST", f"{at}/rotations", {}, once="turn", status=201)
    assert ask(cleo, "POST", f"{at}/rotations", {}, once="turn", status=201)["secret"] is None
    kept = b"".join(bytes(each.body) for each in Once.objects.all())
    assert b"whsec_" not in kept
    for secret in (made["secret"], turned["secret"]):
        assert secret not in str(ask(cleo, "GET", at, status=200))
    assert WebhookEndpoint.objects.get().secrets.count() == 2


def test_it_is_changed_by_who_has_seen_it(farm: World) -> None:
    cleo = key("kitchen", kitchen=farm.kitchen)
    made = ask(cleo, "POST", "/webhook-endpoints", {"address": ADDRESS, "kinds": ["order.placed"]}, status=201)
    at = f"/webhook-endpoints/{made['id']}"
    assert ask(cleo, "PATCH", at, {"enabled": False}, status=428)["code"] == "match_missing"
    ask(cleo, "PATCH", at, {"enabled": False}, match='"1"', status=200)
    assert ask(cleo, "PATCH", at, {"enabled": True}, match='"1"', status=412)["code"] == "stale"
    seen = ask(cleo, "GET", at, status=200)
    assert (seen["enabled"], seen["why_disabled"]) == (False, "asked")
    assert ask(cleo, "POST", f"{at}/pings", {}, status=409)["code"] == "endpoint_disabled"
    ask(cleo, "PATCH", at, {"enabled": True, "kinds": ["order.cancelled"]}, match='"2"', status=200)
    assert ask(cleo, "GET", at, status=200)["kinds"] == ["order.cancelled"]


@pytest.mark.parametrize(
    ("wrong", "code", "pointer"),
    [
        ({"address": "http://kitchen.example.org/"}, "bad_address", "/address"),
        ({"address": "https://169.254.169.254/latest/meta-data/"}, "bad_address", "/address"),
        ({"address": "https://kitchen.example.org/\r\nX: y"}, "bad_address", "/address"),
        ({"address": "https://u:p@kitchen.example.org/"}, "bad_address", "/address"),
        ({"kinds": ["harvest.logged"]}, "unknown_kind", "/kinds/0"),
        ({"kinds": [PING]}, "unknown_kind", "/kinds/0"),
        ({"kinds": []}, "invalid", "/kinds"),
        ({"kinds": "order.placed"}, "not_a_list", "/kinds"),
    ],
)
def test_what_is_wrong_is_said_where(farm: World, wrong: dict[str, Any], code: str, pointer: str) -> None:
    asked = {"address": ADDRESS, "kinds": ["order.placed"], **wrong}
    told = ask(key("kitchen", kitchen=farm.kitchen), "POST", "/webhook-endpoints", asked, status=400)
    assert [(each["code"], each["pointer"]) for each in told["errors"]] == [(code, pointer)]
    assert not WebhookEndpoint.objects.exists()


def test_whose_eyes_an_endpoint_has(farm: World) -> None:
    def add(secret: str, status: int = 201, **more: Any) -> Any:
        return ask(secret, "POST", "/webhook-endpoints", {"address": ADDRESS, "kinds": ["day"], **more}, status=status)

    closed: dict[str, Any] = {"kinds": ["delivery_day.closed"]}
    eve = customers.add_kitchen(
        "Eve's", email="eve@example.org", address={"street": "9 Row", "town": "Saltby"}, by=ADA, now=NOW
    )
    cleo, hers = key("kitchen", kitchen=farm.kitchen), key("kitchen", kitchen=eve)
    shop, grower, office, both = key("shop"), key("grower"), key("office"), key("grower", "packing")
    made = {
        "cleo": add(cleo, **closed)["id"], "eve": add(hers, **closed)["id"], "shop": add(shop, **closed)["id"],
        "grower": add(grower, **closed)["id"], "office": add(office, **closed)["id"],
        "packing": add(both, scope="packing", **closed)["id"],
        "by office": add(office, kitchen=eve.public_id, **closed)["id"],
    }  # fmt: skip
    assert add(both, 400, **closed)["code"] == "missing"
    assert add(shop, 403, scope="office", **closed)["code"] == "scope_missing"
    assert add(cleo, 403, scope="shop", **closed)["code"] == "scope_missing"
    assert add(cleo, 400, kitchen=eve.public_id, **closed)["code"] == "not_found"
    assert add(office, 400, scope="kitchen", **closed)["code"] == "missing"
    assert add(office, 400, scope="owner", **closed)["code"] == "invalid"

    def sees(secret: str) -> set[str]:
        return {each["id"] for each in ask(secret, "GET", "/webhook-endpoints", status=200)["items"]}

    assert sees(cleo) == {made["cleo"]}
    assert sees(hers) == {made["eve"], made["by office"]}
    assert sees(shop) == {made["shop"]}
    assert sees(grower) == {made["grower"]}
    assert sees(both) == {made["grower"], made["packing"]}
    assert sees(office) == set(made.values())
    for method, tail, asked in (
        ("GET", "", None), ("PATCH", "", {"note": "x"}), ("POST", "/rotations", {}), ("POST", "/pings", {}),
        ("POST", "/replays", {"since": NOW.isoformat()}), ("GET", "/messages", None), ("GET", "/tries", None),
    ):  # fmt: skip
        for stranger in (hers, shop, grower, both):
            ask(stranger, method, f"/webhook-endpoints/{made['cleo']}{tail}", asked, match="*", status=404)


def test_a_message_of_another_endpoint_is_not_there(farm: World) -> None:
    office = key("office")
    one, other = (
        ask(office, "POST", "/webhook-endpoints", {"address": ADDRESS, "kinds": ["order.placed"]}, status=201)["id"]
        for _ in range(2)
    )
    message = ask(office, "POST", f"/webhook-endpoints/{one}/pings", {}, status=201)["message"]
    told = ask(office, "POST", f"/webhook-endpoints/{other}/replays", {"message": message}, status=400)
    assert told["code"] == "not_found"


def test_the_answer_with_the_secret_is_kept_by_no_cache(farm: World) -> None:
    secret = key("office")
    answer = Client().post(
        "/api/v1/webhook-endpoints",
        json.dumps({"address": ADDRESS, "kinds": ["order.placed"]}),
        content_type="application/json",
        headers={"Authorization": f"Bearer {secret}", "Idempotency-Key": "mine"},
    )
    assert answer["Cache-Control"] == "no-store"
    assert answer["Location"] == f"/api/v1/webhook-endpoints/{answer.json()['id']}"


# ---- The schema -----------------------------------------------------------------------------------------------------


def described() -> dict[str, Any]:
    found: dict[str, Any] = yaml.safe_load(SCHEMA.read_text())["webhooks"]
    return {name: told["post"]["requestBody"]["content"]["application/json"] for name, told in found.items()}


def test_the_schema_describes_every_kind_with_an_example_that_fits() -> None:
    told = described()
    assert told.keys() == KINDS.keys()
    for name, kind in KINDS.items():
        assert told[name]["example"] == sample(kind)
        jsonschema.validate(told[name]["example"], told[name]["schema"])


def test_what_is_sent_is_what_the_schema_says(db: None) -> None:
    """Every event that a day over HTTP leaves behind, as the message it makes."""
    with time_machine.travel(NOW, tick=False) as clock:
        Everything(clock)
    told = described()
    seen: set[str] = set()
    for event in Event.objects.all():
        if event.kind in OF_EVENT:
            message = body(event)
            shape = told[str(message["type"])]["schema"]
            shape["properties"]["data"]["additionalProperties"] = False
            jsonschema.validate(message, shape, format_checker=jsonschema.FormatChecker())
            assert len(json.dumps(message)) < 600, "thin"
            seen.add(str(message["type"]))
    assert seen >= {
        "order.placed", "shortage.offered", "standing_order.begun", "shipment.frozen", "shipment.packed",
        "line.picked", "kits.sealed", "batch.mixed", "crop.opened", "observation.logged", "harvest.logged",
        "hold.placed", "plan.made", "product.added", PING,
    }, sorted(seen)  # fmt: skip


def test_no_message_holds_anything_of_a_person(db: None) -> None:
    with time_machine.travel(NOW, tick=False) as clock:
        Everything(clock)
    for event in Event.objects.all():
        if event.kind in OF_EVENT:
            text = json.dumps(body(event))
            for word in ("Dai", "Heron", "example.org", "Quay", "Saltby", "user:", "because"):
                assert word not in text


def test_messages_and_tries_take_as_many_statements_however_many(farm: World) -> None:
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    office = key("office")
    code = ask(office, "POST", "/webhook-endpoints", {"address": ADDRESS, "kinds": ["order.placed"]}, status=201)["id"]

    def statements(noun: str) -> int:
        with CaptureQueriesContext(connection) as seen:
            assert ask(office, "GET", f"/webhook-endpoints/{code}/{noun}", status=200)["items"]
        return len(seen)

    ask(office, "POST", f"/webhook-endpoints/{code}/pings", {}, status=201)
    one = statements("messages")
    for _ in range(5):
        ask(office, "POST", f"/webhook-endpoints/{code}/pings", {}, status=201)
    assert statements("messages") == one
    assert WebhookMessage.objects.count() == 6
