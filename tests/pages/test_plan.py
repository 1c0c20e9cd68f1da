"""The plan as staff read it: kit or fresh, who goes short, what moved, and a plan that was not taken."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
import time_machine

from fulfilment.models import Batch, Plan, Product
from fulfilment.read.today import morning
from fulfilment.services import ordering, planning
from fulfilment.services.ordering import Asked
from fulfilment.services.planning import allotting
from tests import world
from tests.pages.growing import signed_in, words
from tests.people import ADA
from tests.world import MONDAY, NOW, World

if TYPE_CHECKING:
    from collections.abc import Iterator

    from django.test import Client

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _monday_morning() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def ben() -> Client:
    return signed_in("ben", "packing")


def wanted_everywhere(farm: World) -> None:
    """More is ordered on every day of the coming weeks than ever comes."""
    for offset in range(1, 33):
        on = MONDAY + timedelta(days=offset)
        if on.weekday() < 5:
            ordering.place(
                [Asked(farm.product.public_id, 90_000)], kitchen=farm.kitchen.public_id, on=on, by=ADA, now=NOW
            )


def test_before_the_first_night_it_says_so(ben: Client) -> None:
    world.build()
    said = words(ben.get("/plan/"))
    assert "There is no plan yet." in said
    assert "No plan was made in the last fourteen days." in said


def test_a_bag_is_worth_nothing_where_nobody_orders_and_its_grams_where_all_do(ben: Client) -> None:
    farm = world.build(kits_wanted=10)
    world.plan()
    batch = Batch.objects.get()
    assert batch.fresh_g is not None
    assert (batch.fresh_minor, batch.fresh_sold_g) == (0, 0)
    assert batch.fresh_g >= 250
    assert "sells for" not in words(ben.get("/plan/"))
    wanted_everywhere(farm)
    world.plan()
    batch = Batch.objects.get()
    assert batch.fresh_minor is not None
    assert batch.fresh_g is not None
    assert batch.fresh_sold_g is not None
    # All its grams of grade a are wanted, at 14.00 a kilo; nobody orders grade b.
    assert 0.5 * batch.fresh_g < batch.fresh_sold_g < batch.fresh_g
    assert abs(batch.fresh_minor - 1.4 * batch.fresh_sold_g) <= 2


def test_a_kit_that_sells_for_less_than_its_bag_brings_is_said_to_staff(ben: Client) -> None:
    farm = world.build(kits_wanted=10)
    wanted_everywhere(farm)
    world.plan()
    fresh = Batch.objects.get().fresh_minor
    assert fresh is not None
    Product.objects.filter(pk=farm.kit.pk).update(price_minor=fresh)
    assert not [risk for risk in morning(today=MONDAY, now=NOW).risks if risk.page == "plan"]
    Product.objects.filter(pk=farm.kit.pk).update(price_minor=fresh - 1)
    (risk,) = [risk for risk in morning(today=MONDAY, now=NOW).risks if risk.page == "plan"]
    value = f"{fresh // 100}.{fresh % 100:02d} EUR"
    assert risk.sentence.endswith(f"its bag would bring {value} as fresh mushrooms.")
    said = words(ben.get("/plan/"))
    assert f"brings {value} as fresh mushrooms" in said
    batch = words(signed_in("ada", "grower").get(f"/batches/{Batch.objects.get().public_id}/"))
    assert f"worth {value}" in batch
    assert "10 to seal, 0 to open" in batch


def test_the_plan_keeps_what_becomes_of_each_batch() -> None:
    world.build(kits_wanted=10)
    world.plan()
    batch = Batch.objects.get()
    assert Plan.objects.latest("pk").bags == [
        {
            "batch": batch.public_id, "seal": 10, "open": 0, "opens_on": None, "fresh_minor": 0,
            "fresh_g": batch.fresh_g, "fresh_sold_g": 0,
        }
    ]  # fmt: skip


def test_what_the_plans_moved_is_listed_by_day(ben: Client) -> None:
    farm = world.build()
    ordering.place(
        [Asked(farm.product.public_id, 2_000)], kitchen=farm.kitchen.public_id, on=MONDAY + timedelta(days=3), by=ADA,
        now=NOW,
    )  # fmt: skip
    world.plan()
    Plan.objects.update(
        figures={"lines": 1, "resourced": 1_000, "changed": 500, "resourced_weighted": 640, "changed_weighted": 320}
    )
    world.plan()
    said = words(ben.get("/plan/"))
    assert "Mon 4 May 2 1 kg 500 g 640 g 320 g" in said
    assert "Nobody in the coming seven days." in said


def test_a_plan_that_was_not_taken_is_said_until_one_is(ben: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    world.build()
    world.plan()
    with monkeypatch.context() as planted:
        planted.setattr(allotting, "audit", lambda *_, **__: ["lot:1 gives more than it holds"])
        assert planning.replan(now=NOW + timedelta(hours=1)) is None
    assert "Since Mon 4 May, 07:00 every new plan has broken rules of its own" in words(ben.get("/plan/"))
    (risk,) = [risk for risk in morning(today=MONDAY, now=NOW).risks if risk.page == "plan"]
    assert risk.bad
    assert "an older plan stands" in risk.sentence
    assert planning.replan(now=NOW + timedelta(hours=2)) is not None
    assert not [risk for risk in morning(today=MONDAY, now=NOW).risks if risk.page == "plan"]
    assert "rules of its own" not in words(ben.get("/plan/"))
