"""A day's replans follow the forecast of the night: what is drawn again, and what is learned when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from fulfilment.core.forecast import coming
from fulfilment.core.forecast.course import Courses, courses
from fulfilment.core.growth import PEARL, CropState
from fulfilment.models import Forecast, Harvest
from fulfilment.read import growing
from fulfilment.services import planning
from fulfilment.services.farm import add_room
from tests import world
from tests.world import ADA, MONDAY, NOW, World

pytestmark = pytest.mark.django_db


@pytest.fixture
def farm() -> World:
    made = world.build()
    world.plan()
    return made


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Keys of the crops whose courses are drawn, as they are."""
    found: list[str] = []

    def noted(crops: Sequence[CropState], **others: Any) -> Courses:
        found.extend(each.key for each in crops)
        return courses(crops, **others)

    monkeypatch.setattr(coming, "courses", noted)
    return found


def packed() -> dict[str, bytes]:
    return {row.grade: bytes(row.packed) for row in Forecast.objects.latest().supplies.all()}


def test_a_harvest_has_its_own_crop_drawn_again_and_no_other(farm: World, drawn: list[str]) -> None:
    dark = add_room("Second dark room", kind="incubation", set_point_c=24, by=ADA, now=NOW)
    younger = world.open_bags(farm.strain, dark, farm.room, bags=20, opened_days_ago=5)
    world.plan()
    assert set(drawn) == {f"crop:{younger.pk}"}  # what is learned stays the morning's
    drawn.clear()
    world.plan()
    assert drawn == []
    farm.harvest(4_000)
    world.plan()
    touched = f"crop:{Harvest.objects.latest('pk').crop_id}"
    assert set(drawn) == {touched}
    followed, digest = packed(), Forecast.objects.latest().digest
    # the same from nothing
    Forecast.objects.update(basis=None)
    world.plan()
    assert packed() == followed
    assert Forecast.objects.latest().digest == digest
    assert set(drawn) > {touched}


def test_what_is_logged_by_day_is_learned_in_the_night(farm: World) -> None:
    strain = farm.product.strain_id
    morning = growing.learned(MONDAY)[strain].digest()
    farm.harvest(4_000)
    world.plan()
    assert growing.learned(MONDAY)[strain].digest() == morning
    planning.publish(today=MONDAY, now=NOW, learns=True)
    assert growing.learned(MONDAY)[strain].digest() != morning
    assert growing.learned(MONDAY + timedelta(days=1)) == {}


def test_a_strain_whose_profile_was_changed_is_learned_at_once(farm: World, drawn: list[str]) -> None:
    strain = farm.product.strain
    strain.growth = replace(PEARL, efficiency_pct=30).as_data()
    strain.save()
    before = sum(Forecast.objects.latest().supplies.get(grade="a").mean)
    world.plan()
    assert sum(Forecast.objects.latest().supplies.get(grade="a").mean) < 0.7 * before
    assert drawn
