"""The forecast on the invented farms: how it does, beside two naive rivals and an oracle.

Every morning from week 9 on the log is read, learned from and forecast; what was picked 1, 3, 7 and 14 days later, and
in the coming week, is what it is scored by.  *Calibration* is the randomised probability integral transform: where the
truth fell among the scenarios, ties (days with nothing to pick) broken at random.

The rivals are points, as their makers would write them on the wall: every crop on the days and with the grams of the
profile's averages, moved on when it is late; and the mean of the last four weeks' same weekday that were known.  The
continuous ranked probability score of a point is its absolute error.  The oracle (:mod:`bench.farms.oracle`) and ours
are distributions of 1,000 scenarios.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bench.farms import grower, oracle
from fulfilment.core.forecast import forecast, score
from fulfilment.core.growth import GOLDEN, PEARL, PINK, CropState, Knowledge, StrainProfile, learn
from fulfilment.core.growth.diaries import logs, states

Floats = NDArray[np.float64]
LEADS: Final = (1, 3, 7, 14)
WEEK: Final = 0
"""The key of the coming week's sum among the leads."""
PROFILES: Final[tuple[StrainProfile, ...]] = (PEARL, PINK, GOLDEN)
RIVALS: Final = ("handbook", "weekday")
FROM_DAY: Final = 56
SCENARIOS: Final = 1_000
HORIZON: Final = 15


@dataclass(slots=True)
class Tally:
    """What one kind of forecast made of the days of one lead."""

    crps: list[float] = field(default_factory=list)
    pit: list[float] = field(default_factory=list)
    bias: list[float] = field(default_factory=list)


Tallies = dict[tuple[str, int], Tally]
"""(name of the forecaster, lead) → how it did."""


def run(seed: int, *, days: int = 364, step: int = 1, learns: bool = True, with_oracle: bool = True) -> Tallies:
    """One farm's year; ``step`` leaves out mornings to save time."""
    farm = grower.live(seed, days=days)
    random = np.random.default_rng([7, seed])
    found: Tallies = defaultdict(Tally)
    for morning in range(FROM_DAY, days - max(LEADS), step):
        drawn = {"ours": ours(farm, morning=morning, seed=seed, learns=learns)}
        if with_oracle:
            drawn["oracle"] = oracle.forecast(farm, morning=morning, days=HORIZON, scenarios=SCENARIOS, seed=seed)
        rivals = naive(farm, morning=morning)
        for strain, truth in enumerate(farm.picked):
            for lead in (*LEADS, WEEK):
                days_ahead = slice(0, 7) if lead == WEEK else slice(lead, lead + 1)
                came = float(truth[morning:][days_ahead].sum())
                for name, arrays in drawn.items():
                    _note(found[name, lead], arrays[strain][:, days_ahead].sum(axis=1), came, random)
                for name, points in rivals.items():
                    found[name, lead].crps.append(abs(float(points[strain][days_ahead].sum()) - came))
    return dict(found)


def _note(tally: Tally, samples: Floats, truth: float, random: np.random.Generator) -> None:
    given = score(np.rint(samples), observed=int(truth))
    tally.crps.append(given.crps)
    tally.bias.append(given.bias)
    below, equal = (samples < truth - 0.5).mean(), (np.abs(samples - truth) <= 0.5).mean()
    tally.pit.append(float(below + random.random() * equal))


def ours(
    farm: grower.Farm, *, morning: int, seed: int, learns: bool, horizon: int = HORIZON, scenarios: int = SCENARIOS
) -> list[Floats]:
    """[strain] of [scenario, day] grams."""
    today, climate = grower.on(morning), grower.climate(farm, morning=morning)
    crops: list[CropState] = []
    knowledge: dict[int, Knowledge] = {}
    for strain, profile in enumerate(PROFILES):
        own = grower.diaries(farm, strain=strain, morning=morning)
        taught = logs(own, profile=profile, climate=climate, today=today).teach(profile) if learns else learn(profile)
        knowledge[strain] = taught
        rooms = [farm.strains[strain].book.light_c]
        crops += states(own, strain_id=strain, knowledge=taught, fruiting_rooms=rooms, climate=climate, today=today)
    made = forecast(crops, knowledge=knowledge, today=today, days=horizon, scenarios=scenarios, seed=seed)
    sums = [np.zeros((scenarios, horizon)) for _ in PROFILES]
    for goods, array in made.supplies.items():
        sums[goods.strain_id] += array
    return sums


def naive(farm: grower.Farm, *, morning: int) -> dict[str, list[Floats]]:
    """Two points [strain] of [day]: every crop by the handbook's averages, and the weekday's last four weeks."""
    weekday = []
    for strain in range(len(PROFILES)):
        past = farm.picked[strain]
        known = [1 + lead // 7 for lead in range(HORIZON)]
        weekday.append(
            np.array([
                np.mean([past[morning + lead - 7 * back] for back in range(newest, newest + 4)])
                for lead, newest in enumerate(known)
            ])
        )  # fmt: skip
    return {"handbook": _by_handbook(farm, morning), "weekday": weekday}


def _by_handbook(farm: grower.Farm, morning: int) -> list[Floats]:
    """Each living crop on the days and with the grams that the profile's averages give it."""
    found = []
    for strain, profile in enumerate(PROFILES):
        due = np.zeros(HORIZON + 120)
        book = farm.strains[strain].book
        for batch in grower.diaries(farm, strain=strain, morning=morning):
            crop = batch.crops[0] if batch.crops else None
            dry = batch.dry_g_per_bag * (crop.bags_alive if crop else batch.bags_left)
            gram = dry * profile.efficiency_pct / 100 * (1 - profile.trim_loss)
            if crop is None:
                run = (grower.on(morning) - batch.mixed_on).days
                left = 1.0 if batch.colonised_on else max(book.run - run, 0) + 1
                stage, flush = "pin", 1
                begins = left + book.pin + book.grow
            else:
                age = (grower.on(morning) - crop.stage_since).days
                stage, flush = str(crop.stage), crop.flush
                begins = {
                    "pinning": max(book.pin - age, 0) + book.grow, "growing": max(book.grow - age, 0),
                    "picking": -float(age), "resting": 0.0, "finished": 0.0,
                }[stage]  # fmt: skip
                if stage == "finished":
                    continue
                if stage == "resting":
                    flush += 1
                    begins = max(book.rest - age, 0) + book.pin + book.grow
            while flush <= 3 and begins < HORIZON:
                for place, share in enumerate(profile.picking_shares):
                    day = int(begins) + place
                    if 0 <= day < HORIZON:
                        due[day] += gram * profile.flush_shares[flush - 1] * share
                begins += len(profile.picking_shares) + book.rest + book.pin + book.grow
                flush += 1
        found.append(due[:HORIZON])
    return found


@dataclass(frozen=True, slots=True)
class Line:
    """What all farms together say of one lead; ``below`` percent under the better rival, ``over`` times the oracle."""

    lead: int
    count: int
    crps: float
    over: float
    rival: str
    below: float
    oracle_below: float
    inside: float
    bias: float
    deciles: tuple[float, ...]

    def __str__(self) -> str:
        name = "week" if self.lead == WEEK else f"{self.lead} d"
        return (
            f"{name:>5}  n {self.count:5d}  crps {self.crps:6.1f}  oracle x {self.over:5.3f}  {self.rival:>8} "
            f"below {self.below:5.1f} % (oracle {self.oracle_below:5.1f})  inside {self.inside:5.1f} %  "
            f"bias {self.bias:+6.1f}  deciles " + " ".join(f"{each:4.1f}" for each in self.deciles)
        )


def lines(tallies: Sequence[Tallies], *, of: str = "ours") -> list[Line]:
    """One line a lead."""
    found = []
    for lead in (*LEADS, WEEK):

        def mean(name: str, lead: int = lead) -> float:
            rows = [each[name, lead].crps for each in tallies if (name, lead) in each]
            return float(np.concatenate(rows).mean()) if rows else math.nan

        pit = np.concatenate([each[of, lead].pit for each in tallies])
        best = min(RIVALS, key=mean)
        found.append(
            Line(
                lead=lead,
                count=pit.size,
                crps=mean(of),
                over=mean(of) / mean("oracle"),
                rival=best,
                below=100 * (1 - mean(of) / mean(best)),
                oracle_below=100 * (1 - mean("oracle") / mean(best)),
                inside=float(((pit > 0.1) & (pit < 0.9)).mean() * 100),
                bias=float(np.concatenate([each[of, lead].bias for each in tallies]).mean()),
                deciles=tuple((np.histogram(pit, bins=10, range=(0, 1))[0] / pit.size * 100).tolist()),
            )
        )
    return found
