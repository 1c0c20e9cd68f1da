"""``/scores``: filters, the summary over what was asked for, and whom it is told."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import pytest
import time_machine

from fulfilment.core.forecast import LEADS
from tests import world
from tests.api.asking import ask, key
from tests.builders.scores import a_score, eight_weeks
from tests.world import MONDAY, NOW, World

pytestmark = pytest.mark.django_db
YESTERDAY = MONDAY - timedelta(days=1)


@pytest.fixture(autouse=True)
def _morning() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def here() -> World:
    return world.build()


def test_a_day_is_told_with_its_rivals_and_summed_up(here: World) -> None:
    a_score(here.strain, YESTERDAY)
    told = ask(key("grower"), "GET", "/scores", status=200)
    assert (told["from_on"], told["to_on"]) == ((MONDAY - timedelta(weeks=8)).isoformat(), MONDAY.isoformat())
    (row,) = told["items"]
    assert row == {
        "on": "2026-05-03", "strain": here.strain.public_id, "grade": None, "lead_days": 7, "picked_g": 1_000,
        "p10_g": 500, "p50_g": 900, "p90_g": 1_500, "mean_g": 950.0, "pinball_10_g": 50.0, "pinball_50_g": 50.0,
        "pinball_90_g": 50.0, "crps_g": 100.0, "inside": True, "place": 0.5, "by_profile_g": 1_400.0,
        "by_weekday_g": 700.0,
    }  # fmt: skip
    (summary,) = told["summary"]
    assert summary["by_profile"] == {"miss_g": 400.0, "below_pct": 75}
    assert summary["by_weekday"] == {"miss_g": 300.0, "below_pct": 67}
    assert (summary["telling_days"], summary["calibrated_pct"], summary["bias_pct"], summary["flag"]) == (
        1,
        100,
        -5,
        None,
    )


def test_strain_grade_lead_and_days_can_be_asked_for(here: World) -> None:
    secret = key("office")
    a_score(here.strain, YESTERDAY)
    a_score(here.strain, YESTERDAY, lead_days=0)
    a_score(here.strain, YESTERDAY, grade="a", p50=7)
    a_score(here.strain, MONDAY - timedelta(days=30), lead_days=1)

    def leads(query: str) -> list[int]:
        return [row["lead_days"] for row in ask(secret, "GET", f"/scores{query}", status=200)["items"]]

    assert sorted(leads("")) == [0, 1, 7]
    assert leads("?lead_days=0") == [0]
    assert leads(f"?from={YESTERDAY}&lead_days=1") == []
    assert leads(f"?to={MONDAY - timedelta(days=20)}") == [1]
    assert sorted(leads(f"?strain={here.strain.public_id}")) == [0, 1, 7]
    (row,) = ask(secret, "GET", "/scores?grade=a", status=200)["items"]
    assert (row["grade"], row["p50_g"]) == ("a", 7)


def test_the_summary_is_over_all_that_was_asked_for_on_every_page_of_the_days(here: World) -> None:
    secret = key("office")
    eight_weeks(here.strain, before=MONDAY, early=2)
    first = ask(secret, "GET", "/scores?lead_days=7&page_size=50", status=200)
    assert (len(first["items"]), first["summary"][0]["days"]) == (50, 56)
    assert first["summary"][0]["flag"]["cause"] == "times_early"
    assert first["summary"][0]["flag"]["says"].endswith("2 days later than forecast.")
    rest = ask(secret, "GET", "/scores?" + first["next"].partition("?")[2], status=200)
    assert (len(rest["items"]), rest["next"], rest["summary"]) == (6, None, first["summary"])
    whole = ask(secret, "GET", "/scores", status=200)["summary"]
    assert [each["lead_days"] for each in whole] == [0, *LEADS]


@pytest.mark.parametrize(
    ("query", "where", "code"),
    [
        ("lead_days=2", "lead_days", "no_such_lead"),
        ("lead_days=seven", "lead_days", "no_such_lead"),
        ("strain=K7Q2-M4XJ", "strain", "not_found"),
        ("strain=pearl", "strain", "not_found"),
        ("from=yesterday", "from", "not_a_day"),
        ("to=2026-02-30", "to", "not_a_day"),
        ("from=2026-05-02&to=2026-05-01", "from", "not_a_span"),
        ("from=2025-01-01&to=2026-05-01", "from", "span_too_long"),
        ("lead=7", "lead", "unknown_parameter"),
    ],
)
def test_what_cannot_be_asked_is_told_with_its_place(here: World, query: str, where: str, code: str) -> None:
    told = ask(key("grower"), "GET", f"/scores?{query}", status=400)
    assert [(each["pointer"], each["code"]) for each in told["errors"]] == [(f"/{where}", code)]


@pytest.mark.parametrize("scope", ["packing", "shop"])
def test_others_are_not_told(here: World, scope: str) -> None:
    ask(key(scope), "GET", "/scores", status=403)


def test_before_anything_is_scored_it_is_empty(here: World) -> None:
    told = ask(key("grower"), "GET", "/scores", status=200)
    assert (told["summary"], told["items"], told["next"]) == ([], [], None)
