"""The naive rivals: what their makers would write on the wall, by hand and as the invented farms know them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from bench.farms import grower, trial
from fulfilment.core.forecast import by_profile, by_weekday, weekdays_from
from fulfilment.core.growth import PEARL, PINK, CropState, Stage, learn
from fulfilment.core.growth.diaries import states
from fulfilment.core.units import Goods
from tests.core.test_forecast import PEARL_ID, PINK_ID, batch, crop

MAY = date(2026, 5, 1)
A, B = Goods(PEARL_ID, "a"), Goods(PEARL_ID, "b")
PROFILES = {PEARL_ID: PEARL, PINK_ID: PINK}


def said(*crops: CropState, days: int = 60) -> list[float]:
    """Both grades together."""
    found = by_profile(crops, profiles=PROFILES, days=days)
    return [float(grams) for grams in found[A] + found[B]]


def test_the_worked_example() -> None:
    """10 bags of 800 g at 60 %, first share 0.58, 5 % trimmed: 2,645 g, a fifth of it first; pins two days ago."""
    found = said(crop(bags=10, stage=Stage.GROWING, since=2), days=12)
    assert found[:3] == [0, 0, 0]
    assert found[3:7] == pytest.approx([529, 1_058, 793, 264], abs=1)
    assert found[7:] == [0] * 5


def test_grades_by_the_profiles_shares_and_every_strain_has_its_rows() -> None:
    found = by_profile([crop(stage=Stage.GROWING)], profiles=PROFILES, days=20)
    assert set(found) == {A, B, Goods(PINK_ID, "a"), Goods(PINK_ID, "b")}
    assert found[B] == pytest.approx(found[A] * 0.15 / 0.85)
    assert not found[Goods(PINK_ID, "a")].any()


@pytest.mark.parametrize(
    ("state", "first"),
    [
        (crop(stage=Stage.PINNING), 12),
        (crop(stage=Stage.PINNING, since=3), 9),
        (crop(stage=Stage.PINNING, since=9), 5),
        (crop(stage=Stage.GROWING, since=8), 0),
        (crop(stage=Stage.RESTING, since=4), 18),
        (crop(stage=Stage.RESTING, since=14), 12),
        (batch(since=4), 26),  # 13.5 days of the run are left, one until it is opened
        (batch(stage=Stage.PINNING, since=30), 13),
        (batch(stage=Stage.PINNING, opens_in=5), 17),
    ],
)
def test_the_first_mushrooms_come_on_the_profiles_own_day_and_a_late_crop_is_moved_on(
    state: CropState, first: int
) -> None:
    """Run 17.5 days, pins 7, growing 5, rest 10: the pearl profile's means."""
    assert int(np.flatnonzero(said(state))[0]) == first


def test_all_three_flushes_come_and_no_more() -> None:
    found = said(crop(bags=10, stage=Stage.GROWING), days=120)
    assert sum(found) == pytest.approx(10 * 800 * 0.6 * 0.95)
    assert np.flatnonzero(np.diff(np.array(found) > 0)).size == 6, "three runs of days"
    third = said(crop(bags=10, stage=Stage.RESTING, flush=3), days=120)
    assert sum(third) == 0


def test_of_a_flush_being_picked_only_the_days_to_come_count() -> None:
    found = said(crop(bags=10, stage=Stage.PICKING, picking_day=2), days=6)
    assert found == pytest.approx([793, 264, 0, 0, 0, 0], abs=1)
    found = said(crop(bags=10, stage=Stage.PICKING, picking_day=2, picked_today=True), days=6)
    assert found == pytest.approx([0, 264, 0, 0, 0, 0], abs=1)


def test_nothing_that_was_learned_and_no_temperature_moves_it() -> None:
    plain = crop(stage=Stage.PINNING, since=3)
    assert said(replace(plain, pace=0.4, elapsed=1.0, looked=0.5)) == said(plain)


def test_the_mean_of_a_weekday_is_made_of_the_last_four_that_were_known() -> None:
    picked = {MAY - timedelta(days=back): 1_000 * back for back in range(1, 60)}
    found = by_weekday(picked, today=MAY, days=15)
    assert found[1] == 1_000 * np.mean([6, 13, 20, 27])
    assert found[6] == 1_000 * np.mean([1, 8, 15, 22])
    assert found[7] == 1_000 * np.mean([7, 14, 21, 28]), "today itself is not known this morning"
    assert found[14] == found[7]
    oldest = weekdays_from(MAY)
    assert by_weekday({day: g for day, g in picked.items() if day >= oldest}, today=MAY, days=15).tolist() == (
        found.tolist()
    )
    assert by_weekday({MAY: 9_000, MAY + timedelta(days=1): 9_000}, today=MAY, days=15).sum() == 0
    assert by_weekday({MAY - timedelta(days=6): 400}, today=MAY, days=2)[1] == 100, "a day without a harvest is nought"


@pytest.mark.parametrize("seed", [3, 4])
def test_they_are_the_rivals_of_the_invented_farms(seed: int) -> None:
    """Two programs, one definition: where the log says what a crop does, to the gram.

    A flush whose end nobody wrote down is taken to be over by ours and not by the other, so such crops are left out.
    """
    farm = grower.live(seed, days=120)
    for morning in (60, 90, 115):
        today, climate = grower.on(morning), grower.climate(farm, morning=morning)
        for strain, profile in enumerate(trial.PROFILES):
            own = grower.diaries(farm, strain=strain, morning=morning)
            found = states(
                own, strain_id=strain, knowledge=learn(profile), fruiting_rooms=[profile.fruiting_reference_c],
                climate=climate, today=today,
            )  # fmt: skip
            stages = {f"crop:{each.crop_id}": each.stage for batch_ in own for each in batch_.crops}
            unlike = {each.batch_id for each in found if not each.unopened and stages[each.key] is not each.stage}
            kept = [each for each in farm.batches if each.number not in unlike]
            theirs = trial.naive(replace(farm, batches=kept), morning=morning)
            ours = by_profile(
                [each for each in found if each.batch_id not in unlike], profiles={strain: profile}, days=trial.HORIZON
            )
            assert sum(ours.values()) == pytest.approx(theirs["handbook"][strain])
            picked = {
                grower.on(day): int(grams) for day, grams in enumerate(farm.picked[strain]) if grams and day < morning
            }
            weekdays = by_weekday(picked, today=today, days=trial.HORIZON)
            assert weekdays == pytest.approx(theirs["weekday"][strain])
