"""Cleo's program reads in her order what has become doubtful; the plan says what a bag is worth."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import pytest
import time_machine
from django.core.cache import cache

from fulfilment.models import Batch, Doubt, Line, Order
from fulfilment.services import customers, doubts, ordering
from fulfilment.services.ordering import Asked
from tests import world
from tests.api.asking import ask, key
from tests.world import ADA, MONDAY, NOW, World

pytestmark = pytest.mark.django_db


@pytest.fixture
def farm() -> Iterator[World]:
    cache.clear()
    with time_machine.travel(NOW, tick=False):
        yield world.build(kits_wanted=5)


def sure_order(farm: World) -> Order:
    """Two kilos for Thursday, promised out of what lies in store."""
    farm.harvest(2_000)
    world.plan()
    return ordering.place(
        [Asked(farm.product.public_id, 2_000)], kitchen=farm.kitchen.public_id, on=MONDAY + timedelta(days=3), by=ADA,
        now=NOW,
    )  # fmt: skip


def test_a_line_says_that_it_is_doubtful_and_what_can_be_counted_on(farm: World) -> None:
    order = sure_order(farm)
    cleo = key("kitchen", kitchen=farm.kitchen)
    (line,) = ask(cleo, "GET", f"/orders/{order.public_id}", status=200)["lines"]
    assert line["doubt"] is None
    Line.objects.update(chance_pct=80)
    doubts.follow_plan(now=NOW)
    (line,) = ask(cleo, "GET", f"/orders/{order.public_id}", status=200)["lines"]
    assert line["doubt"].keys() == {"id", "told_at", "chance", "words", "sure"}
    assert (line["doubt"]["told_at"], line["doubt"]["chance"], line["doubt"]["words"]) == (
        "2026-05-04T06:00:00Z", 80, "likely",
    )  # fmt: skip
    told = {event["kind"]: event["data"] for event in ask(cleo, "GET", "/events", status=200)["items"]}
    assert told["doubt_told"]["doubt"] == line["doubt"]["id"]
    eve = customers.add_kitchen(
        "Eve's", email="eve@example.org", address={"street": "9 Row", "town": "Saltby"}, by=ADA, now=NOW
    )
    hers = key("kitchen", kitchen=eve)
    ask(hers, "GET", f"/orders/{order.public_id}", status=404)
    assert "doubt_told" not in {event["kind"] for event in ask(hers, "GET", "/events", status=200)["items"]}
    Line.objects.update(chance_pct=95)
    doubts.follow_plan(now=NOW)
    assert ask(cleo, "GET", f"/orders/{order.public_id}", status=200)["lines"][0]["doubt"] is None


def test_a_doubt_is_listed_with_its_choices_and_answered_once(farm: World) -> None:
    order = sure_order(farm)
    cleo = key("kitchen", kitchen=farm.kitchen)
    assert ask(cleo, "GET", "/doubts", status=200)["items"] == []
    Line.objects.update(chance_pct=80)
    doubts.follow_plan(now=NOW)
    (told,) = ask(cleo, "GET", "/doubts", status=200)["items"]
    assert (told["line"], told["unit"], told["promised"], told["chance"], told["words"]) == (
        f"{order.public_id}/1", "g", 2_000, 80, "likely",
    )  # fmt: skip
    says = {choice["choice"]: choice["says"] for choice in told["choices"]}
    assert {"keep", "take_less", "drop"} <= says.keys()
    assert says["drop"] == "Nothing of Pearl oyster, 500 g is ordered for Thursday 7 May 2026 any more."
    address = f"/doubts/{told['id']}/answer"
    for body, pointer in (
        ({}, "/choice"), ({"choice": "shrug"}, "/choice"), ({"choice": 1}, "/choice"),
        ({"choice": "drop", "on": "yesterday"}, "/on"), ({"choice": "drop", "amount": -1}, "/amount"),
        ({"choice": "drop", "amount": "1e3"}, "/amount"), ({"choice": "drop", "amount": 2**63}, "/amount"),
        ({"choice": "drop", "product": ["x"]}, "/product"), ({"choice": "drop", "because": "no"}, "/because"),
    ):  # fmt: skip
        assert ask(cleo, "POST", address, body, status=400)["errors"][0]["pointer"] == pointer
    other = ask(cleo, "POST", address, {"choice": "drop", "amount": 500}, status=409)
    assert (other["code"], other["data"]["amount"], other["errors"][0]["pointer"]) == ("other_amount", 0, "/amount")
    first = ask(cleo, "POST", address, {"choice": "drop", "amount": 0}, once="off", status=200)
    assert (first["answer"], first["order"]) == ("drop", None)
    assert ask(cleo, "POST", address, {"choice": "drop", "amount": 0}, once="off", status=200) == first
    assert ask(cleo, "POST", address, {"choice": "drop"}, status=200) == first, "said again, it is no news"
    told = ask(cleo, "POST", address, {"choice": "keep"}, status=409)
    assert (told["code"], told["errors"][0]["pointer"]) == ("already_answered", "/choice")
    assert ask(cleo, "GET", f"/orders/{order.public_id}", status=200)["state"] == "cancelled"
    assert ask(cleo, "GET", "/doubts", status=200)["items"] == []


def test_only_its_kitchen_and_the_office_answer_a_doubt(farm: World) -> None:
    farm.harvest(2_000)
    world.plan()
    ordering.place(
        [Asked(farm.product.public_id, 2_000)], kitchen=farm.kitchen.public_id, on=MONDAY + timedelta(days=3), by=ADA,
        now=NOW,
    )  # fmt: skip
    Line.objects.update(chance_pct=80)
    doubts.follow_plan(now=NOW)
    address = f"/doubts/{Doubt.objects.get().public_id}/answer"
    eve = customers.add_kitchen(
        "Eve's", email="eve@example.org", address={"street": "9 Row", "town": "Saltby"}, by=ADA, now=NOW
    )
    hers = key("kitchen", kitchen=eve)
    assert ask(hers, "GET", "/doubts", status=200)["items"] == []
    ask(hers, "POST", address, {"choice": "drop"}, status=404)
    for scope in ("packing", "grower", "shop"):
        ask(key(scope), "GET", "/doubts", status=403)
        ask(key(scope), "POST", address, {"choice": "drop"}, status=403)
    assert Doubt.objects.get().answer == ""
    assert len(ask(key("office"), "GET", "/doubts", status=200)["items"]) == 1
    ask(key("office"), "POST", address, {"choice": "keep"}, status=200)
    assert Doubt.objects.get().answer == "keep"


def test_a_line_doubted_twice_is_one_line_of_its_order(farm: World) -> None:
    order = sure_order(farm)
    told_ids = []
    for choice in ("take_less", ""):
        Line.objects.update(chance_pct=80)
        doubts.follow_plan(now=NOW)
        (line,) = ask(key("office"), "GET", f"/orders/{order.public_id}", status=200)["lines"]
        told_ids.append(line["doubt"]["id"])
        if choice:
            doubts.answer(line["doubt"]["id"], choice=choice, by=ADA, now=NOW)
            (line,) = ask(key("office"), "GET", f"/orders/{order.public_id}", status=200)["lines"]
            assert line["doubt"] is None, "answered, it is closed"
    assert len(set(told_ids)) == 2


def test_the_plan_says_what_becomes_of_the_bags_and_which_kit_is_too_cheap(farm: World) -> None:
    world.plan()
    office = key("office")
    batch = Batch.objects.get()
    (bags,) = ask(office, "GET", "/plans/latest", status=200)["bags"]
    assert bags == {
        "batch": batch.public_id, "seal": 5, "open": 0, "opens_on": None, "fresh_g": batch.fresh_g, "fresh_sold_g": 0,
        "fresh_value": {"amount": "0.00", "currency": "EUR"},
    }  # fmt: skip
    assert ask(office, "GET", "/plans/latest", status=200)["kits_under_value"] == []
    Batch.objects.update(fresh_minor=2_140)
    assert ask(office, "GET", "/plans/latest", status=200)["kits_under_value"] == [
        {
            "product": farm.kit.public_id, "price": {"amount": "19.00", "currency": "EUR"}, "batch": batch.public_id,
            "fresh_value": {"amount": "21.40", "currency": "EUR"},
        }
    ]  # fmt: skip
    ask(key("kitchen", kitchen=farm.kitchen), "GET", "/plans/latest", status=403)
