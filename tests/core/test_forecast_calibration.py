"""Whose forecasts do not hold, and why: on diaries of which it is known what is wrong with their forecast."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from scipy.stats import binom

from bench.farms import grower
from fulfilment.core.forecast import Cause, Flag, Outcome, coverage, deciles, flags, forecast, score
from fulfilment.core.growth import PEARL, PINK, Knowledge, Posterior
from fulfilment.core.growth.diaries import logs, states

MAY = date(2026, 5, 1)
DAYS = 56


def outcomes(places: Sequence[float], *, mean: float = 100.0, picked: int = 100) -> list[Outcome]:
    return [Outcome(MAY + timedelta(days=day), mean, picked, place) for day, place in enumerate(places)]


# ---- Coverage -------------------------------------------------------------------------------------------------------


def test_days_that_say_nothing_are_left_out_but_a_surprise_is_not() -> None:
    rows = outcomes([0.5, 0.05, 0.95])
    rows += [Outcome(MAY, 0.0, 0, 0.99), Outcome(MAY, 0.0, 400, 1.0), Outcome(MAY, 250.0, 0, 0.4)]
    assert coverage(rows) == (5, 2)
    assert coverage([]) == (0, 0)


def test_deciles_count_telling_days_and_the_last_one_is_closed() -> None:
    assert deciles(outcomes([0.0, 0.05, 0.1, 0.99, 1.0])) == (2, 1, 0, 0, 0, 0, 0, 0, 0, 2)
    assert deciles([Outcome(MAY, 0.0, 0, 0.5)]) == (0,) * 10


@pytest.mark.parametrize("days", [28, 40, 56])
def test_the_guard_is_the_binomial_tail_of_one_in_a_hundred(days: int) -> None:
    """Against scipy's own binomial distribution."""
    for inside in range(days + 1):
        rows = outcomes([0.5] * inside + [0.01] * (days - inside))
        share = inside / days
        tail = binom.cdf(inside, days, 0.8) if share < 0.8 else binom.sf(inside - 1, days, 0.8)
        assert bool(flags({7: rows})) == (not 0.7 <= share <= 0.9 and tail <= 0.01), inside


def test_fewer_than_four_weeks_of_days_are_too_few_to_say_so() -> None:
    assert not flags({7: outcomes([0.01] * 27)})
    assert flags({7: outcomes([0.01] * 28)})[7].inside == 0
    quiet = [Outcome(MAY + timedelta(days=50 + day), 0.0, 0, 0.5) for day in range(40)]
    assert not flags({7: outcomes([0.01] * 27) + quiet})


def test_an_honest_forecast_is_hardly_ever_flagged() -> None:
    rng = np.random.default_rng(5)
    flagged = sum(bool(flags({7: outcomes(rng.random(DAYS).tolist())})) for _ in range(1_000))
    assert flagged <= 20, "two tails of one in a hundred each, at most"


def test_the_words() -> None:
    assert Flag(50, 20, Cause.TIMES_EARLY, 1).sentence.endswith("about 1 day later than forecast.")
    assert Flag(50, 20, Cause.TIMES_LATE, 3).sentence.endswith("about 3 days earlier than forecast.")
    assert "30 % more than is picked" in Flag(50, 20, Cause.YIELDS_HIGH, 30).sentence
    assert len({Flag(50, 20, cause, 2).sentence for cause in Cause}) == len(Cause)


# ---- The cause, where crops come as we say --------------------------------------------------------------------------


def lived(
    seed: int,
    *,
    early: float = 0.0,
    level: float = 1.0,
    days: tuple[float, float] = (1.2, 1.2),
    yields: tuple[float, float] = (0.25, 0.25),
) -> list[Outcome]:
    """Eight weeks of crops some four days apart, each picked over four days, and their forecast.

    ``early`` days and ``level`` times are what is wrong with the forecast's middle; ``days`` and ``yields`` are the
    true spread and the one believed.
    """
    rng = np.random.default_rng([20, seed])
    due = np.cumsum(rng.uniform(2.5, 5.5, 30)) - 14
    stories = 300
    truth, said = np.zeros((1, DAYS)), np.zeros((stories, DAYS))
    for day in due:
        for array, spread, wide, shift, times in (
            (truth, days[0], yields[0], 0.0, 1.0),
            (said, days[1], yields[1], -early, level),
        ):
            rows = array.shape[0]
            first = np.floor(day + shift + spread * rng.normal(size=rows)).astype(int)
            grams = 4_000 * times * rng.lognormal(-(wide**2) / 2, wide, rows)
            for place, share in enumerate((0.2, 0.4, 0.3, 0.1)):
                on = first + place
                seen = (on >= 0) & (on < DAYS)
                array[np.flatnonzero(seen), on[seen]] += grams[seen] * share
    found = []
    for on in range(DAYS):
        picked = round(float(truth[0, on]))
        told = score(np.rint(said[:, on]), observed=picked, uniform=float(rng.random()))
        found.append(Outcome(MAY + timedelta(days=on), told.mean, picked, told.place))
    return found


@pytest.mark.parametrize(
    ("wrong", "cause"),
    [
        ({"early": 2, "days": (0.5, 0.5)}, Cause.TIMES_EARLY),
        ({"early": -2, "days": (0.5, 0.5)}, Cause.TIMES_LATE),
        ({"level": 1.8, "days": (0.3, 0.3), "yields": (0.1, 0.1)}, Cause.YIELDS_HIGH),
        ({"level": 0.5}, Cause.YIELDS_LOW),
        ({"days": (2.5, 0.4)}, Cause.TIMES_TOO_SURE),
        ({"yields": (0.9, 0.1), "days": (0.4, 0.4)}, Cause.YIELDS_TOO_SURE),
        ({"days": (0.2, 3.5)}, Cause.TIMES_TOO_UNSURE),
        ({"yields": (0.1, 1.2), "days": (0.3, 0.3)}, Cause.YIELDS_TOO_UNSURE),
    ],
)
def test_the_cause_is_told_where_it_is_known(wrong: dict[str, float], cause: Cause) -> None:
    """In twenty lives each: flagged in most of them, then mostly for what is wrong, seldom for the other of the two."""
    found = [flags({7: lived(seed, **wrong)}) for seed in range(20)]  # type: ignore[arg-type]  # by their names
    told = Counter(of[7].cause for of in found if of)
    assert told.total() >= 10, told
    assert told.most_common(1)[0][0] is cause, told
    noun = cause.partition("_")[0]
    assert sum(count for each, count in told.items() if each.startswith(noun)) >= 0.75 * told.total(), told


def test_days_and_percent_are_about_right() -> None:
    for wrong, size in (({"early": 2, "days": (0.5, 0.5)}, 2), ({"level": 0.5}, 50)):
        lives = [flags({7: lived(seed, **wrong)}) for seed in range(20)]
        assert np.median([of[7].size for of in lives if of]) == pytest.approx(size, abs=5 if size > 10 else 0)


def test_an_honest_life_is_left_alone() -> None:
    assert sum(bool(flags({7: lived(seed)})) for seed in range(40)) <= 2


def test_a_lead_that_does_not_show_it_asks_the_one_a_week_ahead() -> None:
    """A day ahead only the coverage is astray; the week ahead says that all comes two days late."""
    early = lived(1, early=2, days=(0.5, 0.5))
    sure = [replace(outcome, mean=float(outcome.picked), place=0.99) for outcome in early]
    assert flags({1: sure, 7: early})[1].cause is Cause.TIMES_EARLY
    assert flags({1: sure})[1].cause is not Cause.TIMES_EARLY


# ---- The cause, on the invented farms -------------------------------------------------------------------------------


def longer(factor: float) -> Callable[[Knowledge], Knowledge]:
    def believe(known: Knowledge) -> Knowledge:
        return replace(
            known, pinning=_moved(known.pinning, factor), growing=_moved(known.growing, factor),
            resting=_moved(known.resting, factor),
        )  # fmt: skip

    return believe


def richer(factor: float) -> Callable[[Knowledge], Knowledge]:
    return lambda known: replace(known, efficiency=_moved(known.efficiency, factor))


def _moved(posterior: Posterior, factor: float) -> Posterior:
    return replace(posterior, mu=posterior.mu + np.log(factor))


def week_ahead(seed: int, *, strain: int, believe: Callable[[Knowledge], Knowledge]) -> list[Outcome]:
    """What forecasts a week ahead made of eight weeks on a farm that learned well and then believes something wrong."""
    profile = (PEARL, PINK)[strain]
    farm = grower.live(seed, days=180)
    rng = np.random.default_rng(seed)
    found = []
    for morning in range(93, 93 + DAYS):
        today, climate = grower.on(morning), grower.climate(farm, morning=morning)
        own = grower.diaries(farm, strain=strain, morning=morning)
        known = believe(logs(own, profile=profile, climate=climate, today=today).teach(profile))
        crops = states(
            own, strain_id=1, knowledge=known, fruiting_rooms=[profile.fruiting_reference_c], climate=climate,
            today=today,
        )  # fmt: skip
        made = forecast(crops, knowledge={1: known}, today=today, days=8, scenarios=100, seed=seed)
        picked = int(farm.picked[strain][morning + 7])
        column = sum(array[:, 7].astype(np.int64) for array in made.supplies.values())
        told = score(column, observed=picked, uniform=float(rng.random()))
        found.append(Outcome(grower.on(morning + 7), told.mean, picked, told.place))
    return found


@pytest.mark.parametrize(
    ("believe", "seed", "strain", "cause"),
    [
        (longer(0.6), 3, 0, Cause.TIMES_EARLY),
        (longer(1.6), 3, 0, Cause.TIMES_LATE),
        (richer(0.4), 4, 0, Cause.YIELDS_LOW),
    ],
    ids=["early", "late", "too little"],
)
def test_the_cause_is_told_on_a_farm_that_believes_something_wrong(
    believe: Callable[[Knowledge], Knowledge], seed: int, strain: int, cause: Cause
) -> None:
    rows = week_ahead(seed, strain=strain, believe=believe)
    assert flags({7: rows})[7].cause is cause
