"""How good a forecast was, against the reference library."""

from __future__ import annotations

import numpy as np
import pytest
import scoringrules
from hypothesis import given, settings
from hypothesis import strategies as st

from fulfilment.core.forecast import score


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
