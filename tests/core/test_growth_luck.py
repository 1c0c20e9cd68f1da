"""What a batch and its crops have shown, and what a farm's way of keeping its log says, as the forecast uses it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from fulfilment.core.forecast import forecast
from fulfilment.core.forecast.worlds import batch_world, strain_world
from fulfilment.core.growth import PEARL, CropState, FlushLog, Knowledge, Stage, StageLog, learn

TODAY = date(2026, 5, 4)
RESTING = CropState(
    key="crop:1", batch_id=1, strain_id=1, bags=20, dry_g_per_bag=800, stage=Stage.RESTING, flush=1, elapsed=8, pace=1
)
PINNING = replace(RESTING, stage=Stage.PINNING, elapsed=12)


def mean_of(crop: CropState, knowledge: Knowledge, *, days: int = 35) -> float:
    found = forecast([crop], knowledge={1: knowledge}, today=TODAY, days=days, scenarios=2_000, seed=3)
    return float(sum(amounts.sum(axis=1).mean() for amounts in found.supplies.values()))


def gave(percent_of_due: int, *, crop: str = "crop:1") -> tuple[FlushLog, ...]:
    due = 20 * 800 * PEARL.efficiency_pct / 100 * PEARL.flush_shares[0]
    return (FlushLog(1, 16_000, round(due * percent_of_due / 100), bags=20, crop=crop),)


def test_a_crop_that_gave_much_is_expected_to_give_much_again() -> None:
    known = learn(PEARL)
    lean, rich = (mean_of(replace(RESTING, gave=gave(percent)), known) for percent in (70, 130))
    assert lean < mean_of(RESTING, known) < rich


def test_a_sister_crop_tells_less_than_the_crops_own_flush() -> None:
    known = learn(PEARL)
    own = mean_of(replace(RESTING, gave=gave(130)), known)
    sister = mean_of(replace(RESTING, gave=gave(130, crop="crop:2")), known)
    assert mean_of(RESTING, known) < sister < own


def test_a_slow_batch_stays_slow_by_the_normal_laws_conditionals() -> None:
    strain = strain_world(learn(PEARL), strain_id=1, scenarios=20_000, seed=5)
    mu, sigma = strain.times[Stage.PINNING]
    shown = (StageLog(Stage.PINNING, 11.0, ended=True),)
    batch = batch_world(1, strain=strain, scenarios=20_000, seed=5, shown=shown)
    luck = (batch.times[Stage.PINNING][0] - mu) / sigma
    late = (np.log(11.0) - mu) / sigma
    share = PEARL.batch_share
    assert (luck - share * late).mean() == pytest.approx(0, abs=0.02)
    assert (luck - share * late).var() == pytest.approx(share * (1 - share), rel=0.05)


def test_pins_may_have_come_where_nobody_looked() -> None:
    known = learn(PEARL, pins_written=[True] * 8 + [False] * 4)
    looked_yesterday = mean_of(replace(PINNING, looked=12.0), known, days=3)
    not_for_days = mean_of(replace(PINNING, looked=5.0), known, days=3)
    assert mean_of(PINNING, known, days=3) == looked_yesterday < not_for_days


def test_what_was_left_yesterday_hangs_there_today() -> None:
    known = learn(PEARL)
    known = replace(known, skipped=0.2)
    picking = replace(RESTING, stage=Stage.PICKING, elapsed=2, picking_day=2, picked_g=1_500)
    assert mean_of(replace(picking, missed=1), known, days=1) > mean_of(picking, known, days=1)


def test_a_farm_that_lets_batches_wait_is_believed_to() -> None:
    batch = CropState(
        key="batch:1",
        batch_id=1,
        strain_id=1,
        bags=20,
        dry_g_per_bag=800,
        stage=Stage.PINNING,
        flush=1,
        elapsed=0,
        pace=1,
    )
    at_once = forecast([batch], knowledge={1: learn(PEARL)}, today=TODAY, days=5, scenarios=500, seed=3)
    waits = forecast([batch], knowledge={1: learn(PEARL, waits=[4] * 20)}, today=TODAY, days=5, scenarios=500, seed=3)
    assert at_once.outlooks["batch:1"].opened_on == TODAY
    assert waits.outlooks["batch:1"].opened_on == date(2026, 5, 8)


def test_flush_shares_are_told_within_crops() -> None:
    logs = []
    for place, luck in enumerate((0.6, 0.8, 1.0, 1.3, 1.7)):
        for flush, share in enumerate((0.5, 0.3, 0.2), start=1):
            if flush == 1 or luck < 1.1:  # the good crops have not come further yet
                logs.append(FlushLog(flush, 16_000, round(16_000 * luck * share), bags=20, crop=f"crop:{place}"))
    found = learn(PEARL, flushes=logs)
    shares = np.array(found.flushes) / sum(found.flushes)
    assert shares == pytest.approx([0.5, 0.3, 0.2], abs=0.03)
    assert found.flush_spread < 0.1


def test_pins_seen_late_are_followed_by_a_short_growing_stage() -> None:
    rng = np.random.default_rng(1)
    late = rng.integers(0, 3, 60)
    pairs = [(7.0 + day, 6.0 - day) for day in late]
    assert learn(PEARL, pairs=pairs).follows < -0.7
    assert learn(PEARL).follows == 0
