"""Yesterday's forecasts against what was harvested, and which forecasts are kept for that."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import numpy as np
import pytest

from fulfilment.core.forecast import pack
from fulfilment.models import Book, Crop, Forecast, Harvest, Plan, Score, Strain, Supply
from fulfilment.services import scoring
from tests.builders.kitchens import FRIDAY, NOW, THURSDAY, a_batch, a_farm, a_strain
from tests.people import ADA

pytestmark = pytest.mark.django_db

DAYS = 20
TODAY = FRIDAY
DAY = THURSDAY
"""Yesterday, the day that is scored."""


@pytest.fixture
def strain() -> Strain:
    a_farm()
    return a_strain()


def a_forecast(
    strain: Strain,
    *,
    first_on: date,
    amounts: tuple[int, ...] = (0, 10, 20),
    days: int = DAYS,
    grade: str = "a",
    made_at: datetime = NOW,
) -> Forecast:
    """Scenarios that give ``amounts`` on the scored day, one gram more on the day before it and one less after it."""
    made = Forecast.objects.create(
        made_at=made_at, first_on=first_on, days=days, scenarios=len(amounts), seed=1, digest="d" * 64
    )
    array = np.zeros((len(amounts), days), dtype=np.int32)
    lead = (DAY - first_on).days
    for place, off in ((lead - 1, 1), (lead, 0), (lead + 1, -1)):
        if 0 <= place < days:
            array[:, place] = [max(0, amount + off) for amount in amounts]
    p10, p50, p90 = np.percentile(array, [10, 50, 90], axis=0, method="inverted_cdf").astype(int).tolist()
    Supply.objects.create(
        forecast=made, strain=strain, grade=grade, packed=pack(array), p10=p10, p50=p50, p90=p90,
        mean=array.mean(axis=0).tolist(),
    )  # fmt: skip
    return made


def a_harvest(strain: Strain, grams: int, *, on: date = DAY, grade: str = "a") -> Harvest:
    batch = a_batch(strain)
    crop = Crop.objects.create(
        batch=batch, room=batch.room, opened_on=on, bags=5, stage="picking", stage_since=on, logged_by=ADA
    )
    return Harvest.objects.create(
        crop=crop, flush=1, harvested_on=on, grade=grade, weighed_g=grams + 1, trimmed_g=grams, logged_by=ADA,
        logged_at=NOW,
    )  # fmt: skip


# ---- Scoring --------------------------------------------------------------------------------------------------------


def test_the_worked_example_is_scored_as_by_hand(strain: Strain) -> None:
    """Scenarios 0, 10, 20 and 10 picked after trimming: CRPS 20/3 - 80/18 = 2.22; pinball at 10, 50, 90: 1, 0, 1."""
    a_forecast(strain, first_on=DAY - timedelta(days=1))
    a_harvest(strain, 10)
    assert scoring.score_yesterday(today=TODAY) == 1
    row = Score.objects.get()
    assert (row.on, row.strain, row.grade, row.lead_days, row.observed) == (DAY, strain, "a", 1, 10)
    assert (row.p10, row.p50, row.p90, row.inside) == (0, 10, 20, True)
    assert row.crps == pytest.approx(20 / 3 - 80 / 18)
    assert row.pinball == {"10": pytest.approx(1), "50": pytest.approx(0), "90": pytest.approx(1)}


def test_each_lead_is_scored_by_the_forecast_of_its_own_day(strain: Strain) -> None:
    for lead in (1, 2, 3, 7, 14):
        a_forecast(strain, first_on=DAY - timedelta(days=lead), amounts=(lead, lead))
    assert scoring.score_yesterday(today=TODAY) == len(scoring.LEADS)
    assert dict(Score.objects.values_list("lead_days", "p50")) == {lead: lead for lead in scoring.LEADS}


def test_a_forecast_that_ended_before_the_day_is_not_scored(strain: Strain) -> None:
    a_forecast(strain, first_on=DAY - timedelta(days=7), days=7)
    assert scoring.score_yesterday(today=TODAY) == 0
    a_forecast(strain, first_on=DAY - timedelta(days=3), days=4)
    assert scoring.score_yesterday(today=TODAY) == 1


def test_nothing_harvested_is_nothing_and_counts(strain: Strain) -> None:
    a_forecast(strain, first_on=DAY - timedelta(days=1), amounts=(5, 10, 20))
    a_harvest(strain, 10, on=TODAY)
    scoring.score_yesterday(today=TODAY)
    row = Score.objects.get()
    assert (row.observed, row.inside) == (0, False)


def test_what_several_crops_gave_is_added_up_by_grade(strain: Strain) -> None:
    for grade in ("a", "b"):
        a_forecast(strain, first_on=DAY - timedelta(days=1 if grade == "a" else 3), grade=grade)
    for grams, grade in ((4, "a"), (5, "a"), (7, "b")):
        a_harvest(strain, grams, grade=grade)
    scoring.score_yesterday(today=TODAY)
    assert dict(Score.objects.values_list("grade", "observed")) == {"a": 9, "b": 7}


def test_scored_twice_it_is_scored_once(strain: Strain) -> None:
    a_forecast(strain, first_on=DAY - timedelta(days=1))
    a_harvest(strain, 10)
    scoring.score_yesterday(today=TODAY)
    a_harvest(strain, 99)
    scoring.score_yesterday(today=TODAY)
    assert Score.objects.get().observed == 10


def test_the_first_forecast_of_a_day_is_the_one_that_is_scored(strain: Strain) -> None:
    """A later one of the same day has seen what was harvested meanwhile."""
    a_forecast(strain, first_on=DAY - timedelta(days=1), amounts=(5, 5))
    a_forecast(strain, first_on=DAY - timedelta(days=1), amounts=(10, 10))
    a_harvest(strain, 10)
    scoring.score_yesterday(today=TODAY)
    assert Score.objects.get().p50 == 5


# ---- Keeping --------------------------------------------------------------------------------------------------------


def test_the_first_of_each_day_that_may_be_scored_is_kept_and_the_rest_goes(strain: Strain) -> None:
    kept = [
        a_forecast(strain, first_on=first_on).pk
        for back in (15, 14, 3, 1, 0)
        for first_on in [TODAY - timedelta(days=back)]
    ]
    too_old = a_forecast(strain, first_on=TODAY - timedelta(days=16))
    second = a_forecast(strain, first_on=TODAY - timedelta(days=3))
    newest = a_forecast(strain, first_on=TODAY)
    Book.objects.filter(grade="a").update(forecast=newest)
    assert scoring.drop_old_forecasts(today=TODAY) == 2
    assert set(Forecast.objects.values_list("pk", flat=True)) == {*kept, newest.pk}
    assert set(Supply.objects.values_list("forecast_id", flat=True)) == {*kept, newest.pk}
    assert not Forecast.objects.filter(pk__in=[too_old.pk, second.pk]).exists()


def test_what_is_kept_is_enough_for_every_lead_of_the_next_night(strain: Strain) -> None:
    for back in range(17):
        a_forecast(strain, first_on=TODAY - timedelta(days=back))
    scoring.drop_old_forecasts(today=TODAY)
    assert scoring.score_yesterday(today=TODAY) == len(scoring.LEADS)
    assert scoring.score_yesterday(today=TODAY + timedelta(days=1)) == len(scoring.LEADS)


def test_a_book_keeps_its_forecast_however_old(strain: Strain) -> None:
    old = a_forecast(strain, first_on=TODAY - timedelta(days=40))
    Book.objects.filter(grade="a").update(forecast=old)
    a_forecast(strain, first_on=TODAY)
    assert scoring.drop_old_forecasts(today=TODAY) == 0
    assert Forecast.objects.filter(pk=old.pk).exists()


def test_a_plan_outlives_the_forecast_it_was_made_from(strain: Strain) -> None:
    old = a_forecast(strain, first_on=TODAY - timedelta(days=40))
    plan = Plan.objects.create(made_at=NOW, cause="test", forecast=old)
    a_forecast(strain, first_on=TODAY)
    assert scoring.drop_old_forecasts(today=TODAY) == 1
    plan.refresh_from_db()
    assert plan.forecast is None


def test_what_another_worker_publishes_meanwhile_stays(strain: Strain, monkeypatch: pytest.MonkeyPatch) -> None:
    a_forecast(strain, first_on=TODAY - timedelta(days=40))
    published: list[Forecast] = []
    first_of = scoring._first_of

    def slow(day: date) -> Forecast | None:
        if not published:
            published.append(a_forecast(strain, first_on=TODAY - timedelta(days=30)))
            Book.objects.filter(grade="a").update(forecast=published[0])
        return first_of(day)

    monkeypatch.setattr(scoring, "_first_of", slow)
    scoring.drop_old_forecasts(today=TODAY)
    assert Book.objects.get(grade="a").forecast == published[0]
