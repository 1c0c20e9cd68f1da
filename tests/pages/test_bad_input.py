"""What cannot be, tried at every door where a grower can enter it: each says the same sentence and keeps nothing."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest
import time_machine
from django.core.cache import cache
from django.test import Client

from fulfilment.core.growth import PEARL
from fulfilment.core.problems import Problem
from fulfilment.models import Harvest, Lot, Observation, Reading, Room, Strain
from fulfilment.services import farm
from tests import world
from tests.api.asking import ask, key
from tests.pages.growing import signed_in, words
from tests.world import ADA, MONDAY, NOW, World

pytestmark = pytest.mark.django_db

RISE = "must rise from lowest over best to highest and lie between -20 and 60 °C."
AT = "2026-05-04T05:00:00Z"
TEMPERATURES = pytest.mark.parametrize(
    ("celsius", "sentence"),
    [
        (-50, "-50 °C cannot be: between -10 and 50 °C. Is it Fahrenheit, or a dot missing?"),
        (200, "200 °C cannot be: between -10 and 50 °C. Is it Fahrenheit, or a dot missing?"),
    ],
)


@pytest.fixture(autouse=True)
def _monday_morning() -> Iterator[None]:
    cache.clear()
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def made() -> World:
    return world.build(bags=10)


@pytest.fixture
def ada() -> Client:
    return signed_in("ada", "grower")


@pytest.fixture
def olive() -> Client:
    return signed_in("olive", "office")


@TEMPERATURES
def test_a_reading(made: World, ada: Client, celsius: int, sentence: str) -> None:
    room = made.room.public_id
    typed = ada.post(f"/rooms/{room}/", {"celsius": str(celsius)})
    assert (typed.status_code, sentence in words(typed)) == (422, True)
    told = ask(key("grower"), "POST", "/readings", {"room": room, "celsius": celsius, "at": AT}, status=400)
    assert (told["detail"], told["errors"][0]["pointer"]) == (sentence, "/celsius")
    assert not Reading.objects.exists()


@TEMPERATURES
def test_a_rooms_set_point(made: World, olive: Client, celsius: int, sentence: str) -> None:
    room = {"name": "Annex", "kind": "fruiting"}
    typed = olive.post("/admin/fulfilment/room/add/", {**room, "set_point_c": str(celsius), "once": "a"})
    assert (typed.status_code, sentence in words(typed)) == (422, True)
    told = ask(key("office"), "POST", "/rooms", {**room, "set_point_c": celsius}, status=400)
    assert told["detail"] == sentence
    assert not Room.objects.filter(name="Annex").exists()


@TEMPERATURES
def test_a_bags_core_temperature(made: World, ada: Client, celsius: int, sentence: str) -> None:
    crop, seen_on = made.crop.public_id, MONDAY.isoformat()
    typed = ada.post(f"/crops/{crop}/log/core_temperature/", {"seen_on": seen_on, "celsius": str(celsius)})
    assert (typed.status_code, sentence in words(typed)) == (422, True)
    seen = {"kind": "core_temperature", "seen_on": seen_on, "celsius": celsius}
    assert ask(key("grower"), "POST", f"/crops/{crop}/observations", seen, status=400)["detail"] == sentence
    assert not Observation.objects.filter(kind="core_temperature").exists()


def test_an_observation_before_opening(made: World, ada: Client) -> None:
    sentence = (
        "Tuesday 21 April 2026 is before the bags were opened, Wednesday 22 April 2026: give that day or a later one."
    )
    crop, before = made.crop.public_id, "2026-04-21"
    count = Observation.objects.count()
    typed = ada.post(f"/crops/{crop}/log/seen/", {"seen_on": before, "note": "dry"})
    assert (typed.status_code, sentence in words(typed)) == (422, True)
    seen = {"kind": "seen", "seen_on": before, "note": "dry"}
    assert ask(key("grower"), "POST", f"/crops/{crop}/observations", seen, status=400)["detail"] == sentence
    assert Observation.objects.count() == count


def test_more_than_the_bags_could_ever_give_is_asked_about_at_each_door(made: World, ada: Client) -> None:
    sentence = (
        "40000 g in all from 10 bags with 9000 g of dry substrate is 444 %, which no bag can give (at most 300 %): "
        "is it grams, is it this crop, and were there no more bags? Confirm if it is right."
    )
    crop, today = made.crop.public_id, MONDAY.isoformat()
    typed = ada.post(f"/crops/{crop}/harvest/", {"harvested_on": today, "weighed_0": "40 kg", "once": "a"})
    assert (typed.status_code, sentence in words(typed)) == (422, True)
    body = {"crop": crop, "harvested_on": today, "grades": [{"grade": "a", "weighed_g": 40_000}]}
    grower = key("grower")
    told = ask(grower, "POST", "/harvests", body, status=409)
    assert (told["code"], told["detail"]) == ("needs_confirmation", sentence)
    assert not Harvest.objects.exists()
    assert not Lot.objects.exists()
    ask(grower, "POST", "/harvests", {**body, "confirmed": True}, status=201)
    assert Harvest.objects.get().weighed_g == 40_000


@pytest.mark.parametrize(
    ("fruiting", "sentence"),
    [
        ((20, 10, 30), f"The temperatures 20, 10, 30 °C {RISE}"),
        ((4, 16, 90), f"The temperatures 4, 16, 90 °C {RISE}"),
        ((18, 20, 30), "The reference of 16 °C must lie between 18 and 30 °C."),
    ],
)
def test_impossible_cardinal_temperatures(
    made: World, olive: Client, fruiting: tuple[int, int, int], sentence: str
) -> None:
    # the API takes the name of a known profile only, so that these cannot be entered there
    growth = PEARL.as_data() | {"fruiting": dict(zip(("t_min", "t_opt", "t_max"), fruiting, strict=True))}
    form = {"name": "Blue oyster", "cold_wait_days": "7", "kit_weeks": "8", "kit": "pearl", "hardy": "on"}
    for look in ({"look": "1"}, {"once": "a"}):
        typed = olive.post("/admin/fulfilment/strain/add/", {**form, "growth_data": json.dumps(growth), **look})
        assert (typed.status_code, sentence in words(typed)) == (422, True)
    with pytest.raises(Problem) as problem:
        farm.register_strain("Blue oyster", growth=growth, kit="pearl", by=ADA, now=NOW)
    assert problem.value.sentence == sentence
    assert problem.value.where.startswith("growth")
    assert not Strain.objects.filter(name="Blue oyster").exists()
