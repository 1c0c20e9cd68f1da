"""Ada's strains: beliefs, temperature, what her logs teach, and the draws made of it."""

from __future__ import annotations

import json
import math
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import LogNormalFitter
from scipy import stats

from fulfilment.core import growth
from fulfilment.core.growth import (
    GOLDEN,
    PEARL,
    PINK,
    Cardinal,
    CropState,
    FlushLog,
    GradeLog,
    LossLog,
    Stage,
    StageLog,
    StagePrior,
    StrainProfile,
    TrimLog,
    learn,
    physiological_days,
    stage_posterior,
)
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
from fulfilment.core.problems import Invalid

STRAINS = [PEARL, PINK, GOLDEN]
MAY = date(2026, 5, 1)
EVEN = (np.arange(20_000) + 0.5) / 20_000


# Biological efficiency


@pytest.mark.parametrize(
    ("fresh_g", "efficiency_pct", "dry_g"),
    [(910.1, 105.0, 866.8), (624.9, 80.3, 778.2), (406.8, 54.1, 751.9)],
)
def test_efficiency_and_dry_substrate_of_published_crops(fresh_g: float, efficiency_pct: float, dry_g: float) -> None:
    # Abou Fayssal et al. 2020, Scientifica 2020:3950357, Table 2
    assert growth.dry_substrate(fresh_g, efficiency_pct=efficiency_pct) == pytest.approx(dry_g, abs=0.5)
    assert growth.biological_efficiency(fresh_g, dry_g=dry_g) == pytest.approx(efficiency_pct, abs=0.1)
    assert growth.fresh_mass(dry_g, efficiency_pct=efficiency_pct) == pytest.approx(fresh_g, abs=0.7)


def test_200_g_from_a_wet_kilo_of_70_percent_water_is_two_thirds() -> None:
    # arithmetic of the definition
    assert growth.biological_efficiency(200, dry_g=300) == pytest.approx(66.7, abs=0.05)


def test_nothing_comes_of_no_substrate() -> None:
    with pytest.raises(Invalid, match="more than 0 g"):
        growth.biological_efficiency(100, dry_g=0)


# Temperature


@pytest.mark.parametrize(
    ("celsius", "speed"),
    [(10, 0.120795), (15, 0.409836), (20, 0.743007), (25, 0.974026), (30, 0.929269), (35, 0.401070)],
)
def test_cardinal_model_with_inflection(celsius: float, speed: float) -> None:
    # formula of Rosso, Lobry & Flandrois 1993, J. Theor. Biol. 162:447-463, at 5 / 27 / 37 °C
    assert Cardinal(5, 27, 37).speed(celsius) == pytest.approx(speed, abs=1e-6)


@given(
    low=st.floats(-5, 15),
    rise=st.floats(1, 25),
    fall=st.floats(1, 18),
    parts=st.lists(st.floats(0, 1), min_size=2, max_size=2).map(sorted),
)
def test_each_curve_is_nought_at_the_ends_one_at_the_best_and_has_one_peak(
    low: float, rise: float, fall: float, parts: list[float]
) -> None:
    curve = Cardinal(low, low + rise, low + rise + fall)
    assert curve.speed(curve.t_min) == curve.speed(curve.t_max) == 0
    assert curve.speed(curve.t_min - 1) == curve.speed(curve.t_max + 1) == 0
    assert curve.speed(curve.t_opt) == pytest.approx(1)
    near, far = parts
    assert curve.speed(low + near * rise) <= curve.speed(low + far * rise) + 1e-9
    assert curve.speed(curve.t_opt + near * fall) >= curve.speed(curve.t_opt + far * fall) - 1e-9


def test_the_beta_curve_takes_over_where_the_model_is_singular() -> None:
    assert not Cardinal(5, 27, 37).is_singular
    edge = Cardinal(5, 21, 37)
    assert edge.is_singular
    assert 0 < edge.speed(10) < edge.speed(20) < 1


def test_mycelium_likes_it_warmer_than_pearl_fruits_do() -> None:
    # optimum of mycelium 28-30 °C: Zervakis et al. 2001, Folia Microbiol. 46:231-234; Hoa & Wang 2015,
    # Mycobiology 43(1); pearl fruiting best at 10-20 °C: common practice, no source
    assert 28 <= PEARL.mycelium.t_opt <= 30
    assert 10 <= PEARL.fruiting.t_opt <= 20
    warm_kitchen = 25
    assert PEARL.mycelium.rate(warm_kitchen, reference=22) > 1 > PEARL.fruiting.rate(warm_kitchen, reference=16)


def test_pink_stands_still_in_the_cold() -> None:
    # dies below 8-10 °C, fruits at 18-28 °C: a producer's strain sheet for P. salmoneo-stramineus M 2708
    assert PINK.mycelium.speed(9) == 0
    assert PINK.fruiting.speed(10) == 0
    assert min(PINK.fruiting.speed(celsius) for celsius in range(18, 29)) > 0.5


def test_days_count_by_the_rooms_readings_and_gaps_by_the_set_point() -> None:
    readings = {MAY: 16.0, MAY + timedelta(days=2): 8.0}
    half = PEARL.fruiting.rate(8, reference=16)
    lived = physiological_days(
        readings, first=MAY, last=MAY + timedelta(days=3), set_point=16, cardinal=PEARL.fruiting, reference=16
    )
    assert lived == pytest.approx(3 + half)
    assert half < 1


def test_no_days_are_lived_before_the_first() -> None:
    assert (
        physiological_days(
            {}, first=MAY, last=MAY - timedelta(days=1), set_point=16, cardinal=PEARL.fruiting, reference=16
        )
        == 0
    )


@pytest.mark.parametrize("anchors", [(20, 10, 30), (10, 20, 20), (-80, 20, 30)])
def test_temperatures_out_of_order_are_refused(anchors: tuple[float, float, float]) -> None:
    with pytest.raises(Invalid, match="must rise"):
        Cardinal(*anchors)


def test_a_reference_at_which_nothing_grows_is_refused() -> None:
    with pytest.raises(Invalid, match="must lie between"):
        PEARL.fruiting.rate(10, reference=35)


# Profiles


def test_pearl_profile_reproduces_the_trades_calendar() -> None:
    # common practice, no source: two to three weeks in the dark, pins after about a week, picking within two weeks of
    # opening, water again about ten days after the last mushroom
    assert 14 <= PEARL.colonising.mean_days <= 21
    assert PEARL.pinning.mean_days == pytest.approx(7, abs=1)
    assert PEARL.pinning.mean_days + PEARL.growing.mean_days <= 14
    assert PEARL.resting.mean_days == pytest.approx(10, abs=1)


def test_efficiency_on_grounds_is_a_wide_belief_around_60_percent() -> None:
    # about 60 %: Nieto-Juarez et al. 2021, Tecnia 31(2); about 90 % on spent ground: Fan et al. 2000, Acta
    # Biotechnol. 20:41-52 (from memory) must not surprise
    mu, _ = learn(PEARL).efficiency.draw(uniforms(1, kind="t", name=1, scenarios=20_000, slots=2))
    assert np.exp(mu).mean() == pytest.approx(0.60, rel=0.02)
    assert np.mean(np.exp(mu) > 0.9) > 0.02


def test_the_first_flush_is_the_big_one() -> None:
    # 0.68 : 0.32 of two flushes by mass (P. fossulatus on rice straw, abstract: BE 30.8 and 14.6 %)
    for profile in STRAINS:
        first, second, third = profile.flush_shares
        assert first / (first + second) == pytest.approx(0.68, abs=0.03)
        assert first > second > third


def test_pearl_caps_double_daily_and_then_flatten() -> None:
    # doubling daily in the second week: common practice, no source
    sizes = [growth.size(day, growing_days=5) for day in range(6)]
    ratios = [later / sooner for sooner, later in pairwise(sizes)]
    assert ratios[0] == pytest.approx(2, abs=0.01)
    assert ratios[-1] < 1.1
    assert sizes[-1] == pytest.approx(growth.mass.GROWN)
    assert ratios == sorted(ratios, reverse=True)


def test_published_cap_diameters_are_logistic_too() -> None:
    # x2.855, 1.822, 1.294, 1.038 over days 5-9, product about 7.0: Ryu & Na 2023, J. Mushrooms 21(4):254-260
    published = [2.855, 1.822, 1.294, 1.038]
    assert math.prod(published) == pytest.approx(7.0, abs=0.02)
    best = min(
        max(
            abs(growth.size(day + 1, growing_days=span) / growth.size(day, growing_days=span) - ratio)
            for day, ratio in zip(np.arange(4) + shift, published, strict=True)
        )
        for span in np.arange(2, 8, 0.1)
        for shift in np.arange(-4, 4, 0.1)
    )
    assert best < 0.15


@pytest.mark.parametrize("profile", STRAINS)
def test_profiles_survive_storage(profile: StrainProfile) -> None:
    assert StrainProfile.from_data(json.loads(json.dumps(profile.as_data()))) == profile


def test_a_profile_without_the_newer_numbers_gets_their_defaults() -> None:
    data = PEARL.as_data()
    del data["trim_loss"], data["picking_concentration"]
    assert StrainProfile.from_data(data).trim_loss == 0.05


@pytest.mark.parametrize(
    ("change", "where", "sentence"),
    [
        ({"flush_shares": [0.6, 0.3, 0.2]}, "flush_shares", "sum to 1.1"),
        ({"flush_shares": [0.6, 0.4]}, "flush_shares", "3 flushes"),
        ({"flush_shares": [0.6, 0.4, 0]}, "flush_shares", "above 0"),
        ({"picking_shares": "half"}, "picking_shares", "list of numbers"),
        ({"efficiency_pct": 0}, "efficiency_pct", "at most 300"),
        ({"efficiency_pct": True}, "efficiency_pct", "must be a number"),
        ({"efficiency_pct": float("nan")}, "efficiency_pct", "must be a number"),
        ({"pinning": {"mean_days": -1, "cv": 0.2, "weight": 4}}, "pinning.mean_days", "more than 0"),
        ({"pinning": {"mean_days": 7, "cv": 0.2}}, "pinning", "weight must be given"),
        ({"pinning": 7}, "pinning", "must be an object"),
        ({"fruiting": {"t_min": 20, "t_opt": 10, "t_max": 30}}, "fruiting", "must rise"),
        ({"fruiting_reference_c": 40}, "", "must lie between"),
        ({"grades": [["kit", 1.0]]}, "grades", "can be called 'kit'"),
        ({"grades": [["a", 0.5], ["a", 0.5]]}, "grades", "name of its own"),
        ({"grades": [["a"]]}, "grades.0", "pair"),
        ({"loss": [0, 3]}, "loss", "above 0"),
        ({"bag_cv": -0.1}, "bag_cv", "at least 0"),
        ({"trim_loss": 1}, "trim_loss", "below 1"),
        ({"colour": "grey"}, "", "colour is not known here"),
    ],
)
def test_impossible_profiles_are_refused_with_a_sentence(change: dict[str, object], where: str, sentence: str) -> None:
    with pytest.raises(Invalid) as caught:
        StrainProfile.from_data(PEARL.as_data() | change)
    assert sentence in caught.value.sentence
    assert caught.value.where == where


def test_an_opened_crop_cannot_still_colonise() -> None:
    with pytest.raises(Invalid, match="past colonising"):
        CropState("crop:1", 1, 1, 10, 800, Stage.COLONISING, 1, 3.0, 1.0)


# Learning


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


# Draws


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
