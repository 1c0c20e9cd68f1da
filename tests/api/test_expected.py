"""What crops and batches answer of what is expected of them: days, grams, why, and what waiting costs."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
import time_machine
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fulfilment.models import Crop, Forecast, Room
from fulfilment.read.rooms import expected
from fulfilment.services import growing
from tests import world
from tests.api.asking import ask, key
from tests.world import ADA, MONDAY, NOW, World

if TYPE_CHECKING:
    from pytest_django import DjangoAssertNumQueries

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _monday_morning() -> Iterator[None]:
    cache.clear()
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def farm() -> World:
    return world.build(opened_days_ago=10)


def test_a_growing_crop_answers_with_days_grams_its_reason_and_what_waiting_costs(farm: World) -> None:
    world.plan()
    grower = key("grower")
    told = ask(grower, "GET", f"/crops/{farm.crop.public_id}", status=200)["expected"]
    assert told["next_stage"] == "picking"
    assert told["days"]["early_on"] <= told["days"]["middle_on"] <= told["days"]["late_on"]
    assert 0 < told["flush_g"]["low_g"] < told["flush_g"]["middle_g"] < told["flush_g"]["high_g"]
    reason = told["reason"]
    assert (reason["code"], reason["data"]["since"]) == ("pins_seen", (MONDAY - timedelta(days=3)).isoformat())
    low, high = reason["data"]["takes_days"]
    # it alone has shown pins, and its growing is not over
    assert reason["sentence"] == (
        f"Pins seen 3 days ago; no crop of this strain has come so far yet: by the handbook {low}–{high} days from "
        "there at 17 °C."
    )
    waiting = told["waiting"]
    assert [each["on"] for each in waiting["waits"]] == [
        (MONDAY + timedelta(days=day)).isoformat() for day in range(len(waiting["waits"]))
    ]
    assert waiting["full_on"] == (MONDAY + timedelta(days=len(waiting["waits"]))).isoformat()
    assert "spores fall" in waiting["sentence"]


def test_the_sentences_are_those_of_the_pages(farm: World) -> None:
    world.plan()
    (listed,) = ask(key("grower"), "GET", "/crops", status=200)["items"]
    crop = Crop.objects.select_related("batch__strain", "room").get(pk=farm.crop.pk)
    page = expected.of_crop(crop, expected.newest(), taken_g=0, held=False, today=MONDAY)
    assert (listed["expected"]["reason"]["sentence"], listed["expected"]["waiting"]["sentence"]) == (
        page.why, page.waiting,
    )  # fmt: skip


def test_before_a_forecast_speaks_of_it_only_what_was_logged_is_told(farm: World) -> None:
    told = ask(key("grower"), "GET", f"/crops/{farm.crop.public_id}", status=200)["expected"]
    assert (told["next_stage"], told["days"], told["flush_g"], told["waiting"]) == (None, None, None, None)
    assert told["reason"] == {
        "code": "pins_seen", "data": {"since": (MONDAY - timedelta(days=3)).isoformat(), "flush": 1},
        "sentence": "Pins seen 3 days ago. The next forecast says when.",
    }  # fmt: skip


def test_a_list_costs_the_same_statements_however_many_hang_there(
    farm: World, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    world.plan()
    grower = key("grower")
    for address, more in (("/crops", (3, 5)), ("/batches", (2, 4))):
        ask(grower, "GET", address, status=200)
        with CaptureQueriesContext(connection) as one:
            ask(grower, "GET", address, status=200)
        for days_ago in more:
            dark = Room.objects.get(kind="incubation")
            world.open_bags(farm.strain, dark, farm.room, bags=5, opened_days_ago=days_ago, kits_wanted=days_ago)
        world.plan()
        with django_assert_num_queries(len(one)):
            ask(grower, "GET", address, status=200)


def test_what_is_finished_or_used_up_expects_nothing(farm: World) -> None:
    world.plan()
    grower = key("grower")
    batch = ask(grower, "GET", f"/batches/{farm.crop.batch.public_id}", status=200)
    assert (batch["bags_left"], batch["expected"]) == (0, None)
    growing.log_observation(crop=farm.crop.public_id, kind="finished", seen_on=MONDAY, by=ADA, now=NOW, today=MONDAY)
    assert ask(grower, "GET", f"/crops/{farm.crop.public_id}", status=200)["expected"] is None


def test_a_batch_answers_for_the_bags_it_has_left() -> None:
    farm = world.build(kits_wanted=4)
    dark = Room.objects.get(kind="incubation")
    world.open_bags(farm.strain, dark, farm.room, bags=4, opened_days_ago=1, kits_wanted=6)
    world.plan()
    told = [each["expected"] for each in ask(key("grower"), "GET", "/batches", status=200)["items"]]
    assert [each["reason"]["code"] for each in told if each] == ["grown_through"] * 2
    assert all(each["reason"]["sentence"].startswith("Run full since ") for each in told if each)


def test_a_forecast_kept_from_before_is_read(farm: World) -> None:
    world.plan()
    newest = Forecast.objects.latest()
    for outlook in newest.outlooks.values():
        del outlook["reason"], outlook["delay"]
    newest.save(update_fields=["outlooks"])
    told = ask(key("grower"), "GET", f"/crops/{farm.crop.public_id}", status=200)["expected"]
    assert told["days"] is not None
    assert (told["reason"]["sentence"], told["waiting"]) == ("Pins seen 3 days ago.", None)
