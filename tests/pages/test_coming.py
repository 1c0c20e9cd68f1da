"""The coming harvest: what the page says is what the scenarios say."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest
import time_machine

from fulfilment.core.forecast import unpack
from fulfilment.models import Forecast, Score, Supply
from fulfilment.read import coming as reading
from fulfilment.services import farm, ordering
from fulfilment.services.ordering import Asked
from fulfilment.web.coming import chart
from tests import world
from tests.pages.growing import signed_in
from tests.world import ADA, MONDAY, NOW, World

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.django_db

FRIDAY = MONDAY + timedelta(days=4)


@pytest.fixture(autouse=True)
def _morning() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def here() -> World:
    made = world.build(kits_wanted=5)
    world.plan()
    return made


def page(*roles: str) -> str:
    answer = signed_in("ada", *(roles or ("grower",))).get("/coming-harvest/")
    assert answer.status_code == 200
    return answer.content.decode()


def test_weeks_are_summed_by_scenario_and_not_by_day(here: World) -> None:
    found = reading.coming(today=MONDAY).strains[0]
    made = Forecast.objects.latest()
    rows = [unpack(bytes(row.packed), made.scenarios, made.days) for row in Supply.objects.filter(forecast=made)]
    # Slowly, scenario by scenario: sort the sums, and take the smallest that so many percent do not exceed.
    sums = sorted(sum(int(grams) for row in rows for grams in row[s, :7]) for s in range(made.scenarios))
    for level, said in zip((10, 50, 90), found.weeks[0].band, strict=True):
        assert said == sums[-(-made.scenarios * level // 100) - 1]
    assert found.weeks[0].band[0] > sum(day.band[0] for day in found.days[:7]), "bad days do not come all at once"
    assert found.weeks[0].band[2] < sum(day.band[2] for day in found.days[:7])


def test_days_are_as_the_forecast_stored_them(here: World) -> None:
    found = reading.coming(today=MONDAY).strains[0]
    grades = {row.grade: row for row in Supply.objects.all()}
    array = np.sum([unpack(bytes(row.packed), 200, 35) for row in grades.values()], axis=0)
    for place in (0, 5, 20):
        expected = np.percentile(array[:, place], [10, 50, 90], method="inverted_cdf").tolist()
        assert list(found.days[place].band) == expected


def test_promises_stand_at_their_delivery_day_less_what_is_picked(here: World) -> None:
    ordering.place([Asked(here.product.public_id, 2_000)], kitchen=here.kitchen.public_id, on=FRIDAY, by=ADA, now=NOW)
    ordering.place([Asked(here.kit.public_id, 2)], buyer=here.buyer.public_id, on=FRIDAY, by=ADA, now=NOW)
    found = reading.coming(today=MONDAY).strains[0]
    assert {day.on: day.promised for day in found.days if day.promised} == {FRIDAY: 2_000}
    assert (found.weeks[0].ordered, found.weeks[0].promised, found.weeks[0].kits_promised) == (2_000, 2_000, 2)
    assert sum(week.kits for week in found.weeks) == 5


def test_the_page_has_chart_sums_table_and_what_is_in_store(here: World) -> None:
    here.harvest(3_000)
    said = page()
    for words in (
        "Pearl oyster", "In store: <strong>3 kg</strong>", "<desc", 'class="band"', 'class="middle"', "By the week, kg",
        "The chart as a table", "1 harvest logged since is not in it yet", "No forecast has been scored yet",
    ):  # fmt: skip
        assert words in said, words
    assert "style=" not in said


def test_the_last_forecasts_are_scored_in_a_plain_line(here: World) -> None:
    for back in range(1, 11):
        Score.objects.create(
            on=MONDAY - timedelta(days=back), strain=here.strain, grade="", lead_days=7, observed=1_000, p10=500,
            p50=900, p90=1_500, pinball={}, crps=1.0, inside=back > 2,
        )  # fmt: skip
    Score.objects.create(
        on=MONDAY - timedelta(days=11), strain=here.strain, grade="", lead_days=7, observed=0, p10=0, p50=0, p90=0,
        pinball={}, crps=0.0, inside=True,
    )  # fmt: skip
    said = page()
    assert "8 of 10 days (80 %) fell inside their band" in said
    assert "Picked 10.0 kg; the middles of those days add up to 9.0 kg, 10 % less" in said


def test_the_drawing_stays_inside_its_frame(here: World) -> None:
    drawn = chart(reading.coming(today=MONDAY).strains[0])
    points = [tuple(map(float, point.split(","))) for point in drawn.band.split()]
    assert len(points) == 70
    assert all(drawn.left <= x <= drawn.right and drawn.top <= y <= drawn.floor for x, y in points)


def test_an_empty_farm_is_friendly() -> None:
    assert "There is no forecast yet." in page()
    farm.set_up("Tide Mill Mushrooms", zone="Etc/UTC", by=ADA, now=NOW)
    farm.register_strain("Pearl oyster", growth="pearl", kit="pearl", by=ADA, now=NOW)
    world.plan()
    answer = signed_in("ben", "packing").get("/coming-harvest/").content.decode()
    assert "No batch hangs yet, so nothing is to come." in answer


def test_everybody_who_works_here_reads_it_and_nobody_else(here: World) -> None:
    assert page("packing")
    assert signed_in("eve").get("/coming-harvest/").status_code == 403


def test_it_costs_a_fixed_number_of_statements(here: World, django_assert_max_num_queries: object) -> None:
    for _ in range(10):
        ordering.place([Asked(here.product.public_id, 500)], kitchen=here.kitchen.public_id, on=FRIDAY, by=ADA, now=NOW)
    with django_assert_max_num_queries(14):  # type: ignore[operator]  # the fixture of pytest-django
        reading.coming(today=MONDAY)
