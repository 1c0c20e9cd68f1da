"""Random numbers that stay put, against the reference library."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from fulfilment.core.growth.draws import (
    beta_quantile,
    binomial,
    deviates,
    dirichlet,
    log_survival,
    normal_quantile,
    truncated_lognormal,
    truncated_normal,
    uniforms,
)

EVEN = (np.arange(20_000) + 0.5) / 20_000


def test_uniforms_are_even_belong_to_their_name_and_do_not_move_with_the_number_of_scenarios() -> None:
    numbers = uniforms(7, kind="crop", name="crop:1", scenarios=5_000, slots=3)
    assert numbers.shape == (3, 5_000)
    assert numbers.min() > 0
    assert numbers.max() < 1
    assert stats.kstest(numbers.ravel(), "uniform").pvalue > 0.001
    assert np.array_equal(numbers[:, :100], uniforms(7, kind="crop", name="crop:1", scenarios=100, slots=3))
    for other in (
        uniforms(8, kind="crop", name="crop:1", scenarios=5_000, slots=3),
        uniforms(7, kind="batch", name="crop:1", scenarios=5_000, slots=3),
        uniforms(7, kind="crop", name="crop:2", scenarios=5_000, slots=3),
    ):
        assert abs(np.corrcoef(numbers[0], other[0])[0, 1]) < 0.06


def test_normal_quantiles_agree_with_the_reference_library() -> None:
    chances = np.concatenate((EVEN, [1e-300, 1e-30, 1e-12, 1 - 1e-12]))
    assert normal_quantile(chances) == pytest.approx(stats.norm.ppf(chances), rel=1e-12, abs=1e-12)
    own = uniforms(1, kind="t", name=1, scenarios=20_000, slots=1)[0]
    own[:2] = 2.0**-33, 1 - 2.0**-33
    assert deviates(own) == pytest.approx(stats.norm.ppf(own), abs=1e-5)


def test_survival_agrees_with_the_reference_library_however_far_out() -> None:
    z = np.linspace(-8, 60, 500)
    assert log_survival(z) == pytest.approx(stats.norm.logsf(z), rel=1e-6, abs=2e-7)


@settings(max_examples=40, deadline=None)
@given(above=st.floats(-5, 30))
def test_truncated_draws_agree_with_the_reference_library(above: float) -> None:
    chances = EVEN[::500]
    exact = stats.norm.isf(np.exp(stats.norm.logsf(above) + np.log1p(-chances)))
    assert truncated_normal(chances, above=np.full_like(chances, above)) == pytest.approx(exact, abs=1e-5)


def test_a_stage_that_has_lasted_far_too_long_still_ends_later() -> None:
    lasts = truncated_lognormal(EVEN[::100], mu=np.full(200, math.log(7)), sigma=np.full(200, 0.05), above=80)
    assert lasts.min() >= 80
    assert np.isfinite(lasts).all()


@pytest.mark.parametrize(("alpha", "beta"), [(2, 38), (0.5, 3), (1, 1), (400, 9_000)])
def test_beta_quantiles_agree_with_the_reference_library(alpha: float, beta: float) -> None:
    chances = EVEN[10::200]
    assert beta_quantile(chances, alpha=alpha, beta=beta) == pytest.approx(
        stats.beta.ppf(chances, alpha, beta), rel=2e-3, abs=1e-6
    )


@pytest.mark.parametrize(("bags", "chance"), [(1, 0.05), (8, 0.1), (40, 0.02), (100, 0.055)])
def test_lost_bags_are_binomial(bags: int, chance: float) -> None:
    drawn = binomial(EVEN, trials=np.full(EVEN.size, float(bags)), chance=np.full(EVEN.size, chance))
    assert np.array_equal(drawn, stats.binom.ppf(EVEN, bags, chance))


@pytest.mark.parametrize(("bags", "chance"), [(400, 0.03), (5_000, 0.01), (100, 0.5)])
def test_many_lost_bags_are_binomial_to_within_one(bags: int, chance: float) -> None:
    drawn = binomial(EVEN, trials=np.full(EVEN.size, float(bags)), chance=np.full(EVEN.size, chance))
    exact = stats.binom.ppf(EVEN, bags, chance)
    assert np.abs(drawn - exact).max() <= 1
    assert drawn.mean() == pytest.approx(exact.mean(), rel=2e-3)


def test_losses_over_scenarios_are_beta_binomial() -> None:
    numbers = uniforms(4, kind="t", name=1, scenarios=40_000, slots=2)
    lost = binomial(numbers[0], trials=np.full(40_000, 30.0), chance=beta_quantile(numbers[1], alpha=2, beta=38))
    share = np.bincount(lost.astype(int), minlength=12)[:12] / 40_000
    assert share == pytest.approx(stats.betabinom.pmf(np.arange(12), 30, 2, 38), abs=0.01)


@pytest.mark.parametrize("alpha", [(6.0, 12.0, 9.0, 3.0), (40.0, 10.0), (0.2, 0.4, 0.3, 0.1)])
def test_shares_have_the_dirichlets_mean_and_variance(alpha: tuple[float, ...]) -> None:
    parts = len(alpha)
    numbers = uniforms(9, kind="t", name=parts, scenarios=40_000, slots=2 * parts)
    shares = dirichlet(deviates(numbers[:parts]), alpha=np.array(alpha), uniform=numbers[parts:])
    exact = stats.dirichlet(alpha)
    assert shares.sum(axis=0) == pytest.approx(1)
    assert shares.mean(axis=1) == pytest.approx(exact.mean(), abs=0.01)
    assert shares.var(axis=1) == pytest.approx(exact.var(), rel=0.05, abs=5e-4)
