"""What a hand-held and a scale send: lists kept while there was no line, weights with their crates; and the plan."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import time_machine

from fulfilment.models import Event, Harvest, Line, Lot, Reading
from tests import world
from tests.api.asking import ask, key
from tests.api.everything import TUESDAY, Everything
from tests.world import MONDAY, NOW, World

pytestmark = pytest.mark.django_db


@pytest.fixture
def clock() -> Iterator[time_machine.Traveller]:
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture
def farm(clock: time_machine.Traveller) -> World:
    return world.build()


def harvest(farm: World, grams: object = 300, **more: object) -> dict[str, Any]:
    grades = [{"grade": "a", "weighed_g": grams, "trimmed_g": grams}]
    return {"crop": farm.crop.public_id, "harvested_on": MONDAY.isoformat(), "grades": grades} | more


def test_a_hundred_harvests_at_once_are_a_hundred_lots_in_their_order(farm: World) -> None:
    items = [harvest(farm, 300 + number) for number in range(100)]
    told = ask(key("grower"), "POST", "/harvest-lists", {"items": items}, status=201)["items"]
    assert [each["lots"][0]["quantity_g"] for each in told] == [300 + number for number in range(100)]
    assert Harvest.objects.count() == Lot.objects.count() == 100


def test_one_wrong_harvest_of_many_and_none_is_logged_and_each_wrong_one_is_told(farm: World) -> None:
    items = [harvest(farm) for _ in range(20)]
    items[3] = harvest(farm, crop="K7Q2-M4XJ")
    items[17] = harvest(farm, 10**8)
    told = ask(key("grower"), "POST", "/harvest-lists", {"items": items}, once="list", status=400)
    assert [each["pointer"] for each in told["errors"]] == ["/items/3/crop", "/items/17/grades"]
    assert [each["code"] for each in told["errors"]] == ["not_found", "impossible_weight"]
    assert told["detail"].startswith("2 of 20 items cannot be done, so none was.")
    assert (Harvest.objects.count(), Event.objects.filter(kind="harvest_logged").count()) == (0, 0)


def test_what_no_harvest_can_be_is_told_by_its_place_before_anything_is_tried(farm: World) -> None:
    items = [harvest(farm), harvest(farm, "300"), harvest(farm, colour="red")]
    told = ask(key("grower"), "POST", "/harvest-lists", {"items": items}, status=400)
    assert {(each["pointer"], each["code"]) for each in told["errors"]} == {
        ("/items/1/grades/0/weighed_g", "not_whole"), ("/items/1/grades/0/trimmed_g", "not_whole"),
        ("/items/2/colour", "unknown_field"),
    }  # fmt: skip


def test_an_unlikely_harvest_among_many_is_asked_about_once(farm: World) -> None:
    items = [harvest(farm), harvest(farm, 60_000)]
    told = ask(key("grower"), "POST", "/harvest-lists", {"items": items}, status=409)
    assert told["code"] == "needs_confirmation"
    assert [each["pointer"] for each in told["errors"]] == ["/items/1/grades"]
    items[1] = harvest(farm, 60_000, confirmed=True)
    ask(key("grower"), "POST", "/harvest-lists", {"items": items}, status=201)


@pytest.mark.parametrize("items", [[], "harvest", None, [1], [{}] * 101])
def test_a_list_that_is_none_is_refused(farm: World, items: object) -> None:
    ask(key("grower"), "POST", "/harvest-lists", {"items": items}, status=400)
    ask(key("grower"), "POST", "/reading-lists", {"items": items}, status=400)


def test_readings_of_a_logger_come_together_or_not_at_all(farm: World) -> None:
    room, secret = farm.room.public_id, key("grower")
    items = [{"room": room, "celsius": 17 + n / 10, "at": f"2026-05-04T0{n}:00:00Z"} for n in range(6)]
    wrong = [*items, {"room": room, "celsius": 1e308, "at": "2026-05-04T05:00:00Z"}]
    told = ask(secret, "POST", "/reading-lists", {"items": wrong}, status=400)
    assert [each["pointer"] for each in told["errors"]] == ["/items/6/celsius"]
    assert Reading.objects.count() == 0
    told = ask(secret, "POST", "/reading-lists", {"items": items}, status=201)
    assert [each["celsius"] for each in told["items"]] == [17.0, 17.1, 17.2, 17.3, 17.4, 17.5]


@pytest.mark.parametrize(
    ("weight", "code", "where"),
    [
        ({"gross_g": 1_400, "tare_g": 1_400}, "tare_above_gross", "/tare_g"),
        ({"gross_g": 1_400, "tare_g": 420, "amount_g": 990}, "net_differs", "/amount_g"),
        ({"gross_g": 1_400}, "missing", "/tare_g"),
        ({"tare_g": 420}, "missing", "/gross_g"),
        ({"gross_g": 1_400, "tare_g": -1}, "invalid", "/tare_g"),
        ({"gross_g": 1_400, "tare_g": 420, "units": 3}, "one_of_two", "/amount_g"),
        ({}, "missing", "/amount_g"),
    ],
)
def test_weights_that_do_not_go_together_are_refused(
    clock: time_machine.Traveller, weight: dict[str, int], code: str, where: str
) -> None:
    all_ = Everything(clock)
    picked = Line.objects.get(order__public_id=all_.ids["orders"]).picked
    told = all_.post("/picks", {"line": all_.line, "lot": all_.ids["lots"], "confirmed": True} | weight, 400)
    assert (told["code"], [each["pointer"] for each in told["errors"]]) == (code, [where])
    assert Line.objects.get(order__public_id=all_.ids["orders"]).picked == picked


def test_a_scale_sends_what_it_shows_and_the_empty_crate(clock: time_machine.Traveller) -> None:
    all_ = Everything(clock)
    body = {"line": all_.line, "lot": all_.ids["lots"], "gross_g": 1_430, "tare_g": 420, "confirmed": True}
    assert all_.post("/picks", body)["amount"] == 1_010
    agreed = body | {"gross_g": 620, "tare_g": 0, "amount_g": 620}
    assert all_.post("/picks", agreed)["amount"] == 620


def test_the_plan_says_what_each_line_gets_from_where_and_why(clock: time_machine.Traveller) -> None:
    all_ = Everything(clock)
    lines = {each["line"]: each for each in all_.get(f"/plans/latest/lines?on={TUESDAY}")["items"]}
    assert lines
    for line in Line.objects.filter(shipment__on=TUESDAY, shipment__state__in=["placed", "packed"]):
        told = lines[str(line)]
        assert told["allocated"] == line.allocated
        assert all((source["lot"] is None) != (source["coming_on"] is None) for source in told["sources"])
        assert told["account"] == line.account
        assert told["why"] == "", "each got all it ordered when it was planned"
    assert all_.get(f"/plans/latest/lines?on={MONDAY}")["items"] == []
