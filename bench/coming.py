"""The forecast at size: what the row ``forecast`` measures, and ``exact``.

The limit beside it is the bare drawing of the variates that this very forecast asks for, counted while it runs once:
so many normal deviates, so many even numbers, so many coarse ones for bags, by numpy's own generator into a buffer
that stays in the cache.  What the forecast costs beyond is keying, inverse distribution functions and everything that
is done with the numbers.

Exactness is against a sampler that shares no line with the forecast but what was learned: it follows every bag of a
farm of crops opened one after the other, puts each on its day, weighs it, loses it.  The distance of the daily 10th,
50th and 90th percentiles is told as a share of the mean day, averaged over the days; beside it what two runs of the
sampler alone would differ by.
"""

from __future__ import annotations

import tracemalloc
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import date
from typing import Any
from unittest.mock import patch

import numpy as np
from numpy.typing import NDArray

from bench.measure import Row, judged, ratio
from fulfilment.core.forecast import Forecast, forecast
from fulfilment.core.growth import FLUSHES, PEARL, CropState, FlushLog, Knowledge, Posterior, Stage, learn
from fulfilment.core.growth.draws import Numbers

TODAY = date(2026, 5, 4)
DAYS, SCENARIOS = 60, 1_000
DRAWS = 200_000
SIZES = (1, 2, 3, 5, 8, 11, 13, 20, 40, 60, 61, 120)
"""Bags a crop: down to the single one, about a dozen, and on both sides of where bags are no longer followed."""
_BLOCK = 16_000

Floats = NDArray[np.float64]


def crops(count: int, *, seed: int) -> list[CropState]:
    """Crops of all stages, ten to a batch; some partly picked, some with finished flushes, some unseen for days."""
    rng = np.random.default_rng(seed)
    stages = [Stage.PINNING, Stage.GROWING, Stage.PICKING, Stage.RESTING]
    found: list[CropState] = []
    gave: dict[int, list[FlushLog]] = defaultdict(list)
    for place in range(count):
        stage, flush, bags = stages[int(rng.integers(4))], int(rng.integers(1, 4)), int(rng.integers(3, 40))
        due = bags * 900 * PEARL.efficiency_pct / 100
        past = flush if stage is Stage.RESTING else flush - 1
        elapsed = float(rng.uniform(0, 4))
        found.append(
            CropState(
                key=f"crop:{place}",
                batch_id=place // 10,
                strain_id=1,
                bags=bags,
                dry_g_per_bag=900,
                stage=stage,
                flush=flush,
                elapsed=elapsed,
                pace=1.0,
                picking_day=int(elapsed) if stage is Stage.PICKING else 0,
                picked_g=round(due * PEARL.flush_shares[flush - 1] * elapsed / 5) if stage is Stage.PICKING else 0,
                looked=elapsed - 1 if stage is Stage.PINNING and elapsed > 3 else None,
            )
        )
        for number in range(1, past + 1):
            picked = round(due * PEARL.flush_shares[number - 1])
            gave[place // 10].append(FlushLog(number, bags * 900, picked, bags=bags, crop=f"crop:{place}"))
    told = {batch_id: tuple(logs) for batch_id, logs in gave.items()}
    return [replace(crop, gave=told.get(crop.batch_id, ())) for crop in found]


def _knowledge() -> dict[int, Knowledge]:
    return {1: learn(PEARL)}


# ---- Cost


@dataclass(slots=True)
class Tally:
    """How many variates of each kind a forecast asked for."""

    deviates: int = 0
    uniforms: int = 0
    coarse: int = 0

    def bare(self, seed: int) -> Callable[[], None]:
        """Drawing as many."""
        rng = np.random.default_rng(seed)
        buffer = np.empty(_BLOCK)

        def run() -> None:
            for _ in range(self.deviates // _BLOCK):
                rng.standard_normal(out=buffer)
            for _ in range(self.uniforms // _BLOCK):
                rng.random(out=buffer)
            for _ in range(self.coarse // _BLOCK):
                rng.integers(0, 2**16, size=_BLOCK, dtype=np.uint16)

        return run


def tally(work: Callable[[], object]) -> Tally:
    """What ``work`` draws."""
    found = Tally()
    with ExitStack() as counting:
        for method, field in (("deviate", "deviates"), ("uniform", "uniforms"), ("halves", "coarse")):
            counting.enter_context(patch.object(Numbers, method, _counted(getattr(Numbers, method), field, found)))
        work()
    return found


def _counted(method: Callable[..., Any], field: str, found: Tally) -> Callable[..., Any]:
    def run(*args: Any, **kwargs: Any) -> Any:
        given = method(*args, **kwargs)
        setattr(found, field, getattr(found, field) + given.size)
        return given

    return run


def forecasts(seed: int) -> Iterator[Row]:
    """300 and 3,000 crops × 1,000 scenarios × 60 days, what they need beside their result, what a crop's bags cost, and
    one harvest's replan against the whole.
    """
    knowledge = _knowledge()

    def whole(states: list[CropState], since: Forecast | None = None) -> Forecast:
        return forecast(
            states, knowledge=knowledge, today=TODAY, days=DAYS, scenarios=SCENARIOS, seed=seed, since=since
        )  # fmt: skip

    for count, rounds in ((300, 7), (3_000, 3)):
        states = crops(count, seed=seed)
        drawn = tally(lambda states=states: whole(states))  # type: ignore[misc]  # the loop's own list
        yield ratio(
            f"forecast {count:,}",
            lambda states=states: whole(states),  # type: ignore[misc]  # the loop's own list
            drawn.bare(seed),
            at_most=3,
            rounds=rounds,
        )
    states = crops(300, seed=seed)
    tracemalloc.start()
    made = whole(states)
    peak = tracemalloc.get_traced_memory()[1] / 2**20
    tracemalloc.stop()
    result = sum(amounts.nbytes for amounts in made.supplies.values()) / 2**20
    yield judged(
        "forecast 300, MiB above",
        [peak - result],
        goal="<= 16",
        kept=lambda value: value <= 16,
        note=f"{peak:.1f} MiB at most, {result:.1f} of it the result",
    )
    few, many = ([replace(crop, bags=bags // 300) for crop in states] for bags in (100_000, 1_000_000))
    yield ratio("forecast, 1e6 / 1e5 bags", lambda: whole(many), lambda: whole(few), at_most=1.1)
    place = next(place for place, crop in enumerate(states) if crop.stage is Stage.PICKING)
    picked = list(states)
    picked[place] = replace(states[place], picked_g=states[place].picked_g + 1_500, picked_today=True)
    yield ratio("replan one crop of 300", lambda: whole(picked, since=made), lambda: whole(picked), at_most=0.1)


# ---- Exactness


def exact(seed: int) -> Iterator[Row]:
    """At 200,000 draws the percentiles of each day against the bag-by-bag sampler's, at any size of crop."""
    for bags in SIZES:
        count = max(24, 60 // bags) if bags <= 20 else 12
        opens = [round(place * 24 / count) for place in range(count)]
        halves = [_by_bag(bags, opens, draws=DRAWS // 2, seed=half + seed) for half in (10, 20)]
        slow = np.concatenate(halves)
        mean_day = float(slow.mean(axis=0)[slow.mean(axis=0) > 0].mean())
        states = [
            CropState(
                key=f"batch:{place}", batch_id=place // 3, strain_id=1, bags=bags, dry_g_per_bag=800,
                stage=Stage.PINNING, flush=1, elapsed=0.0, pace=1.0, opens_in=day,
            )
            for place, day in enumerate(opens)
        ]  # fmt: skip
        made = forecast(states, knowledge=_knowledge(), today=TODAY, days=45, scenarios=DRAWS, seed=seed)
        ours = np.asarray(sum(made.supplies.values(), start=np.int32(0)))
        apart = np.abs(_percentiles(ours) - _percentiles(slow)) / mean_day * 100
        noise = np.abs(_percentiles(halves[0]) - _percentiles(halves[1])) / mean_day * 100 / 2**0.5
        worst = int(apart.mean(axis=1).argmax())
        yield judged(
            f"exact, {bags} bags a crop",
            [float(apart.mean(axis=1)[worst])],
            goal="<= 1 %",
            kept=lambda value: value <= 1,
            note=f"noise {noise.mean(axis=1)[worst]:.2f} %; largest day {apart.max():.1f} %, noise {noise.max():.1f} %",
        )


def _percentiles(grams: NDArray[Any]) -> Floats:
    return np.asarray(np.percentile(grams, [10, 50, 90], axis=0))


def _cells(posterior: Posterior, rng: np.random.Generator, draws: int) -> tuple[Floats, Floats]:
    """mu and sigma by the grid's weights, even within a cell."""
    cells = rng.choice(posterior.weights.size, p=posterior.weights.ravel(), size=draws)
    row, column = np.unravel_index(cells, posterior.weights.shape)
    aside = rng.random((2, draws)) - 0.5
    mu = posterior.mu[column] + aside[0] * (posterior.mu[1] - posterior.mu[0])
    log_sigma = posterior.log_sigma[row] + aside[1] * (posterior.log_sigma[1] - posterior.log_sigma[0])
    return mu, np.exp(log_sigma)


def _by_bag(bags: int, opens: list[int], *, draws: int, seed: int) -> Floats:
    """[draw, day] grams of crops of so many bags, three to a batch, each opened on its day, over two flushes."""
    known, days = _knowledge()[1], 45
    profile, rng = known.profile, np.random.default_rng(seed)
    times = [_cells(each, rng, draws) for each in (known.pinning, known.growing, known.resting)]
    efficiency, spread = _cells(known.efficiency, rng, draws)
    flushes = rng.dirichlet(known.flushes, size=draws)
    keeps = ((1 - rng.beta(*known.loss, size=draws)) ** (1 / (FLUSHES + 1)))[:, None]
    both, own = np.sqrt(profile.batch_share), np.sqrt(1 - profile.batch_share)
    bag = np.float32(np.sqrt(np.log1p(profile.bag_cv**2)))
    grams, rows = np.zeros(draws * (days + 1)), np.arange(draws)[:, None] * (days + 1)
    for place, opened in enumerate(opens):
        if place % 3 == 0:
            batch_times, batch_luck = rng.standard_normal((3, draws)), rng.standard_normal(draws)
        luck = spread * (both * batch_luck + own * rng.standard_normal(draws)) - spread**2 / 2
        alive, noon = np.ones((draws, bags), dtype=bool), np.full(draws, opened + 0.5)
        for number in range(2):
            for stage in (0, 1):
                mu, sigma = times[stage]
                noon = noon + np.exp(mu + sigma * (both * batch_times[stage] + own * rng.standard_normal(draws)))
            by_day = rng.standard_gamma(
                known.window_concentration * np.array(known.window), size=(draws, len(known.window))
            )
            until = np.cumsum(by_day / by_day.sum(axis=1, keepdims=True), axis=1)
            flush_luck = known.flush_spread * rng.standard_normal(draws) - known.flush_spread**2 / 2
            level = np.exp(efficiency + luck + flush_luck) * flushes[:, number] * 800 * (1 - known.trim_loss)
            for begin in range(0, bags, 10):
                some = slice(begin, begin + 10)
                living = alive[:, some]
                living &= rng.random(living.shape, dtype=np.float32) < keeps
                on = rng.random(living.shape, dtype=np.float32)
                day = sum((on > until[:, [edge]] for edge in range(len(known.window) - 1)), start=np.zeros(1, np.int64))
                weight = np.exp(bag * rng.standard_normal(living.shape, dtype=np.float32) - bag * bag / 2)
                places = rows + np.minimum(np.floor(noon).astype(np.int64)[:, None] + day, days)
                grams += np.bincount(
                    places.ravel(), weights=(weight * living * level[:, None]).ravel(), minlength=grams.size
                )
            mu, sigma = times[2]
            noon = np.floor(noon) + 0.5 + known.picking_days - 1
            noon += np.exp(mu + sigma * (both * batch_times[2] + own * rng.standard_normal(draws)))
    return grams.reshape(draws, days + 1)[:, :days]
