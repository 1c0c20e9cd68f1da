"""How good the forecasts were: what is summed up, over which days, and who is flagged."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from fulfilment.core.forecast import COMING_WEEK, LEADS, Cause
from fulfilment.models import Strain
from fulfilment.read.scores import flagged, scores, summaries
from fulfilment.read.today import morning
from tests import world
from tests.builders.kitchens import a_farm, a_strain
from tests.builders.scores import a_score, eight_weeks
from tests.world import MONDAY, NOW

if TYPE_CHECKING:
    from pytest_django import DjangoAssertNumQueries

pytestmark = pytest.mark.django_db


@pytest.fixture
def strain() -> Strain:
    a_farm()
    return a_strain()


def test_means_are_over_all_days_and_a_rivals_over_those_it_is_known_on(strain: Strain) -> None:
    rows = [
        a_score(strain, MONDAY - timedelta(days=1), crps=100.0, by_profile=1_400.0, by_weekday=None),
        a_score(
            strain, MONDAY - timedelta(days=2), crps=300.0, by_profile=None, by_weekday=None, mean=None, place=None
        ),
        a_score(strain, MONDAY - timedelta(days=3), crps=50.0, by_profile=800.0, by_weekday=None, observed=0),
    ]
    (told,) = summaries(rows)
    assert (told.lead, told.days, told.crps) == (7, 3, 150)
    assert told.by_weekday is None
    assert told.by_profile is not None
    assert told.by_profile.miss == (400 + 800) / 2
    assert told.by_profile.below_pct == round(100 * (1 - 75 / 600)), "75 g is ours on the same two days"
    assert (told.telling, told.inside, told.picked) == (2, 2, 2_000)
    assert told.pinball == {10: 50, 50: 50, 90: 50}


def test_the_better_rival_is_the_one_that_missed_less(strain: Strain) -> None:
    (told,) = summaries([a_score(strain, MONDAY, by_profile=1_400.0, by_weekday=1_300.0)])
    assert told.better_rival is told.by_weekday
    assert (told.bias, told.bias_pct, told.coverage_pct) == (-50, -5, 100)
    assert not told.flag


def test_the_last_eight_weeks_count_and_the_grades_together(strain: Strain) -> None:
    a_score(strain, MONDAY - timedelta(days=1))
    a_score(strain, MONDAY - timedelta(days=56))
    a_score(strain, MONDAY - timedelta(days=57))
    a_score(strain, MONDAY)
    a_score(strain, MONDAY - timedelta(days=1), grade="a")
    a_score(strain, MONDAY - timedelta(days=1), lead_days=1)
    (told,) = scores(today=MONDAY, lead=7)
    assert [(summary.lead, summary.days) for summary in told.summaries] == [(1, 1), (7, 2)]
    assert [day.on for day in told.days] == [MONDAY - timedelta(days=56), MONDAY - timedelta(days=1)]


def test_a_strain_of_which_nothing_is_grown_is_not_shown(strain: Strain) -> None:
    a_score(strain, MONDAY - timedelta(days=1), observed=0, p10=0, p50=0, p90=0, mean=0.0)
    assert scores(today=MONDAY, lead=7) == ()


def test_a_forecast_that_is_two_days_early_is_flagged_with_its_cause(strain: Strain) -> None:
    eight_weeks(strain, before=MONDAY, early=2)
    (told,) = flagged(today=MONDAY)
    assert told.leads == LEADS
    assert (told.strain, told.flag.cause, told.flag.size) == ("Pearl oyster", Cause.TIMES_EARLY, 2)
    assert told.sentence.startswith("Forecasts of Pearl oyster made 1, 3, 7 and 14 days ahead: on ")
    assert told.sentence.endswith("it comes about 2 days later than forecast.")
    (shown,) = scores(today=MONDAY, lead=7)
    assert {summary.lead for summary in shown.flagged} == set(LEADS), "the week's sum overlaps itself: it is no test"
    assert [summary.lead for summary in shown.summaries] == [COMING_WEEK, *LEADS]


def test_a_forecast_that_holds_is_not(strain: Strain) -> None:
    eight_weeks(strain, before=MONDAY)
    assert flagged(today=MONDAY) == ()


def test_it_costs_a_fixed_number_of_statements(
    strain: Strain, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    eight_weeks(strain, before=MONDAY, early=2)
    eight_weeks(a_strain("Pink oyster"), before=MONDAY)
    with django_assert_num_queries(2):
        scores(today=MONDAY, lead=7)
    with django_assert_num_queries(1):
        flagged(today=MONDAY)


def test_today_says_it_among_what_is_at_risk() -> None:
    made = world.build()
    eight_weeks(made.strain, before=MONDAY, early=2)
    (risk,) = [risk for risk in morning(today=MONDAY, now=NOW).risks if risk.page == "scores"]
    assert "Forecasts of Pearl oyster" in risk.sentence
    assert not risk.bad
