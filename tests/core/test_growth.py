"""Ada's strains: beliefs about them, and temperature."""

from __future__ import annotations

import json
import math
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fulfilment.core import growth
from fulfilment.core.growth import (
    GOLDEN,
    PEARL,
    PINK,
    Cardinal,
    CropState,
    Stage,
    StrainProfile,
    learn,
    physiological_days,
)
from fulfilment.core.growth.draws import (
    uniforms,
)
from fulfilment.core.problems import Invalid

STRAINS = [PEARL, PINK, GOLDEN]
MAY = date(2026, 5, 1)


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
    assert np.mean(np.exp(mu) > 0.9) > 0.01
    assert np.mean(np.exp(mu) < 0.4) > 0.01


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
