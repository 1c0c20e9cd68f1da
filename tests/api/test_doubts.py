"""Cleo's program reads in her order what has become doubtful; the plan says what a bag is worth."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import pytest
import time_machine
from django.core.cache import cache

from fulfilment.models import Batch, Line
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


def test_a_line_says_that_it_is_doubtful_and_what_can_be_counted_on(farm: World) -> None:
    farm.harvest(2_000)
    world.plan()
    order = ordering.place(
        [Asked(farm.product.public_id, 2_000)], kitchen=farm.kitchen.public_id, on=MONDAY + timedelta(days=3), by=ADA,
        now=NOW,
    )  # fmt: skip
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
