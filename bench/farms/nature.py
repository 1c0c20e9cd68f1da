"""How oyster mushrooms grow on the invented farms: the truth behind the logs, which no forecast sees.

Written apart from ``fulfilment.core`` and sharing nothing with it but the trade: each farm draws its own strains around
the handbook (times, yields, cardinal temperatures), each batch and each crop its own luck, each bag its mushrooms and
its mould.  Rooms wander about their set points and have cool weeks.  Days count from the farm's first, times within a
day are fractions of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

FLUSHES: Final = 3
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Handbook:
    """What is written of a strain: days, degrees, shares; ``efficiency`` in grams per dry gram over all flushes."""

    name: str
    run: float
    pin: float
    grow: float
    rest: float
    efficiency: float
    flushes: tuple[float, float, float]
    window: tuple[float, ...]
    mycelium: tuple[float, float, float]
    fruit: tuple[float, float, float]
    dark_c: float
    light_c: float


HANDBOOK: Final = (
    Handbook("pearl", 17.5, 7, 5, 10, 0.60, (0.58, 0.28, 0.14), (0.2, 0.4, 0.3, 0.1), (4, 28, 36), (4, 16, 30), 22, 16),
    Handbook("pink", 14, 5, 4, 7, 0.55, (0.6, 0.28, 0.12), (0.3, 0.5, 0.2), (10, 28, 38), (14, 24, 32), 24, 22),
    Handbook("golden", 16, 6, 5, 10, 0.50, (0.62, 0.26, 0.12), (0.3, 0.5, 0.2), (6, 28, 37), (12, 22, 32), 23, 20),
)
"""Common practice, no source; the same numbers that a new farm's profiles begin with."""

STAGES: Final = ("run", "pin", "grow", "rest")


@dataclass(frozen=True, slots=True)
class Strain:
    """One strain as it truly is on one farm; ``log_days`` the middle of the log of each stage's physiological days."""

    book: Handbook
    log_days: dict[str, float]
    spread: dict[str, float]
    batch_part: float
    efficiency: float
    flushes: tuple[float, ...]
    window: tuple[float, ...]
    batch_cv: float
    crop_cv: float
    bag_cv: float
    loss: float
    loss_likeness: float
    crop_likeness: float
    mycelium: tuple[float, float, float]
    fruit: tuple[float, float, float]
    dry_g: int
    bags: int
    trim: float


@dataclass(slots=True)
class Flush:
    """One flush as it came: true days of pins and of the first ripe mushroom, ripe grams by day from then on."""

    number: int
    bags: int
    lost: int
    lost_at: float
    begins: float
    pins: float
    ripe: float
    grams: list[int]
    rested: float


@dataclass(slots=True)
class Life:
    """A batch from mixing to compost; ``opens`` is filled by the grower, and the flushes after it."""

    strain: Strain
    mixed: int
    bags: int
    grown: float
    lost_in_dark: int
    luck: dict[str, float]
    yield_luck: float
    flushes: list[Flush] = field(default_factory=list)


def speed(celsius: Floats | float, cardinal: tuple[float, float, float]) -> Floats:
    """Relative speed of growth by the cardinal temperature model with inflection; a beta curve where it is singular.

    Source: Rosso, Lobry & Flandrois 1993, J. Theor. Biol. 162:447-463.
    """
    low, best, high = cardinal
    warm = np.asarray(celsius, dtype=np.float64)
    inside = (warm > low) & (warm < high)
    safe = np.where(inside, warm, best)
    if best <= (low + high) / 2:
        rate = (high - safe) / (high - best) * ((safe - low) / (best - low)) ** ((best - low) / (high - best))
    else:
        rate = (safe - high) * (safe - low) ** 2
        rate /= (best - low) * ((best - low) * (safe - best) - (best - high) * (best + low - 2 * safe))
    return np.where(inside, rate, 0.0)


def strain(book: Handbook, random: Generator) -> Strain:
    """One farm's own: times within some 15 %, yields within some 25 % of the handbook, all else a little off."""
    spread = {"run": 0.1, "pin": 0.17, "grow": 0.15, "rest": 0.18}
    days = {"run": book.run, "pin": book.pin, "grow": book.grow, "rest": book.rest}
    nudge = float(random.normal(0, 1.0))
    return Strain(
        book=book,
        log_days={
            name: math.log(days[name]) + float(random.normal(0, 0.08 if name == "run" else 0.13)) for name in STAGES
        },
        spread={name: spread[name] * float(random.lognormal(0, 0.15)) for name in STAGES},
        batch_part=float(random.uniform(0.3, 0.6)),
        efficiency=book.efficiency * float(random.lognormal(-0.02, 0.25)),
        flushes=tuple(random.dirichlet(60 * np.array(book.flushes)).tolist()),
        window=tuple(random.dirichlet(60 * np.array(book.window)).tolist()),
        batch_cv=0.13 * float(random.lognormal(0, 0.2)),
        crop_cv=0.13 * float(random.lognormal(0, 0.2)),
        bag_cv=0.26,
        loss=float(random.beta(4, 76)),
        loss_likeness=float(random.uniform(15, 40)),
        crop_likeness=float(random.uniform(20, 50)),
        mycelium=(book.mycelium[0], book.mycelium[1] + nudge, book.mycelium[2]),
        fruit=(book.fruit[0], book.fruit[1] + nudge, book.fruit[2]),
        dry_g=int(random.integers(500, 900)),
        bags=int(random.integers(8, 30)),
        trim=float(random.uniform(0.03, 0.07)),
    )


DRIFT_KEPT: Final = 0.8
DRIFT_NEW: Final = 0.6
SPELL_DAYS: Final = 7
SPELLS: Final = (-3.0, -2.0, 1.5)
BETWEEN_SPELLS: Final = (40, 90)


@dataclass(frozen=True, slots=True)
class Room:
    """A room's daily mean: ``warm`` [day], wandering about ``set_point`` by ``drift`` [day], with a cool or warm week
    now and then: ``spells`` has the first day and the degrees of each.
    """

    set_point: float
    warm: Floats
    drift: Floats
    spells: tuple[tuple[int, float], ...]


def room(set_point: float, days: int, random: Generator) -> Room:
    drift = np.empty(days)
    now = 0.0
    for day in range(days):
        now = drift[day] = DRIFT_KEPT * now + float(random.normal(0, DRIFT_NEW))
    warm, spells, begins = set_point + drift, [], 0
    while (begins := begins + int(random.integers(*BETWEEN_SPELLS))) < days:
        spells.append((begins, float(random.choice(SPELLS))))
        warm[begins : begins + SPELL_DAYS] += spells[-1][1]
    return Room(set_point, warm, drift, tuple(spells))


def passes(begins: float, physiological: float, pace: Floats) -> float:
    """The instant at which so many physiological days have passed, at ``pace`` [day] a calendar day."""
    at, left = begins, physiological
    while left > 0:
        day = int(at)
        rate = float(pace[min(day, pace.size - 1)])
        if rate <= 1e-6:
            if day >= pace.size:
                return float("inf")
            at = day + 1.0
            continue
        room = (day + 1 - at) * rate
        if room >= left:
            return at + left / rate
        left -= room
        at = day + 1.0
    return at


def life(kind: Strain, *, mixed: int, dark: Floats, random: Generator) -> Life:
    """A batch mixed on this day, up to its full run."""
    bags = max(4, round(kind.bags * float(random.lognormal(0, 0.2))))
    luck = {name: float(random.normal()) * math.sqrt(kind.batch_part) for name in STAGES}
    rate = speed(dark, kind.mycelium) / speed(kind.book.dark_c, kind.mycelium)
    grown = passes(mixed + 0.5, math.exp(kind.log_days["run"] + kind.spread["run"] * luck["run"]), rate)
    yield_luck = float(random.normal(-(kind.batch_cv**2) / 2, kind.batch_cv))
    lost = _lost(kind, bags, random)
    return Life(kind, mixed, bags, grown, lost, luck, yield_luck)


def fruit(batch: Life, *, opened: float, bags: int, light: Floats, random: Generator) -> list[Flush]:
    """The flushes of bags opened at this instant, each as it would come if the grower waters in time."""
    kind = batch.strain
    rate = speed(light, kind.fruit) / speed(kind.book.light_c, kind.fruit)
    own = float(random.normal(-(kind.crop_cv**2) / 2, kind.crop_cv))
    alive, begins = bags, opened
    found = []
    for number in range(1, FLUSHES + 1):
        lost = _lost(kind, alive, random)
        alive -= lost
        pins = passes(begins, _days(batch, "pin", random), rate)
        ripe = passes(pins, _days(batch, "grow", random), rate)
        if not math.isfinite(ripe) or not alive:
            break
        each = random.lognormal(-0.5 * math.log1p(kind.bag_cv**2), math.sqrt(math.log1p(kind.bag_cv**2)), alive)
        part = kind.dry_g * kind.efficiency * kind.flushes[number - 1] * math.exp(batch.yield_luck + own)
        shares = random.dirichlet(kind.crop_likeness * np.array(kind.window))
        place = random.choice(len(shares), size=alive, p=shares)
        grams = [round(float(part * each[place == day].sum())) for day in range(len(shares))]
        ended = math.floor(ripe) + len(shares) - 1 + 0.5
        rested = passes(ended, _days(batch, "rest", random), rate)
        lost_at = float(random.uniform(begins, pins))
        found.append(Flush(number, alive, lost, lost_at, begins, pins, ripe, grams, rested))
        begins = rested
        if not math.isfinite(rested):
            break
    return found


def _days(batch: Life, stage: str, random: Generator) -> float:
    kind = batch.strain
    own = float(random.normal()) * math.sqrt(1 - kind.batch_part)
    return math.exp(kind.log_days[stage] + kind.spread[stage] * (batch.luck[stage] + own))


def _lost(kind: Strain, bags: int, random: Generator) -> int:
    return int(losses(kind, np.array([bags]), random)[0])


def losses(kind: Strain, bags: NDArray[np.int64], random: Generator) -> NDArray[np.int64]:
    """Mould comes in clusters: a batch's own chance, a quarter of the life's loss at each of its four steps."""
    step = 1 - (1 - kind.loss) ** 0.25
    chance = random.beta(step * kind.loss_likeness, (1 - step) * kind.loss_likeness, size=bags.shape)
    return random.binomial(bags, np.minimum(chance, 0.6))
