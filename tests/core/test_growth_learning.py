"""What Ada's logs teach about a strain."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import LogNormalFitter
from scipy import stats

from fulfilment.core.growth import (
    PEARL,
    FlushLog,
    GradeLog,
    LossLog,
    Stage,
    StageLog,
    StagePrior,
    TrimLog,
    learn,
    stage_posterior,
)
from fulfilment.core.growth.draws import (
    uniforms,
)
from fulfilment.core.growth.learning import pack, unpack
from fulfilment.core.problems import Invalid


@settings(max_examples=20, deadline=None)
@given(st.lists(st.floats(3, 20), min_size=0, max_size=12))
def test_without_running_stages_a_new_crops_log_time_is_a_student_t(days: list[float]) -> None:
    prior = StagePrior(mean_days=7, cv=0.3, weight=6)
    s0 = math.sqrt(math.log1p(prior.cv**2))
    m0 = math.log(7) - s0**2 / 2
    x = np.log(np.array(days)) if days else np.zeros(0)
    n, w = len(days), prior.weight
    mean = x.mean() if n else m0
    location = (w * m0 + n * mean) / (w + n)
    scale2 = (w * s0**2 + ((x - mean) ** 2).sum() + w * n / (w + n) * (mean - m0) ** 2) / (w + n)
    exact = stats.t(df=w + n, loc=location, scale=math.sqrt(scale2 * (1 + 1 / (w + n))))
    mu, sigma = stage_posterior(prior, [StageLog(Stage.PINNING, d, True) for d in days]).draw(
        uniforms(3, kind="t", name=1, scenarios=4_000, slots=2)
    )
    for level in (0.1, 0.5, 0.9):
        point = exact.ppf(level)
        assert stats.norm.cdf((point - mu) / sigma).mean() == pytest.approx(level, abs=0.012)


def test_running_stages_count_as_survival_terms_like_the_reference_librarys() -> None:
    rng = np.random.default_rng(5)
    true = np.exp(math.log(9) + 0.3 * rng.standard_normal(400))
    until = rng.uniform(5, 14, 400)
    seen = np.minimum(true, until)
    logs = [StageLog(Stage.PINNING, float(d), bool(e)) for d, e in zip(seen, true <= until, strict=True)]
    fitted = LogNormalFitter().fit(seen, true <= until)
    mu, sigma = stage_posterior(StagePrior(mean_days=5, cv=0.5, weight=0.01), logs).mean
    assert mu == pytest.approx(fitted.mu_, abs=0.01)
    assert sigma == pytest.approx(fitted.sigma_, abs=0.01)
    ended_only = [log for log in logs if log.ended]
    assert stage_posterior(StagePrior(mean_days=5, cv=0.5, weight=0.01), ended_only).mean[0] < mu - 0.1


def test_spread_of_stage_times_is_recovered_from_published_figures() -> None:
    # spawn run 18 ± 1.22 d: Baysal et al. 2003, Bioresource Technology 89:95-97 (table read from a text copy)
    rng = np.random.default_rng(2)
    logs = [StageLog(Stage.COLONISING, float(d), True) for d in rng.normal(18, 1.22, 60)]
    mu, sigma = learn(PEARL, stages=logs).colonising.mean
    assert math.exp(mu) == pytest.approx(18, abs=0.5)
    assert 1.0 / 18 < sigma < 1.8 / 18


def test_the_farms_own_crops_outvote_the_belief() -> None:
    few = learn(PEARL, stages=[StageLog(Stage.PINNING, 10, True)] * 2).pinning.mean[0]
    many = learn(PEARL, stages=[StageLog(Stage.PINNING, 10, True)] * 40).pinning.mean[0]
    assert learn(PEARL).pinning.mean[0] < few < many
    assert math.exp(many) == pytest.approx(10, abs=0.4)


def test_one_stages_logs_teach_nothing_about_another() -> None:
    taught = learn(PEARL, stages=[StageLog(Stage.PINNING, 10, True)] * 5)
    assert np.array_equal(taught.growing.weights, learn(PEARL).growing.weights)


def test_efficiency_is_learned_from_finished_flushes() -> None:
    logs = []
    for luck in (0.9, 1.0, 1.1) * 10:
        logs += [
            FlushLog(flush=place, dry_g=20_000, picked_g=round(20_000 * 0.8 * share * luck))
            for place, share in enumerate(PEARL.flush_shares, start=1)
        ]
    knowledge = learn(PEARL, flushes=logs)
    mu, sigma = knowledge.efficiency.mean
    assert math.exp(mu) == pytest.approx(0.8, rel=0.03)
    assert 0.05 < sigma < 0.15
    shares = np.array(knowledge.flushes) / sum(knowledge.flushes)
    assert shares == pytest.approx(np.array(PEARL.flush_shares), abs=0.005)
    assert sum(knowledge.flushes) > PEARL.flush_concentration


def test_third_flushes_not_yet_logged_are_not_taken_for_none() -> None:
    first_only = [FlushLog(flush=1, dry_g=10_000, picked_g=round(10_000 * 0.9 * PEARL.flush_shares[0]))] * 30
    knowledge = learn(PEARL, flushes=first_only)
    shares = np.array(knowledge.flushes) / sum(knowledge.flushes)
    assert shares == pytest.approx(np.array(PEARL.flush_shares), abs=0.01)
    assert math.exp(knowledge.efficiency.mean[0]) == pytest.approx(0.9, rel=0.05)


def test_a_failed_flush_lowers_the_efficiency_and_widens_it() -> None:
    good = [FlushLog(flush=1, dry_g=10_000, picked_g=3_500)] * 6
    failed = learn(PEARL, flushes=[*good, FlushLog(flush=1, dry_g=10_000, picked_g=0)])
    assert failed.efficiency.mean[0] < learn(PEARL, flushes=good).efficiency.mean[0]
    assert failed.efficiency.mean[1] > learn(PEARL, flushes=good).efficiency.mean[1]


def test_losses_trimming_and_grades_are_learned() -> None:
    knowledge = learn(
        PEARL,
        losses=[LossLog(bags=40, lost=4), LossLog(bags=20, lost=0)],
        trims=[TrimLog(weighed_g=1_000, trimmed_g=900)] * 10,
        grades=[GradeLog((("a", 500), ("b", 500)))] * 5,
    )
    assert knowledge.loss == (PEARL.loss[0] + 4, PEARL.loss[1] + 56)
    assert knowledge.trim_loss == pytest.approx((10 * 0.05 + 10 * 0.1) / 20)
    assert dict(knowledge.grades) == pytest.approx({"a": (0.85 + 0.5) / 2, "b": (0.15 + 0.5) / 2})


def test_published_saleable_share_lies_near_the_assumed_trimming_loss() -> None:
    # saleable share 0.957: Abou Fayssal et al. 2020, Table 2
    assert 1 - PEARL.trim_loss == pytest.approx(0.957, abs=0.01)


@pytest.mark.parametrize(
    "logs",
    [
        {"stages": [StageLog(Stage.PINNING, -1, True)]},
        {"stages": [StageLog(Stage.PINNING, math.nan, True)]},
        {"flushes": [FlushLog(4, 1_000, 100)]},
        {"flushes": [FlushLog(1, 0, 100)]},
        {"losses": [LossLog(bags=3, lost=4)]},
        {"trims": [TrimLog(100, 200)]},
        {"grades": [GradeLog((("a", -5),))]},
    ],
)
def test_impossible_logs_are_refused(logs: dict[str, list[object]]) -> None:
    with pytest.raises(Invalid):
        learn(PEARL, **logs)  # type: ignore[arg-type]  # one keyword a case, each with its own kind of log


def test_the_same_logs_make_the_same_knowledge() -> None:
    logs = [StageLog(Stage.PINNING, 8, True), StageLog(Stage.PINNING, 5, False)]
    assert learn(PEARL, stages=logs).digest() == learn(PEARL, stages=logs).digest()
    assert learn(PEARL, stages=logs).digest() != learn(PEARL, stages=logs[:1]).digest()


def test_what_was_learned_is_kept_to_the_last_bit() -> None:
    taught = learn(
        PEARL,
        stages=[StageLog(Stage.PINNING, 8.3, ended=True), StageLog(Stage.GROWING, 4.1, ended=False)],
        flushes=[
            FlushLog(1, 16_000, 5_100, bags=20, crop="crop:1"),
            FlushLog(2, 16_000, 2_300, bags=20, crop="crop:1"),
        ],
        losses=[LossLog(40, 3)],
        trims=[TrimLog(1_000, 930)],
        grades=[GradeLog((("a", 900), ("b", 90)))],
        waits=[0, 3],
        pairs=[(7.0, 5.0), (8.0, 4.0), (6.0, 6.5)],
    )
    kept = unpack(pack(taught))
    assert kept.digest() == taught.digest()
    assert kept.profile == taught.profile
    assert kept.taught == taught.taught
    assert np.array_equal(kept.efficiency.weights, taught.efficiency.weights)
    with pytest.raises(Invalid, match="numbers, not"):
        unpack(pack(taught)[:-8])
