"""What a forecast could know at best: the hidden strains and rooms as they are, and the same log as everybody.

The oracle knows each strain's parameters, the past temperatures as they truly were and the laws by which nature and
the grower act; it does not know what was drawn: the batch's and the crop's luck, when pins truly came, the weather to
come.  It samples those given the log: stages not yet over by truncated times, what was seen late by where it may have
begun, a partly picked flush by weighing sampled flushes with what was taken.  Nothing of ``fulfilment.core`` is used.

Its liberties, each of little weight: of a flush that is over only the sum counts, not its days; a sum over bags is
gamma and not a sum of lognormals; it knows the past temperatures themselves; a batch's next date and its
later ones may see different weathers.  Arrays are [particle].
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.special import gammaln, log_ndtr, ndtr, ndtri

from bench.farms import nature
from bench.farms.grower import (
    DARK,
    FORGETS_PINS,
    GAINS,
    LIGHT,
    LOOKS_DARK,
    LOOKS_LIGHT,
    SKIPS,
    STRAGGLES,
    TRIM_SPREAD,
    WRITES_LOOK,
    Entry,
    Farm,
    Written,
)

Floats = nature.Floats
PARTICLES: Final = 4_000
Places = NDArray[np.int64]
_UNSEEN: Final = 1 - LOOKS_LIGHT * WRITES_LOOK
"""The chance of a day without an entry while there is nothing new to see."""
_LATE: Final = 2
"""Ripe mushrooms left for more days than this are not thought of."""


def forecast(farm: Farm, *, morning: int, days: int, scenarios: int, seed: int) -> list[Floats]:
    """[strain] of [scenario, day] trimmed grams from this morning on."""
    random = np.random.default_rng([99, seed, morning])
    found = []
    ahead = {number: _ahead(room, morning, days + 1, scenarios, random) for number, room in farm.rooms.items()}
    for place, kind in enumerate(farm.strains):
        dark = _pace(farm.rooms[DARK], ahead[DARK], morning, kind.mycelium, kind.book.dark_c)
        light = _pace(farm.rooms[LIGHT + place], ahead[LIGHT + place], morning, kind.fruit, kind.book.light_c)
        sums = np.zeros((scenarios, days))
        for written in farm.batches:
            if written.strain == place and written.mixed < morning:
                log = [entry for entry in written.entries if entry.day < morning]
                sums += _Batch(kind, written, log, dark, light, morning, days, scenarios, random).grams()
        found.append(sums)
    return found


def _ahead(room: nature.Room, morning: int, days: int, scenarios: int, random: Generator) -> Floats:
    """[scenario, day] temperatures to come, by nature's law and the drift and spell that are under way."""
    warm = np.empty((scenarios, days))
    now = np.full(scenarios, room.drift[morning - 1])
    for day in range(days):
        now = nature.DRIFT_KEPT * now + random.normal(0, nature.DRIFT_NEW, scenarios)
        warm[:, day] = room.set_point + now
    begun = [(first, degrees) for first, degrees in room.spells if first < morning]
    last = begun[-1][0] if begun else 0
    if begun:
        warm[:, : max(last + nature.SPELL_DAYS - morning, 0)] += begun[-1][1]
    soonest, latest = nature.BETWEEN_SPELLS
    first = random.integers(max(soonest, morning - last), max(latest, morning - last + 1), scenarios) + last - morning
    degrees = random.choice(nature.SPELLS, scenarios)
    since = np.arange(days)[None, :] - first[:, None]
    warm += np.where((since >= 0) & (since < nature.SPELL_DAYS), degrees[:, None], 0.0)
    return warm


@dataclass(frozen=True, slots=True)
class _Pace:
    """Physiological days lived up to each midnight: ``past`` [0 to this morning], ``ahead`` [scenario, from then]."""

    past: Floats
    ahead: Floats

    def lived(self, instant: Floats | float) -> Floats:
        """Up to an instant not after this morning; beyond it the day before's pace goes on."""
        last = self.past.size - 1
        pace = self.past[last] - self.past[last - 1]
        inside = np.interp(instant, np.arange(last + 1), self.past)
        return np.asarray(inside + np.maximum(np.asarray(instant) - last, 0) * pace)

    def when(self, lived: Floats) -> Floats:
        """The instant at which so much is lived; beyond the horizon it is far away."""
        last, size = self.past.size - 1, self.ahead.shape[1] - 1
        back = np.interp(lived, self.past, np.arange(last + 1))
        rows = np.arange(lived.size) % self.ahead.shape[0]
        cell = np.minimum((self.ahead[rows] <= lived[:, None]).sum(axis=1), size)
        begin, end = self.ahead[rows, np.maximum(cell - 1, 0)], self.ahead[rows, cell]
        on = cell - 1 + (lived - begin) / np.maximum(end - begin, 1e-9)
        on = np.where(lived > self.ahead[rows, size], size + (lived - self.ahead[rows, size]), on)
        return np.where(lived <= self.past[last], back, last + on)


def _pace(
    room: nature.Room, ahead: Floats, morning: int, cardinal: tuple[float, float, float], reference: float
) -> _Pace:
    basis = nature.speed(reference, cardinal)
    past = np.concatenate(([0.0], np.cumsum(nature.speed(room.warm[:morning], cardinal) / basis)))
    rest = np.cumsum(nature.speed(ahead, cardinal) / basis, axis=1)
    return _Pace(past, past[-1] + np.concatenate((np.zeros((ahead.shape[0], 1)), rest), axis=1))


@dataclass(slots=True)
class _Luck:
    """What earlier rounds of one stage tell of the next: standard deviates share the part ``likeness``."""

    likeness: float
    seen: Floats
    count: int = 0

    def law(self) -> tuple[Floats, float]:
        part = self.likeness / (1 + (self.count - 1) * self.likeness) if self.count else 0.0
        return part * self.seen, math.sqrt(1 - self.likeness * part * self.count)

    def tell(self, deviate: Floats) -> Floats:
        """Log density of this deviate; from now on it is known."""
        centre, spread = self.law()
        logs = -0.5 * ((deviate - centre) / spread) ** 2 - math.log(spread)
        self.seen = self.seen + deviate
        self.count += 1
        return np.asarray(logs)


@dataclass(slots=True)
class _Batch:
    """One batch on one morning; lives for one call."""

    kind: nature.Strain
    written: Written
    log: list[Entry]
    dark: _Pace
    light: _Pace
    morning: int
    days: int
    scenarios: int
    random: Generator
    weight: Floats = field(init=False)
    lucks: dict[str, _Luck] = field(init=False)
    total: Floats = field(init=False)

    def grams(self) -> Floats:
        """[scenario, day]"""
        self.weight = np.zeros(PARTICLES)
        self.lucks = {stage: _Luck(self.kind.batch_part, np.zeros(PARTICLES)) for stage in nature.STAGES}
        self.total = np.zeros((self.scenarios, self.days))
        opened = self.written.opened
        if opened is not None and opened < self.morning:
            self._follow(opened)
        else:
            self._unopened()
        return self.total

    # ---- Before opening -------------------------------------------------------------------------------------------

    def _unopened(self) -> None:
        log, kind, random, morning = self.log, self.kind, self.random, self.morning
        mixed, bags = self.written.mixed, self.written.bags
        if any(entry.kind == "run" for entry in log):
            seen = next(entry.day for entry in log if entry.kind == "run")
            opened = random.integers(max(seen, morning), seen + 4, PARTICLES).astype(float)
        else:
            grown = self._grown(mixed)
            look = np.maximum(np.floor(grown), morning)
            wanting = np.ones(PARTICLES, dtype=bool)
            while wanting.any():
                looks = (look % 2 == 0) & (random.random(PARTICLES) < LOOKS_DARK)
                wanting &= ~looks
                look = look + wanting
            opened = look + random.integers(0, 4, PARTICLES)
        dead = sum(entry.amount for entry in log if entry.kind == "lost")
        left = np.full(PARTICLES, bags - dead)
        if not dead and morning <= mixed + 8:
            left = left - nature.losses(kind, np.full(PARTICLES, bags), random)
        chosen = self._choose()
        self._future(1, begins=opened[chosen] + 0.5, alive=left[chosen])

    def _grown(self, mixed: int) -> Floats:
        kind, morning = self.kind, self.morning
        spread = kind.spread["run"] * math.sqrt(kind.batch_part)
        looked = max([mixed, *(entry.day for entry in self.log if entry.kind == "seen")])
        base = self.dark.lived(mixed + 0.5)
        floor = max(float(self.dark.lived(max(looked + 1, morning - 8)) - base), 1e-6)
        deviate = self._beyond((math.log(floor) - kind.log_days["run"]) / spread * np.ones(PARTICLES))
        grown = self.dark.when(base + np.exp(kind.log_days["run"] + spread * deviate))
        for day in range(max(looked + 1, morning - 8), morning):
            if day % 2 == 0:
                there = np.floor(grown) <= day
                self.weight += np.where(there, math.log(1 - LOOKS_DARK), math.log(1 - LOOKS_DARK * WRITES_LOOK))
        return grown

    def _beyond(self, floor: Floats) -> Floats:
        """Standard normal deviates above a floor."""
        tail = np.maximum(ndtr(-floor), 1e-300) * self.random.random(floor.size)
        return np.maximum(-ndtri(tail), floor)

    # ---- Fruiting -------------------------------------------------------------------------------------------------

    def _follow(self, opened: int) -> None:
        """Particles go through what is logged, flush by flush, and are chosen by their weights at the last of it."""
        written, random, kind = self.written, self.random, self.kind
        begins = np.full(PARTICLES, opened + 0.5)
        bags = written.bags_opened
        # the yield's luck: mean and precision of its log before this crop's flushes were seen
        variance = kind.batch_cv**2 + kind.crop_cv**2
        luck, doubt = -variance / 2, variance
        for number in range(1, nature.FLUSHES + 1):
            own = [entry for entry in self.log if entry.flush == number]
            lost = sum(entry.amount for entry in own if entry.kind == "lost")
            picks = [entry for entry in own if entry.kind == "picked"]
            bags -= lost
            if not bags:
                return
            pins, ripe = self._times(own, picks, begins)
            for entry in own:
                if entry.kind == "lost":
                    self.weight += np.where(pins >= entry.day, -np.log(np.maximum(pins - begins, 1e-3)), -np.inf)
            window = len(kind.window)
            over = np.floor(ripe) + window - 0.5
            ended = any(entry.kind == "ended" for entry in own)
            if not (ended or (picks and self.morning > picks[0].day + window + STRAGGLES)):
                alive = np.full(PARTICLES, bags)
                if not lost and not picks:
                    alive = self._maybe_lost(alive, begins, pins)
                self._current(number, picks, ripe, alive, (luck, doubt))
                return
            noise = math.log1p(kind.bag_cv**2) / bags
            part = kind.dry_g * kind.efficiency * kind.flushes[number - 1] * bags
            told = math.log(max(sum(entry.weighed for entry in picks), 1) / part) + noise / 2
            luck = (luck * noise + told * doubt) / (noise + doubt)
            doubt = doubt * noise / (noise + doubt)
            watered = next((e.day for e in self.log if e.kind == "watered" and e.flush == number + 1), None)
            if number == nature.FLUSHES:
                return
            base = self.light.lived(over)
            if watered is None:
                self._rest(number, base, bags, (luck, doubt))
                return
            begins = watered + random.random(PARTICLES)
            self._tell("rest", self.light.lived(begins) - base)

    def _rest(self, number: int, base: Floats, bags: int, luck: tuple[float, float]) -> None:
        need = self.light.past[-1] - base
        rests = self._running("rest", need)
        rested = self.light.when(base + rests)
        chosen = self._choose()
        own = luck[0] + math.sqrt(luck[1]) * self.random.normal(size=self.scenarios)
        self._future(number + 1, begins=rested[chosen], alive=np.full(self.scenarios, bags), own=own)

    def _times(self, own: list[Entry], picks: list[Entry], begins: Floats) -> tuple[Floats, Floats]:
        """When the pins came and the first mushroom was ripe, both as far as the log tells."""
        random, morning = self.random, self.morning
        seen = next((entry.day for entry in own if entry.kind == "pins"), None)
        looked = max([-1, *(entry.day for entry in own if entry.kind == "seen")])
        base = self.light.lived(begins)
        if picks:
            ripe_day = picks[0].day - np.minimum(random.geometric(1 - SKIPS, PARTICLES) - 1, _LATE)
            ripe = ripe_day + random.random(PARTICLES)
        if seen is not None:
            pins_day = seen - (random.geometric(1 - (1 - LOOKS_LIGHT) / _UNSEEN, PARTICLES) - 1)
            pins_day = np.where(begins > seen, seen, pins_day)
            pins = pins_day + random.random(PARTICLES)
            self.weight = np.where((pins > begins) & (pins_day > looked), self.weight, -np.inf)
            self._tell("pin", self.light.lived(np.minimum(pins, morning)) - base)
        else:
            # no later than the last look, nor after what was picked
            floor = self.light.lived(max(looked + 1, 0)) - base
            pins = self.light.when(base + self._running("pin", floor))
        lived = self.light.lived(np.minimum(pins, morning))
        if picks:
            self.weight = np.where(ripe > pins, self.weight, -np.inf)
            self._tell("grow", np.maximum(self.light.lived(ripe) - lived, 1e-3))
        else:
            need = np.where(pins < morning, self.light.lived(morning - _LATE) - lived, 0.0)
            grows = self._running("grow", need)
            ripe = self._after(pins, grows)
        if seen is None:
            until = np.minimum(np.floor(ripe), morning)
            unseen = np.maximum(until - np.maximum(np.floor(pins), np.floor(begins) + 1), 0)
            self.weight += np.log(
                (1 - FORGETS_PINS) * ((1 - LOOKS_LIGHT) / _UNSEEN) ** unseen + FORGETS_PINS / _UNSEEN**unseen
            )
        return pins, ripe

    def _after(self, instant: Floats, lasts: Floats) -> Floats:
        """The instant so many physiological days after another, which may lie before or after this morning."""
        morning, pace = self.morning, self.light
        rows = np.arange(instant.size) % pace.ahead.shape[0]
        step = np.clip(instant - morning, 0, pace.ahead.shape[1] - 1.001)
        cell = step.astype(int)
        ahead = pace.ahead[rows, cell] + (step - cell) * (pace.ahead[rows, cell + 1] - pace.ahead[rows, cell])
        lived = np.where(instant < morning, pace.lived(np.minimum(instant, morning)), ahead)
        return np.where(instant > morning + pace.ahead.shape[1] - 1, instant + lasts, pace.when(lived + lasts))

    def _tell(self, stage: str, lasted: Floats) -> None:
        logs = np.log(np.maximum(lasted, 1e-3))
        deviate = (logs - self.kind.log_days[stage]) / self.kind.spread[stage]
        self.weight = self.weight + self.lucks[stage].tell(deviate) - logs

    def _running(self, stage: str, need: Floats) -> Floats:
        """Physiological days of a stage that has lasted ``need`` at least (nought and less: no condition)."""
        centre, own = self.lucks[stage].law()
        middle, spread = self.kind.log_days[stage], self.kind.spread[stage]
        floor = (np.log(np.maximum(need, 1e-9)) - middle) / spread
        floor = np.where(need > 0, (floor - centre) / own, -40.0)
        self.weight = self.weight + log_ndtr(-floor)
        deviate = centre + own * self._beyond(floor)
        self.lucks[stage].tell(deviate)
        return np.asarray(np.exp(middle + spread * deviate))

    def _maybe_lost(self, alive: Floats, begins: Floats, pins: Floats) -> Floats:
        """Bags that will still be found lost before the pins."""
        lost = nature.losses(self.kind, alive.astype(np.int64), self.random)
        later = np.clip((pins - self.morning) / np.maximum(pins - begins, 1e-6), 0, 1)
        with np.errstate(divide="ignore"):
            self.weight = self.weight + np.where(lost > 0, np.log(later), 0.0)
        return alive - lost

    def _current(
        self,
        number: int,
        picks: list[Entry],
        ripe: Floats,
        alive: Floats,
        luck: tuple[float, float],
    ) -> None:
        """The flush under way: its days as they may have come, weighed by what was taken and what was left."""
        kind, random, morning = self.kind, self.random, self.morning
        own = luck[0] + math.sqrt(luck[1]) * random.normal(size=PARTICLES)
        counts = self._counts(alive)
        part = kind.dry_g * kind.efficiency * kind.flushes[number - 1] * np.exp(own)
        first = np.minimum(np.floor(ripe), 10**6).astype(int)
        taken = {entry.day: entry.weighed for entry in picks}
        window = len(kind.window)
        carried, hanging = np.zeros(PARTICLES), np.zeros(PARTICLES)
        rows = np.arange(PARTICLES)
        grams = self._grams(counts, part)
        oldest = min([morning, *(day - _LATE for day in taken)])
        for day in range(oldest, morning):
            place = day - first
            inside = (place >= 0) & (place < window)
            come = np.where(inside, counts[rows, np.clip(place, 0, window - 1)], 0)
            hanging = hanging + come
            if day in taken:
                self.weight += self._density(taken[day], hanging, part)
                carried, hanging = np.zeros(PARTICLES), np.zeros(PARTICLES)
            else:
                skipped = hanging > 0
                self.weight += np.where(skipped, math.log(SKIPS / (1 - SKIPS)), 0.0)
                more = np.where(inside, grams[rows, np.clip(place, 0, window - 1)], 0.0)
                carried = np.where(skipped, (carried + more) * GAINS, 0.0)
        chosen = self._choose()
        over = self._pick(first[chosen], grams[chosen], carried[chosen])
        self._next(number, over, alive[chosen], own[chosen])

    def _density(self, taken: int, bags: Floats, part: Floats) -> Floats:
        shape, scale = np.maximum(bags, 1e-9) / self.kind.bag_cv**2, part * self.kind.bag_cv**2
        logs = (shape - 1) * math.log(max(taken, 1)) - taken / scale - gammaln(shape) - shape * np.log(scale)
        return np.where(bags > 0, logs, -np.inf)

    def _counts(self, alive: Floats) -> Floats:
        """[particle, day] bags by picking day."""
        kind = self.kind
        shares = self.random.dirichlet(kind.crop_likeness * np.array(kind.window), alive.size)
        return np.asarray(self.random.multinomial(alive.astype(np.int64), shares), dtype=float)

    def _grams(self, counts: Floats, part: Floats) -> Floats:
        cv2 = self.kind.bag_cv**2
        return np.asarray(self.random.gamma(np.maximum(counts, 1e-9) / cv2, part[:, None] * cv2) * (counts > 0))

    # ---- From this morning on -------------------------------------------------------------------------------------

    def _choose(self) -> Places:
        """Particles by weight, one a scenario; from here on a particle's place is its scenario."""
        top = self.weight.max()
        if not math.isfinite(top):
            raise RuntimeError(f"batch {self.written.number} on {self.morning}: no particle fits its log")
        weights = np.exp(self.weight - top)
        below = np.cumsum(weights) / weights.sum()
        marks = (np.arange(self.scenarios) + self.random.random()) / self.scenarios
        chosen = np.minimum(np.searchsorted(below, marks), below.size - 1)
        chosen = self.random.permutation(chosen)
        for luck in self.lucks.values():
            luck.seen = luck.seen[chosen]
        self.weight = np.zeros(self.scenarios)
        return chosen

    def _next(self, number: int, over: Floats, alive: Floats, own: Floats) -> None:
        if number == nature.FLUSHES or over.min() > self.morning + self.days:
            return
        need = np.where(over < self.morning, self.light.past[-1] - self.light.lived(np.minimum(over, self.morning)), 0)
        rested = self._after(over, self._running("rest", need))
        self._future(number + 1, begins=rested, alive=alive, own=own)

    def _future(self, number: int, *, begins: Floats, alive: Floats, own: Floats | None = None) -> None:
        """Flushes that have not begun."""
        kind, random = self.kind, self.random
        nothing = np.zeros(self.scenarios)
        if own is None:
            variance = kind.batch_cv**2 + kind.crop_cv**2
            own = random.normal(-variance / 2, math.sqrt(variance), self.scenarios)
        while number <= nature.FLUSHES and begins.min() < self.morning + self.days:
            alive = alive - nature.losses(kind, alive.astype(np.int64), random)
            pins = self._after(begins, self._running("pin", nothing))
            ripe = self._after(pins, self._running("grow", nothing))
            part = kind.dry_g * kind.efficiency * kind.flushes[number - 1] * np.exp(own)
            first = np.minimum(np.floor(ripe), 10**6).astype(int)
            over = self._pick(first, self._grams(self._counts(alive), part), nothing)
            begins = self._after(over, self._running("rest", nothing))
            number += 1

    def _pick(self, first: Places, grams: Floats, carried: Floats) -> Floats:
        """The grower's days with one flush added to the sums; the instants at which it is over."""
        window, morning, random = len(self.kind.window), self.morning, self.random
        rows = np.arange(self.scenarios)
        for day in range(morning, morning + self.days):
            place = day - first
            inside = (place >= 0) & (place < window)
            ripe = carried + np.where(inside, grams[rows, np.clip(place, 0, window - 1)], 0.0)
            waits = (place < window - 1 + STRAGGLES + 1) & (random.random(self.scenarios) < SKIPS)
            taken = np.where(waits, 0.0, ripe)
            carried = np.where(waits, ripe * GAINS, 0.0)
            keeps = 1 - np.clip(random.normal(self.kind.trim, TRIM_SPREAD, self.scenarios), 0.0, 0.2)
            self.total[:, day - morning] += taken * keeps
        return np.asarray(first + window - 0.5)
