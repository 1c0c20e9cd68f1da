"""How good a forecast was, against the reference library."""

from __future__ import annotations

import numpy as np
import pytest
import scoringrules
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import kstest

from fulfilment.core.forecast import COMING_WEEK, ahead, score, tie_breaker


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, 50_000), min_size=1, max_size=60), st.integers(0, 50_000))
def test_scores_agree_with_the_reference_library(samples: list[int], picked: int) -> None:
    found = score(samples, observed=picked)
    values = np.array(samples, dtype=float)
    assert found.crps == pytest.approx(scoringrules.crps_ensemble(float(picked), values, estimator="nrg"), abs=1e-6)
    for level in (10, 50, 90):
        quantile = np.percentile(values, level, method="inverted_cdf")
        expected = scoringrules.quantile_score(float(picked), float(quantile), level / 100)
        assert found.pinball[level] == pytest.approx(expected, abs=1e-9)
    assert found.bias == pytest.approx(values.mean() - picked)


def test_the_worked_score() -> None:
    found = score([0, 10, 20], observed=10)
    assert found.crps == pytest.approx(20 / 3 - 80 / 18)
    assert found.inside
    assert not score([0, 10, 20], observed=21).inside


def test_an_honest_forecast_scores_best() -> None:
    rng = np.random.default_rng(4)
    honest, boastful = rng.normal(1_000, 200, 2_000), rng.normal(1_300, 200, 2_000)
    truths = rng.normal(1_000, 200, 200).astype(int)
    assert np.mean([score(honest, observed=int(t)).crps for t in truths]) < np.mean(
        [score(boastful, observed=int(t)).crps for t in truths]
    )
    assert np.mean([score(honest, observed=int(t)).inside for t in truths]) == pytest.approx(0.8, abs=0.08)


# ---- Where the truth fell -------------------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, 40), min_size=1, max_size=40), st.integers(0, 40), st.floats(0, 1))
def test_the_place_is_between_the_shares_below_and_up_to_what_was_picked(
    samples: list[int], picked: int, uniform: float
) -> None:
    below = sum(each < picked for each in samples) / len(samples)
    up_to = sum(each <= picked for each in samples) / len(samples)
    found = score(samples, observed=picked, uniform=uniform).place
    assert found == pytest.approx(below + uniform * (up_to - below))
    assert below <= found <= up_to


def test_the_place_of_honest_forecasts_is_even_also_over_days_with_nothing_to_pick() -> None:
    """Plain coverage calls nearly all of these days "inside"; the randomised place does not.

    The bound is the Kolmogorov-Smirnov test at one in a thousand, by scipy.
    """
    rng = np.random.default_rng(8)
    places, inside = [], []
    for _ in range(2_000):
        crops = rng.poisson(0.4, 500) * 800
        given_ = score(crops, observed=int(rng.poisson(0.4) * 800), uniform=rng.random())
        places.append(given_.place)
        inside.append(given_.inside)
    assert kstest(places, "uniform").pvalue > 0.001
    assert np.mean(inside) > 0.9


def test_a_tie_is_broken_the_same_way_whenever_it_is_scored() -> None:
    first = tie_breaker(7, name="2026-05-07 1 a 7")
    assert first == tie_breaker(7, name="2026-05-07 1 a 7")
    assert len({first, tie_breaker(8, name="2026-05-07 1 a 7"), tie_breaker(7, name="2026-05-07 1 a 3")}) == 3
    many = [tie_breaker(7, name=str(day)) for day in range(2_000)]
    assert kstest(many, "uniform").pvalue > 0.001


@given(st.integers(0, 50_000), st.integers(0, 50_000))
def test_a_points_score_is_its_plain_error(said: int, picked: int) -> None:
    """So a rival's point and a distribution stand on one scale; the reference library says so too."""
    assert score([said], observed=picked).crps == abs(said - picked)
    assert scoringrules.crps_ensemble(float(picked), np.array([float(said)]), estimator="nrg") == abs(said - picked)


def test_a_lead_is_about_its_day_and_the_coming_week_about_seven() -> None:
    days = np.arange(20)
    assert [days[ahead(lead)].tolist() for lead in (1, 14)] == [[1], [14]]
    assert days[ahead(COMING_WEEK)].tolist() == list(range(7))
