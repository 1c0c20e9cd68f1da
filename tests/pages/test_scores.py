"""How good the forecasts were, as a page: its numbers, its pictures, its words."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
import time_machine

from fulfilment.core.forecast import COMING_WEEK
from fulfilment.models import Score
from fulfilment.read.scores import scores
from fulfilment.web.scores import chart, tenths
from tests import world
from tests.builders.scores import DAYS, a_score, eight_weeks
from tests.pages.growing import signed_in, words
from tests.world import MONDAY, NOW, World

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _morning() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def here() -> World:
    return world.build()


def page(query: str = "", *, role: str = "grower", status: int = 200) -> str:
    answer = signed_in("ada", role).get(f"/coming-harvest/scores/{query}")
    assert answer.status_code == status
    return words(answer)


def test_each_lead_stands_beside_its_rivals(here: World) -> None:
    for back in range(1, 11):
        a_score(here.strain, MONDAY - timedelta(days=back), place=0.05 if back > 7 else 0.5, inside=back <= 9)
    said = page()
    # 10 days, 0.10 kg off; the rivals 0.40 and 0.30; 67 % below the better; 7 of 10 where they should; 9 of 10 inside.
    assert "7 days ahead too few days 10 0.10 0.40 0.30 67 % 70 % 90 % -5 %" in said
    assert "by tenth" in said
    assert "style=" not in signed_in("olive", "office").get("/coming-harvest/scores/").content.decode()


def test_a_flag_says_how_many_days_and_the_likely_cause(here: World) -> None:
    eight_weeks(here.strain, before=MONDAY, early=2)
    said = page()
    assert "7 days ahead, with care." in said
    assert "fell where 80 % should" in said
    assert "Probably the times: it comes about 2 days later than forecast." in said
    assert "for the week" in said


def test_the_lead_of_the_pictures_is_chosen_and_a_strange_one_is_told(here: World) -> None:
    a_score(here.strain, MONDAY - timedelta(days=1), lead_days=14)
    assert "Nothing is scored yet that was made so far ahead." in page()
    assert "Made 14 days ahead, kg" in words(signed_in("ben", "packing").get("/coming-harvest/scores/?lead=14"))
    assert "scored 1, 3, 7, 14 days ahead" in words(signed_in("olive", "office").get("/coming-harvest/scores/?lead=2"))


def test_the_table_under_the_picture_has_the_same_numbers(here: World) -> None:
    a_score(here.strain, MONDAY - timedelta(days=1), observed=1_700, inside=False)
    said = page()
    assert "Sun 3 May 0.5 0.9 1.5 1.7 no" in said
    assert "on 0 of 1 days the harvest lay inside the band, on 0 below it and on 1 above" in said


def test_the_drawing_stays_inside_its_frame_and_has_every_day(here: World) -> None:
    eight_weeks(here.strain, before=MONDAY, early=2)
    (found,) = scores(today=MONDAY, lead=7)
    drawn = chart(found.days)
    assert drawn is not None
    points = [tuple(map(float, point.split(","))) for point in drawn.band.split()]
    assert len(points) == 2 * DAYS
    assert all(drawn.left <= x <= drawn.right and drawn.top <= y <= drawn.floor for x, y in points)
    assert len(drawn.inside) + len(drawn.outside) == DAYS
    bars = tenths(found.shown)
    assert bars is not None
    assert sum(round(bar.height) > 0 for bar in bars.bars) >= 2
    assert all(0 <= bar.y <= bars.floor and 0 <= bar.x <= bars.width - bar.width for bar in bars.bars)
    assert 0 < bars.honest < bars.floor


def test_the_weeks_sum_is_shown_by_its_last_day(here: World) -> None:
    eight_weeks(here.strain, before=MONDAY)
    assert "Weeks by their last day, kg" in page(f"?lead={COMING_WEEK}")


def test_scores_of_before_rivals_were_kept_are_shown_as_far_as_they_go(here: World) -> None:
    for back in range(1, 4):
        a_score(
            here.strain, MONDAY - timedelta(days=back), mean=None, place=None, by_profile=None, by_weekday=None,
        )  # fmt: skip
    assert re.search(r"7 days ahead too few days 3 0\.10 100 % -10 %", page())


def test_an_empty_farm_is_friendly() -> None:
    assert "No forecast has been scored yet." in page()
    assert not Score.objects.exists()


def test_the_coming_harvest_leads_there(here: World) -> None:
    world.plan()
    said = signed_in("ben", "packing").get("/coming-harvest/").content.decode()
    assert '<a href="/coming-harvest/scores/">' in said
