"""Yesterday's forecasts against what was harvested, and which forecasts are kept for that."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fulfilment.core.forecast import COMING_WEEK, LEADS, WHOLE, pack
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


def a_harvest(strain: Strain, grams: int, *, on: date = DAY, grade: str = "a", logged_at: datetime = NOW) -> Harvest:
    batch = a_batch(strain)
    crop = Crop.objects.create(
        batch=batch, room=batch.room, opened_on=on, bags=5, stage="picking", stage_since=on, logged_by=ADA
    )
    return Harvest.objects.create(
        crop=crop, flush=1, harvested_on=on, grade=grade, weighed_g=grams + 1, trimmed_g=grams, logged_by=ADA,
        logged_at=logged_at,
    )  # fmt: skip


# ---- Scoring --------------------------------------------------------------------------------------------------------


def test_the_worked_example_is_scored_as_by_hand(strain: Strain) -> None:
    """Scenarios 0, 10, 20 and 10 picked after trimming: CRPS 20/3 - 80/18 = 2.22; pinball at 10, 50, 90: 1, 0, 1."""
    a_forecast(strain, first_on=DAY - timedelta(days=1))
    a_harvest(strain, 10)
    assert scoring.score_past(today=TODAY) == 2
    row, whole = Score.objects.order_by("-grade")
    assert (row.on, row.strain, row.grade, row.lead_days, row.observed) == (DAY, strain, "a", 1, 10)
    assert (row.p10, row.p50, row.p90, row.mean, row.inside) == (0, 10, 20, 10, True)
    assert row.crps == pytest.approx(20 / 3 - 80 / 18)
    assert row.pinball == {"10": pytest.approx(1), "50": pytest.approx(0), "90": pytest.approx(1)}
    assert row.place is not None
    assert 1 / 3 < row.place < 2 / 3, "one of three scenarios lies below, one upon what was picked"
    assert (whole.grade, whole.observed, whole.crps) == (WHOLE, 10, row.crps)
    assert whole.place != row.place, "each amount breaks its ties by a uniform of its own"


def test_each_lead_is_scored_by_the_forecast_of_its_own_day(strain: Strain) -> None:
    for lead in (1, 2, 3, 7, 14):
        a_forecast(strain, first_on=DAY - timedelta(days=lead), amounts=(lead, lead))
    scoring.score_past(today=TODAY)
    found = Score.objects.filter(on=DAY, grade="a").exclude(lead_days=COMING_WEEK)
    assert dict(found.values_list("lead_days", "p50")) == {lead: lead for lead in LEADS}


def test_a_day_that_can_still_be_picked_is_not_scored(strain: Strain) -> None:
    a_forecast(strain, first_on=DAY)
    a_harvest(strain, 10, on=TODAY)
    assert scoring.score_past(today=TODAY) == 0, "tomorrow's lead of one day is today"
    assert scoring.score_past(today=TODAY + timedelta(days=1)) == 2
    assert set(Score.objects.values_list("on", "lead_days")) == {(TODAY, 1)}


def test_a_forecast_that_ended_before_the_day_is_not_scored(strain: Strain) -> None:
    a_forecast(strain, first_on=DAY - timedelta(days=7), days=7)
    a_forecast(strain, first_on=DAY - timedelta(days=3), days=3)
    scoring.score_past(today=TODAY)
    assert not Score.objects.filter(on=DAY).exists()
    a_forecast(strain, first_on=DAY - timedelta(days=14), days=15)
    scoring.score_past(today=TODAY)
    assert Score.objects.get(on=DAY, grade="a").lead_days == 14


def test_nothing_harvested_is_nothing_and_counts(strain: Strain) -> None:
    a_forecast(strain, first_on=DAY - timedelta(days=1), amounts=(5, 10, 20))
    a_harvest(strain, 10, on=TODAY)
    scoring.score_past(today=TODAY)
    row = Score.objects.get(grade="a")
    assert (row.observed, row.inside, row.place) == (0, False, 0)


def test_what_several_crops_gave_is_added_up_by_grade_and_over_them(strain: Strain) -> None:
    made = a_forecast(strain, first_on=DAY - timedelta(days=1), amounts=(10, 20))
    array = np.full((2, DAYS), 3, dtype=np.int32)
    Supply.objects.create(
        forecast=made, strain=strain, grade="b", packed=pack(array), p10=[], p50=[], p90=[], mean=[],
        by_profile=[2.0] * DAYS, by_weekday=[4.0] * DAYS,
    )  # fmt: skip
    for grams, grade in ((4, "a"), (5, "a"), (7, "b")):
        a_harvest(strain, grams, grade=grade)
    scoring.score_past(today=TODAY)
    assert dict(Score.objects.values_list("grade", "observed")) == {"a": 9, "b": 7, WHOLE: 16}
    whole = Score.objects.get(grade=WHOLE)
    assert (whole.p10, whole.p90, whole.mean) == (13, 23, 18), "scenario by scenario"
    by_grade = dict(Score.objects.values_list("grade", "by_profile"))
    assert by_grade == {"a": None, "b": 2, WHOLE: None}, "a sum of which a part is not known is not known"


def test_rivals_are_scored_by_what_they_said_for_that_day(strain: Strain) -> None:
    made = a_forecast(strain, first_on=DAY - timedelta(days=3))
    days = [float(day) for day in range(DAYS)]
    Supply.objects.filter(forecast=made).update(by_profile=days, by_weekday=[10 * day for day in days])
    scoring.score_past(today=DAY + timedelta(days=4))
    found = Score.objects.filter(grade="a").values_list("lead_days", "by_profile", "by_weekday")
    assert set(found) == {(1, 1, 10), (3, 3, 30), (COMING_WEEK, 21, 210)}


def test_the_coming_week_is_scored_by_its_sum_once_it_is_over(strain: Strain) -> None:
    first = DAY - timedelta(days=6)
    a_forecast(strain, first_on=first, amounts=(10, 20), made_at=NOW - timedelta(days=7))
    for back, grams in ((6, 4), (3, 5), (0, 8)):
        a_harvest(strain, grams, on=DAY - timedelta(days=back))
    a_harvest(strain, 99, on=first - timedelta(days=1))
    scoring.score_past(today=DAY)
    assert not Score.objects.filter(lead_days=COMING_WEEK).exists(), "its last day can still be picked"
    scoring.score_past(today=TODAY)
    row = Score.objects.get(lead_days=COMING_WEEK, grade="a")
    assert (row.on, row.observed) == (DAY, 17)
    assert (row.p10, row.p90) == (21, 41), "10 and 20 on the last day, a gram more the day before"


def test_what_the_forecast_had_seen_of_its_first_day_is_not_asked_of_it(strain: Strain) -> None:
    first = DAY - timedelta(days=6)
    a_forecast(strain, first_on=first, made_at=NOW)
    seen = a_harvest(strain, 40, on=first, logged_at=NOW - timedelta(hours=1))
    later = a_harvest(strain, 9, on=first, logged_at=NOW + timedelta(hours=1))
    for wrong, off in ((seen, -30), (later, -4)):
        Harvest.objects.create(
            crop=wrong.crop, corrects=wrong, flush=1, harvested_on=first, grade="a", weighed_g=off, trimmed_g=off,
            reason="another crop", logged_by=ADA, logged_at=NOW + timedelta(days=1),
        )  # fmt: skip
    scoring.score_past(today=TODAY)
    assert Score.objects.get(lead_days=COMING_WEEK, grade="a").observed == 5


def test_scored_twice_it_is_scored_once(strain: Strain) -> None:
    a_forecast(strain, first_on=DAY - timedelta(days=1))
    a_harvest(strain, 10)
    scoring.score_past(today=TODAY)
    before = list(Score.objects.order_by("pk").values())
    a_harvest(strain, 99)
    assert scoring.score_past(today=TODAY) == 0
    assert list(Score.objects.order_by("pk").values()) == before


def test_the_same_rows_are_made_again_where_they_were_lost(strain: Strain) -> None:
    """A night killed before its commit, and one that another worker was quicker with."""
    for lead in LEADS:
        a_forecast(strain, first_on=DAY - timedelta(days=lead))
    a_harvest(strain, 10)
    scoring.score_past(today=TODAY)
    before = list(Score.objects.order_by("on", "lead_days", "grade").values())
    Score.objects.all().delete()
    scoring.score_past(today=TODAY)
    after = list(Score.objects.order_by("on", "lead_days", "grade").values())
    assert [row | {"id": 0} for row in after] == [row | {"id": 0} for row in before]


def test_days_of_nights_that_were_left_out_are_made_up_for(strain: Strain) -> None:
    """Nobody ran a night for five days: their days are scored as they would have been, each by its own forecast."""
    for back in range(6, 22):
        a_forecast(strain, first_on=DAY - timedelta(days=back))
    a_harvest(strain, 10)
    for days_ago in (2, 1, 0):
        a_harvest(strain, days_ago + 1, on=DAY - timedelta(days=days_ago + 1))
    scoring.score_past(today=DAY - timedelta(days=5))
    scoring.drop_old_forecasts(today=DAY - timedelta(days=5))
    before = Score.objects.count()
    scoring.score_past(today=TODAY)
    assert Score.objects.count() > before
    found = Score.objects.filter(grade="a", on__gt=DAY - timedelta(days=5)).order_by("on", "lead_days")
    assert set(found.filter(on=DAY).values_list("lead_days", "observed")) == {(7, 10), (14, 10), (COMING_WEEK, 16)}
    for day in range(5):
        assert found.filter(on=DAY - timedelta(days=day), lead_days=14).exists()
        assert found.filter(on=DAY - timedelta(days=day), lead_days=7).exists()


def test_the_first_forecast_of_a_day_is_the_one_that_is_scored(strain: Strain) -> None:
    """A later one of the same day has seen what was harvested meanwhile."""
    a_forecast(strain, first_on=DAY - timedelta(days=1), amounts=(5, 5))
    a_forecast(strain, first_on=DAY - timedelta(days=1), amounts=(10, 10))
    a_harvest(strain, 10)
    scoring.score_past(today=TODAY)
    assert Score.objects.get(grade="a").p50 == 5


def test_it_costs_a_fixed_number_of_statements(
    strain: Strain,
) -> None:
    """Forecasts, scores, harvests, supplies; a transaction of one insert: whatever there is to score."""
    a_forecast(strain, first_on=DAY - timedelta(days=1))
    a_harvest(strain, 10)
    with CaptureQueriesContext(connection) as few:
        scoring.score_past(today=TODAY)
    Score.objects.all().delete()
    for back in range(2, 16):
        a_forecast(strain, first_on=DAY - timedelta(days=back), amounts=tuple(range(40)))
        a_harvest(strain, back, on=DAY - timedelta(days=back))
    with CaptureQueriesContext(connection) as many:
        assert scoring.score_past(today=TODAY) > 80
    reads = [[each["sql"] for each in seen if each["sql"].startswith("SELECT")] for seen in (few, many)]
    assert [len(each) for each in reads] == [4, 4]
    assert sum(each["sql"].startswith("INSERT") for each in many) <= 2, "SQLite takes so many values at once"
    with CaptureQueriesContext(connection) as again:
        scoring.score_past(today=TODAY)
    assert len(again) == 2


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
    for today in (TODAY, TODAY + timedelta(days=1)):
        scoring.score_past(today=today)
        found = Score.objects.filter(on=today - timedelta(days=1), grade="a")
        assert set(found.values_list("lead_days", flat=True)) == set(scoring.ALL_LEADS)


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
    firsts = scoring._firsts

    def slow(*, since: date) -> set[int]:
        published.append(a_forecast(strain, first_on=TODAY - timedelta(days=30)))
        Book.objects.filter(grade="a").update(forecast=published[0])
        return firsts(since=since)

    monkeypatch.setattr(scoring, "_firsts", slow)
    scoring.drop_old_forecasts(today=TODAY)
    assert Book.objects.get(grade="a").forecast == published[0]
