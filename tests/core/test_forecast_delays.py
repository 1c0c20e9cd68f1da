"""What picking a day earlier costs: the growth curve, and the cost over scenarios."""

from __future__ import annotations

import math
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fulfilment.core.forecast import DelayCost, delay_cost, forecast
from fulfilment.core.forecast.delays import NOTHING, PLATEAU, POWERS
from fulfilment.core.growth import PEARL, CropState, Stage, learn, mass_before, size
from fulfilment.core.growth.mass import GROWN

MAY = date(2026, 5, 1)


def cost(
    *, ripe_on: int | list[int] = 3, grams: int | list[int] = 3_000, elapsed: float = 2.0, pace: float = 1.0
) -> DelayCost:
    days = np.broadcast_to(np.array(ripe_on, dtype=np.int64), (300,)) if isinstance(ripe_on, int) else np.array(ripe_on)
    whole = np.broadcast_to(np.array(grams, dtype=np.int64), days.shape)
    found = delay_cost(whole, ripe_on=days, elapsed=elapsed, pace=pace, today=MAY)
    assert found is not None
    return found


def shares(early: list[float], *, growing_days: float, power: float) -> list[float]:
    return [
        float(each) for each in mass_before(np.array(early), growing_days=np.array(growing_days), power=np.array(power))
    ]


# ---- The curve ------------------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(span=st.floats(2, 60), power=st.floats(2, 3), early=st.lists(st.floats(0, 60), min_size=1, max_size=8))
def test_mass_is_the_size_at_that_day_to_its_power(span: float, power: float, early: list[float]) -> None:
    for each, share in zip(early, shares(early, growing_days=span, power=power), strict=True):
        assert share == pytest.approx((size(span - each, growing_days=span) / GROWN) ** power, rel=2e-3, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(span=st.floats(2, 60), power=st.floats(2, 3))
def test_what_a_day_brings_falls_to_nothing_at_the_plateau_and_the_days_sum_to_the_whole(
    span: float, power: float
) -> None:
    days = [float(day) for day in range(math.ceil(span) + 3)]
    masses = shares(days, growing_days=span, power=power)[::-1]
    assert masses[-1] == 1
    # in proportion to what hangs there, a day brings less and less
    growth = [later / sooner for sooner, later in pairwise(masses)]
    assert all(later <= sooner * (1 + 1e-9) for sooner, later in pairwise(growth))
    # in grams too from the day on which half of it is grown
    gains = [later - sooner for sooner, later in pairwise(masses) if sooner >= 0.5]
    assert all(later <= sooner + 1e-9 for sooner, later in pairwise(gains))
    assert masses[0] + sum(np.diff(masses)) == pytest.approx(1)
    assert shares([0.0, -1.0, -5.0], growing_days=span, power=power) == [1, 1, 1]


def test_the_last_day_before_ripe_grows_as_little_as_published_caps_do() -> None:
    # cap diameter x1.038 on the last day, x1.294 on the one before: Ryu & Na 2023, J. Mushrooms 21(4):254-260.
    # The diameter, not the mass: it is compared with the size, and the mass lies between its square and its cube.
    last = size(5, growing_days=5) / size(4, growing_days=5)
    assert last == pytest.approx(1.038, abs=0.02)
    (_, before) = shares([0.0, 1.0], growing_days=5, power=2.5)
    assert 1 / 1.038**3 - 0.05 < before < 1 / 1.038**2 + 0.01


# ---- The cost -------------------------------------------------------------------------------------------------------


def test_the_worked_example() -> None:
    found = cost()
    assert found.now_g[1] == pytest.approx(1_044, abs=15)
    assert [mean for _, mean, _ in found.waits] == pytest.approx([937, 677, 342], abs=15)
    assert found.full_on == MAY + timedelta(days=3)
    assert found.wait(MAY) == found.waits[0]
    assert found.wait(found.full_on) == found.wait(MAY - timedelta(days=1)) == NOTHING


def test_a_crop_at_the_plateau_gains_nothing() -> None:
    found = cost(ripe_on=0, elapsed=9)
    assert (found.waits, found.full_on, found.now_g) == ((), MAY, (3_000, 3_000, 3_000))


@settings(max_examples=40, deadline=None)
@given(
    middle=st.floats(2, 9), spread=st.floats(0, 0.5), elapsed=st.floats(0, 6), pace=st.floats(0.3, 1.5),
    seed=st.integers(0, 99),
)  # fmt: skip
def test_waits_are_never_a_loss_and_add_up_to_the_flush(
    middle: float, spread: float, elapsed: float, pace: float, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    ripe_on = np.maximum(np.round(middle * np.exp(spread * rng.standard_normal(400)) - elapsed), 0).astype(np.int64)
    grams = np.round(3_000 * np.exp(0.3 * rng.standard_normal(400))).astype(np.int64)
    found = delay_cost(grams, ripe_on=ripe_on, elapsed=elapsed, pace=pace, today=MAY)
    assert found is not None
    assert all(0 <= low <= high and mean >= 0 for low, mean, high in found.waits)
    told = found.now_g[1] + sum(mean for _, mean, _ in found.waits)
    assert told <= grams.mean() + 1
    # each of the few days after the plateau brings less than a hundredth
    days_after = max(int(ripe_on.max()) - len(found.waits), 0)
    assert told >= grams.mean() * (1 - PLATEAU * days_after) - 1


def test_a_crop_that_hardly_grows_or_gives_nothing_is_told_nothing_of() -> None:
    days, none = np.full(50, 40), np.zeros(50, dtype=np.int64)
    assert delay_cost(days, ripe_on=days, elapsed=1, pace=0.1, today=MAY) is None
    assert delay_cost(days, ripe_on=none, elapsed=1, pace=0.0, today=MAY) is None
    assert delay_cost(none, ripe_on=none, elapsed=1, pace=1.0, today=MAY) is None


def test_powers_lie_between_square_and_cube_and_fall_to_scenarios_evenly() -> None:
    assert POWERS.min() > 2
    assert POWERS.max() < 3
    assert POWERS.mean() == pytest.approx(2.5)
    # of a crop that weighs the same and is ripe on the same day in every scenario, only the power differs
    found = cost(ripe_on=[1] * 1_000, grams=[3_000] * 1_000, elapsed=4)
    kept = [(size(4, growing_days=5) / GROWN) ** power * 3_000 for power in POWERS]
    assert found.now_g == pytest.approx((min(kept), np.mean(kept), max(kept)), abs=3)


def test_it_survives_storage() -> None:
    assert DelayCost.from_data(cost().as_data()) == cost()
    assert DelayCost.from_data(None) is None


# ---- In the forecast ------------------------------------------------------------------------------------------------


def grows(**changes: object) -> CropState:
    fields = {
        "key": "crop:1", "batch_id": 1, "strain_id": 1, "bags": 40, "dry_g_per_bag": 800, "stage": Stage.GROWING,
        "flush": 1, "elapsed": 2.0, "pace": 1.0,
    }  # fmt: skip
    return CropState(**(fields | changes))  # type: ignore[arg-type]  # fields of CropState by name


def test_the_forecast_tells_it_of_growing_crops_and_of_its_own_flush() -> None:
    known = {1: learn(PEARL)}
    (growing,) = forecast([grows()], knowledge=known, today=MAY, scenarios=2_000, seed=1).outlooks.values()
    assert growing.delay is not None
    supplies = forecast([grows()], knowledge=known, today=MAY, days=20, scenarios=2_000, seed=1).supplies
    whole = sum(float(amounts.sum(axis=1).mean()) for amounts in supplies.values())
    told = growing.delay.now_g[1] + sum(mean for _, mean, _ in growing.delay.waits)
    assert told == pytest.approx(whole, rel=0.03)
    # nothing more comes about when the last of ten crops is first picked
    assert abs((growing.delay.full_on - growing.next_on[2]).days) <= 1
    for stage in (Stage.PINNING, Stage.PICKING, Stage.RESTING):
        (other,) = forecast([grows(stage=stage)], knowledge=known, today=MAY, scenarios=50, seed=1).outlooks.values()
        assert other.delay is None


def test_the_colder_the_room_the_less_a_days_wait_brings() -> None:
    known = {1: learn(PEARL)}
    warm, cool = (
        forecast([grows(pace=pace, elapsed=4.0)], knowledge=known, today=MAY, scenarios=2_000, seed=1).outlooks[
            "crop:1"
        ]
        for pace in (1.0, 0.5)
    )
    assert warm.delay is not None
    assert cool.delay is not None
    assert cool.delay.full_on > warm.delay.full_on
    assert cool.delay.waits[0][1] < warm.delay.waits[0][1]
