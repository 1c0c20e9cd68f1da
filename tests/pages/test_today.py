"""Today: what the morning says, from rows that the services wrote."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from fulfilment.core.growth import Stage
from fulfilment.models import Crop, Room
from fulfilment.read.today import Group, morning
from fulfilment.services import growing, holds, nights
from fulfilment.services.ordering import Asked, place
from tests import world
from tests.people import ADA
from tests.world import MONDAY, NOW

if TYPE_CHECKING:
    from pytest_django import DjangoAssertNumQueries

pytestmark = pytest.mark.django_db


def groups(**_: object) -> dict[str, Group]:
    return {group.key: group for group in morning(today=MONDAY, now=NOW).groups}


def test_a_crop_that_is_picked_stands_under_pick_with_what_is_still_to_come() -> None:
    made = world.build()
    world.plan()
    (task,) = groups()["pick"].tasks
    assert (task.page, task.code, task.place) == ("crop", made.crop.public_id, "Fruiting room")
    assert "still to come in this flush" in task.detail


def test_a_rested_crop_is_watered_and_a_held_one_is_marked() -> None:
    made = world.build()
    Crop.objects.filter(pk=made.crop.pk).update(stage=Stage.RESTING, stage_since=MONDAY - timedelta(days=12), flush=1)
    holds.hold("batch", made.crop.batch.public_id, reason="a sour smell", by=ADA, now=NOW)
    world.plan()
    held = morning(today=MONDAY, now=NOW)
    assert "A batch is on hold: a sour smell" in [risk.sentence for risk in held.risks]
    # What is held is not forecast, so nothing says when to water it.
    assert groups()["water"].tasks == ()


def test_a_line_that_comes_short_is_a_risk_with_its_kitchen_and_its_reason() -> None:
    made = world.build(bags=2)
    order = place(
        [Asked(made.product.public_id, 20_000)], kitchen=made.kitchen.public_id, on=MONDAY + timedelta(days=2), by=ADA,
        now=NOW,
    )  # fmt: skip
    nights.run(MONDAY.isoformat(), now=NOW, scenarios=world.SCENARIOS)
    (risk,) = [risk for risk in morning(today=MONDAY, now=NOW).risks if risk.page == "order"]
    assert (risk.touches, risk.code) == ("The Heron", order.public_id)
    assert "of 20 kg" in risk.sentence


def test_yesterday_is_told_in_sentences() -> None:
    made = world.build()
    made.harvest(4000)
    changes = morning(today=MONDAY, now=NOW).changes
    assert "1 harvest logged, 4 kg." in changes
    assert "1 batch mixed, 40 bags." in changes


def test_the_number_of_statements_does_not_hang_on_the_farm(
    django_assert_max_num_queries: DjangoAssertNumQueries,
) -> None:
    made = world.build()
    for day in range(3):
        growing.log_observation(
            kind="seen", seen_on=MONDAY, crop=made.crop.public_id, note=str(day), by=ADA, now=NOW, today=MONDAY
        )
        world.open_bags(made.strain, Room.objects.get(kind="incubation"), made.room, bags=5, opened_days_ago=day)
    world.plan()
    with django_assert_max_num_queries(48):
        morning(today=MONDAY, now=NOW)
