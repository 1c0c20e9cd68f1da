"""Why a crop is expected when it is: the numbers are the diary's and what was learned, and they fit the dates."""

from __future__ import annotations

import json
import math
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from fulfilment.core.forecast import Code, Outlook, Reason, forecast, reason
from fulfilment.core.growth import (
    PEARL,
    CropState,
    Drift,
    Knowledge,
    PickingLog,
    Signs,
    Stage,
    StageLog,
    StagePrior,
    learn,
    stage_posterior,
)
from fulfilment.core.growth.diaries import BatchDiary, CropDiary, Place, states
from fulfilment.core.growth.draws import uniforms

MAY = date(2026, 5, 1)
KNOWN = learn(PEARL)
TAUGHT = learn(PEARL, stages=[StageLog(Stage.GROWING, days, True) for days in (5, 6, 6, 6, 7) * 8])


def state(stage: Stage = Stage.GROWING, *, key: str = "crop:1", **changes: object) -> CropState:
    fields = {
        "key": key, "batch_id": 1, "strain_id": 1, "bags": 40, "dry_g_per_bag": 800, "stage": stage, "flush": 1,
        "elapsed": 3.0, "pace": 1.0, "since": 3, "signs": Signs(celsius=16.0),
    }  # fmt: skip
    return CropState(**(fields | changes))  # type: ignore[arg-type]  # fields of CropState by name


def of(crop: CropState, known: Knowledge = KNOWN) -> Reason:
    found = reason(crop, knowledge=known, today=MAY)
    assert found is not None
    return found


# ---- How long a stage takes -----------------------------------------------------------------------------------------


@settings(max_examples=20, deadline=None)
@given(days=st.lists(st.floats(3, 20), max_size=12), level=st.sampled_from([0.1, 0.5, 0.9]))
def test_what_a_new_one_takes_is_a_student_t_while_none_is_running(days: list[float], level: float) -> None:
    # posterior predictive of the normal with unknown mean and variance: scipy.stats, test only
    prior = StagePrior(mean_days=7, cv=0.3, weight=6)
    s0 = math.sqrt(math.log1p(prior.cv**2))
    m0, n, w = math.log(7) - s0**2 / 2, len(days), prior.weight
    x = np.log(np.array(days)) if days else np.zeros(0)
    mean = x.mean() if n else m0
    scale2 = (w * s0**2 + ((x - mean) ** 2).sum() + w * n / (w + n) * (mean - m0) ** 2) / (w + n)
    exact = stats.t(df=w + n, loc=(w * m0 + n * mean) / (w + n), scale=math.sqrt(scale2 * (1 + 1 / (w + n))))
    found = stage_posterior(prior, [StageLog(Stage.PINNING, day, True) for day in days]).takes(level)
    assert found == pytest.approx(math.exp(exact.ppf(level)), rel=0.02)


def test_it_is_what_the_scenarios_draw() -> None:
    logs = [StageLog(Stage.PINNING, 8, True)] * 3 + [StageLog(Stage.PINNING, 10, False)] * 2
    posterior = learn(PEARL, stages=logs).pinning
    numbers = uniforms(4, kind="t", name=1, scenarios=40_000, slots=3)
    mu, sigma = posterior.draw(numbers[:2])
    drawn = np.exp(mu + sigma * stats.norm.ppf(numbers[2]))
    for level in (0.1, 0.5, 0.9):
        assert (drawn <= posterior.takes(level)).mean() == pytest.approx(level, abs=0.01)


# ---- The reason -----------------------------------------------------------------------------------------------------


def test_the_farms_own_crops_say_how_long_and_how_many_they_were() -> None:
    found = of(state(), TAUGHT)
    assert (found.code, found.since, found.own) == (Code.PINS_SEEN, MAY - timedelta(days=3), 40)
    assert found.takes_days == (5, 7)
    assert of(state()).own == 0, "nothing logged: the handbook's"


def test_of_picking_the_flushes_that_are_over_are_counted() -> None:
    crop = state(Stage.PICKING)
    assert (of(crop).takes_days, of(crop).own) == ((4, 4), 0)
    assert of(crop, learn(PEARL, pickings=[PickingLog(10, (500, 900, 300))] * 3)).own == 3


def test_at_half_the_pace_it_takes_twice_as_long() -> None:
    low, high = of(state()).takes_days or (0, 0)
    assert of(state(pace=0.5)).takes_days == pytest.approx((2 * low, 2 * high), abs=1)
    still = of(state(pace=0.0))
    assert (still.takes_days, still.still) == (None, True)


@pytest.mark.parametrize(
    ("crop", "code", "since"),
    [
        (state(Stage.PINNING), Code.OPENED, 3),
        (state(Stage.PINNING, flush=2), Code.WATERED, 3),
        (state(Stage.GROWING), Code.PINS_SEEN, 3),
        (state(Stage.PICKING), Code.PICKED, 3),
        (state(Stage.RESTING), Code.PICKED_OUT, 3),
        (state(Stage.RESTING, signs=Signs(unsaid=True)), Code.OVER_UNSAID, 3),
        (state(Stage.COLONISING, key="batch:1", since=8), Code.MIXED, 8),
        (state(Stage.PINNING, key="batch:1", since=2), Code.GROWN_THROUGH, 2),
    ],
)
def test_every_stage_has_its_code_and_the_day_it_began(crop: CropState, code: Code, since: int) -> None:
    assert (of(crop).code, of(crop).since) == (code, MAY - timedelta(days=since))


def test_what_is_over_has_no_reason() -> None:
    assert reason(state(Stage.FINISHED), knowledge=KNOWN, today=MAY) is None


def test_a_slow_batch_is_told_and_a_quick_one_too() -> None:
    slow = state(shown=(StageLog(Stage.GROWING, 9, True), StageLog(Stage.GROWING, 9, True)))
    quick = state(shown=(StageLog(Stage.GROWING, 2.5, True),) * 2)
    other = state(shown=(StageLog(Stage.PINNING, 15, True), StageLog(Stage.GROWING, 15, False)))
    assert of(slow).batch_days >= 1
    assert of(quick).batch_days <= -1
    assert of(other).batch_days == 0


def test_waits_are_told_where_the_farm_waits() -> None:
    batch = state(Stage.COLONISING, key="batch:1", opens_in=4)
    assert of(batch).waits_days is None
    assert of(batch).opens_on == MAY + timedelta(days=4)
    waits = of(batch, learn(PEARL, waits=[0, 1, 2, 2, 3, 3, 3, 5, 9, 9])).waits_days
    assert waits is not None
    assert waits[0] <= 1 < 5 <= waits[1] <= 9


@pytest.mark.parametrize("known", [KNOWN, TAUGHT])
@pytest.mark.parametrize("pace", [1.0, 0.7])
@pytest.mark.parametrize("stage", [Stage.PINNING, Stage.GROWING, Stage.RESTING])
def test_a_stage_begun_today_is_expected_when_its_reason_says(known: Knowledge, pace: float, stage: Stage) -> None:
    crop = state(stage, elapsed=0.0, since=0, pace=pace)
    found = forecast([crop], knowledge={1: known}, today=MAY, scenarios=4_000, seed=1).outlooks["crop:1"]
    assert found.reason is not None
    assert found.reason.takes_days is not None
    early, _, late = ((day - MAY).days for day in found.next_on)
    assert found.reason.takes_days == pytest.approx((early, late), abs=1)


# ---- The room -------------------------------------------------------------------------------------------------------


def hangs(readings: dict[date, float], *, days: int = 10, set_point: float = 16.0) -> CropState:
    crop = CropDiary(
        crop_id=1, opened_on=MAY - timedelta(days=days), place=Place(1, set_point), bags=10, bags_lost=0,
        stage=Stage.PINNING, stage_since=MAY - timedelta(days=days), flush=1,
    )  # fmt: skip
    batch = BatchDiary(
        batch_id=1, mixed_on=MAY - timedelta(days=40), place=Place(2, 22), bags=10, bags_lost=0, bags_left=0,
        dry_g_per_bag=800, colonised_on=MAY - timedelta(days=days), crops=[crop],
    )  # fmt: skip
    (found,) = states(
        [batch], strain_id=1, knowledge=KNOWN, fruiting_rooms=[set_point], climate={1: readings}, today=MAY
    )
    return found


def readings(*celsius: float, until: int = 1) -> dict[date, float]:
    """The last of them ``until`` days before today."""
    return {MAY - timedelta(days=until + back): each for back, each in enumerate(reversed(celsius))}


def test_a_cool_week_costs_the_days_that_its_temperatures_say() -> None:
    lived = PEARL.fruiting.rate(13, reference=16)
    drift = hangs(readings(*[13.0] * 7)).signs.drift
    assert drift is not None
    assert drift.days == 7
    assert drift.late_days == pytest.approx(7 * (1 - lived))
    assert drift.late_in_all == pytest.approx(drift.late_days)


def test_what_was_lost_before_the_last_week_is_told_in_all() -> None:
    found = hangs(readings(*[10.0] * 3, *[16.0] * 7))
    drift = found.signs.drift
    assert drift is not None
    assert drift.late_days == pytest.approx(0, abs=1e-9)
    assert drift.late_in_all == pytest.approx(10 - found.elapsed / found.pace)
    assert of(found).drift == drift


def test_a_room_that_kept_its_temperature_or_was_not_read_is_not_spoken_of() -> None:
    assert hangs({}).signs.drift is None
    assert of(hangs(readings(*[16.0] * 7))).drift is None
    assert hangs(readings(13.0), set_point=2).signs.drift is None, "nothing moves at the set point"


def test_the_dates_move_by_what_the_reason_says() -> None:
    even, cool = hangs({}, days=3), hangs(readings(*[8.0] * 3), days=3)
    drift = cool.signs.drift
    assert drift is not None
    assert drift.late_days > 1
    middles = [
        forecast([crop], knowledge={1: KNOWN}, today=MAY, scenarios=4_000, seed=1).outlooks["crop:1"].next_on[1]
        for crop in (even, cool)
    ]
    assert (middles[1] - middles[0]).days == pytest.approx(drift.late_days, abs=0.6)


# ---- Kept -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "kept",
    [
        Reason(Code.OPENED, MAY),
        Reason(
            Code.MIXED, MAY, flush=1, celsius=22.0, takes_days=(16, 20), own=3, seen_on=MAY, part="half",
            picked_out_on=MAY, waits_days=(0, 3), opens_on=MAY, batch_days=-1, drift=Drift(7, -3.0, 2.1, 2.5),
            still=True,
        ),
    ],
)  # fmt: skip
def test_a_reason_survives_storage(kept: Reason) -> None:
    assert Reason.from_data(json.loads(json.dumps(kept.as_data()))) == kept


def test_an_outlook_from_before_reasons_were_kept_has_none() -> None:
    assert Reason.from_data(None) is None
    kept = Outlook("crop:1", Stage.PICKING, (MAY, MAY, MAY), (1, 2, 3)).as_data()
    assert (kept["reason"], kept["delay"]) == (None, None)
