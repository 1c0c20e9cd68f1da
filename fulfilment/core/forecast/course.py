"""The course of crops from this morning on, in every scenario at once.

Crops of one strain that stand alike (same stage, same flush) are followed together: arrays are [crop, scenario] unless
named otherwise, and what a crop gets does not hang on which others are followed with it.  Calendar times are days from
the start of today, so noon of today is 0.5. A day's log stands for its noon: a stage that has run ``elapsed`` days is
drawn given that it lasts longer than half a day less, and what it then lacks is rounded down to a day.  So a stage can
end today, never yesterday, and its mean day is the mean of what was learned.

A flush weighs bags alive x dry grams x efficiency x flush share x batch effect x crop effect x mean of the bag
effects.  Each effect is lognormal with mean one; the mean over n bags has the spread of one divided by the root
of n.  Losses are binomial counts, and a lost bag is lost to every later flush.  How the weight comes over the picking
days is said in :mod:`fulfilment.core.forecast.picking`.  So the cost hangs on crops and scenarios, never on bags, while
few bags still scatter as few bags do.

A flush partly picked is drawn given what was taken (:mod:`fulfilment.core.forecast.remainder`).  Which quantile
of that law a scenario gets hangs on its own draw of the flush as far as the picking left it open, so that good
scenarios stay good; and what the picking tells of strain, batch and crop carries over to this crop's later
flushes, in proportion to their parts of the variance. Other crops learn of it when the flush is over and logged.

Worked example: 10 bags of 800 g dry at 60 % and a first share of 0.58 bring 2,784 g; with day shares 0.2, 0.4,
0.3, 0.1 some 1,670 g are due on the first two.  If 1,800 g were taken, some 910 g are still to come, and 350 to
1,940 g in eight cases of ten.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fulfilment.core.forecast.picking import MANY_BAGS, Days, grams, left_hanging, mean_of_bags, scatter
from fulfilment.core.forecast.remainder import rest_of_flush
from fulfilment.core.forecast.worlds import BatchWorld, flush_noise, log_given
from fulfilment.core.growth import FLUSHES, CropState, Stage
from fulfilment.core.growth.draws import (
    Floats,
    Numbers,
    binomial,
    dirichlet,
    tail_deviates,
    truncated_lognormal,
    upper_tail,
)

FAR: Final = 3_650
"""Days: where a stage that stands still is shown to end."""
_NODES: Final = 24
"""Moments at which pins that nobody wrote down may have come, weighed one against the other."""
_LOSS, _PIN, _GROW, _BAG, _REST = range(5)
"""Slots of a flush's numbers."""


@dataclass(frozen=True, slots=True, eq=False)
class Flush:
    """One flush of those crops that reach it: ``rows`` [crop] are their places among all; ``first`` [crop, scenario]
    its first picking day from today; ``grams`` [grade, day, crop, scenario] whole grams, trimmed.
    """

    number: int
    rows: NDArray[np.intp]
    first: NDArray[np.int64]
    grams: NDArray[np.int32]


@dataclass(frozen=True, slots=True, eq=False)
class Courses:
    """What comes next and on which day; an unopened batch's day of being grown through and of opening."""

    next_stage: Stage
    next_on: NDArray[np.int64]
    grown_on: NDArray[np.int64] | None
    opened_on: NDArray[np.int64] | None
    flushes: tuple[Flush, ...]

    def next_grams(self) -> NDArray[np.int32]:
        """[crop, scenario] what is still to come of the flush under way or next."""
        found = np.zeros(self.next_on.shape, dtype=np.int32)
        for by_day in self.flushes[0].grams if self.flushes else ():
            for taken in by_day:
                found += taken
        return found


def alike(crop: CropState, *, window: int) -> tuple[object, ...]:
    """Crops with the same answer can be followed together; ``window`` is the number of picking days."""
    picking = (min(crop.picking_day, window), crop.picked_today) if crop.stage is Stage.PICKING else ()
    return crop.strain_id, crop.unopened, str(crop.stage), max(crop.flush, 1), crop.bags > MANY_BAGS, *picking


def courses(crops: Sequence[CropState], *, batches: Sequence[BatchWorld], numbers: Numbers, days: int) -> Courses:
    """Crops that stand :func:`alike`, each with its batch's world, from today.

    Flushes that begin beyond ``days`` in every scenario are left out, except the next.
    """
    return _Company(crops, batches, numbers, days=days).run()


def grown_through(
    crops: Sequence[CropState], *, batches: Sequence[BatchWorld], numbers: Numbers
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(day, bags), each [crop, scenario], of unopened batches that stand :func:`alike`: when they are grown through,
    and how many bags, meant for fruiting or as kits, are then still there.
    """
    return _Company(crops, batches, numbers, days=0).grown_through()


class _Company:
    """The computation for crops that stand alike; lives for one call.  Rows leave when they reach no further flush."""

    def __init__(
        self, crops: Sequence[CropState], batches: Sequence[BatchWorld], numbers: Numbers, *, days: int
    ) -> None:
        self.crops, self.batches, self.numbers = list(crops), list(batches), numbers
        self.keys = tuple(crop.key for crop in crops)
        self.scenarios, self.days = numbers.scenarios, days
        self.rows = np.arange(len(self.crops))
        self.strain = batches[0].strain
        self.knowledge = self.strain.knowledge
        self.window = len(self.knowledge.window)
        self.over = self.knowledge.picking_days
        self.likely = self._column([float(crop.bags) for crop in crops])
        self.alive = np.repeat(self.likely, self.scenarios, axis=1)
        self.first_possible = self._column([float(crop.picked_today) for crop in crops]).astype(np.int64)
        alpha, beta = self.knowledge.loss
        self.likely_keeps = (beta / (alpha + beta)) ** (1 / (FLUSHES + 1))
        self.own: Floats | None = None
        self.late: Floats | None = None
        self.follows = self._follows()
        names = self.knowledge.grades
        by_name = self.knowledge.profile.grade_concentration * np.array([share for _, share in names])
        by_grade = dirichlet((self._deviate("grades", slot) for slot in range(len(names))), alpha=by_name)
        for grade in range(1, len(names)):
            by_grade[grade] += by_grade[grade - 1]
        self.by_grade = by_grade[:-1]

    def _column(self, values: Sequence[float]) -> Floats:
        return np.array(values, dtype=np.float64)[:, None]

    def _uniform(self, kind: str, slot: int = 0) -> Floats:
        return self.numbers.uniform(kind, self.keys, slot=slot)

    def _deviate(self, kind: str, slot: int = 0) -> Floats:
        return self.numbers.deviate(kind, self.keys, slot=slot)

    def _keep(self, reach: NDArray[np.bool_]) -> None:
        """Go on with these rows only."""
        places = np.nonzero(reach)[0]
        self.crops = [self.crops[place] for place in places]
        self.keys = tuple(crop.key for crop in self.crops)
        self.batches = [self.batches[place] for place in places]
        self.rows, self.alive, self.likely = self.rows[places], self.alive[places], self.likely[places]
        self.first_possible, self.by_grade = self.first_possible[places], self.by_grade[:, places]
        if self.own is not None:
            self.own = self.own[places]

    # ---- When

    def run(self) -> Courses:
        first = self.crops[0]
        if first.unopened:
            return self._unopened()
        if first.stage is Stage.FINISHED:
            return Courses(Stage.FINISHED, np.zeros(self.alive.shape, dtype=np.int64), None, None, ())
        number = max(first.flush, 1)
        if first.stage is Stage.PICKING:
            return self._picking(number)
        ends = self._running(first.stage)
        if first.stage is Stage.RESTING:
            if number == FLUSHES:
                return Courses(Stage.FINISHED, _day(ends), None, None, ())
            return Courses(Stage.PINNING, _day(ends), None, None, tuple(self._rounds(number + 1, pins_from=ends)))
        if first.stage is Stage.PINNING:
            flushes = tuple(self._rounds(number, grows_from=ends, late=self.late, unwritten=self._unwritten()))
            return Courses(Stage.GROWING, _day(ends), None, None, flushes)
        next_on = np.maximum(_day(ends), self.first_possible)
        return Courses(Stage.PICKING, next_on, None, None, tuple(self._rounds(number, picks_from=ends, step=0.5)))

    def grown_through(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        bags = np.repeat(self._column([float(crop.bags + crop.kits) for crop in self.crops]), self.scenarios, axis=1)
        if self.crops[0].stage is not Stage.COLONISING:
            return np.zeros(bags.shape, dtype=np.int64), bags.astype(np.int64)
        lost = binomial(self._uniform("colonising"), trials=bags, chance=1 - self.strain.keeps)
        return _day(self._running(Stage.COLONISING)), (bags - lost).astype(np.int64)

    def _unopened(self) -> Courses:
        if self.crops[0].stage is Stage.COLONISING:
            grown = _day(self._running(Stage.COLONISING))
            self._lose(self._uniform("colonising"), step=1.0)
        else:
            grown = np.zeros(self.alive.shape, dtype=np.int64)
        opens_in = self._column([float(crop.opens_in) for crop in self.crops]).astype(np.int64)
        opened = np.maximum(grown + self._waiting(), opens_in)
        flushes = tuple(self._rounds(1, pins_from=opened + 0.5))
        return Courses(Stage.PINNING, opened, grown, opened, flushes)

    def _waiting(self) -> NDArray[np.int64]:
        """Days from being grown through to being opened, as this farm does it; of those begun, what is left of them."""
        chances = np.array(self.knowledge.waits)
        found = np.zeros(self.alive.shape, dtype=np.int64)
        if chances.size == 1:
            return found
        numbers = self._uniform("waiting") * (1 - 1e-12)
        for row, crop in enumerate(self.crops):
            waited = min(crop.waited, chances.size - 1)
            found[row] = np.searchsorted(np.cumsum(chances[waited:]) / chances[waited:].sum(), numbers[row])
        return found

    def _unwritten(self) -> tuple[NDArray[np.bool_], Floats] | None:
        """Scenarios in which the pins came, or will, without anybody writing it down, and when the first mushrooms are
        then ripe: after the last look the pins, after yesterday the mushrooms.
        """
        unseen = [
            row
            for row, crop in enumerate(self.crops)
            if crop.looked is not None and crop.pace > 0 and crop.elapsed - crop.looked >= 1e-6
        ]
        if not unseen:
            return None
        passed, ripe = np.zeros(self.alive.shape, dtype=bool), np.zeros(self.alive.shape)
        for row in unseen:
            passed[row], ripe[row] = self._passed(self.crops[row], self.batches[row])
        return passed, ripe

    def _passed(self, crop: CropState, batch: BatchWorld) -> tuple[NDArray[np.bool_], Floats]:
        """[scenario] of one crop: whether its pins came unwritten, and when its mushrooms are then ripe."""
        assert crop.looked is not None
        numbers = [self.numbers.uniform("unwritten", [crop.key], slot=slot)[0] for slot in range(3)]
        chance = self.knowledge.unwritten
        (pin, pin_own), (grow, grow_own) = batch.times[Stage.PINNING], batch.times[Stage.GROWING]
        until = max(crop.elapsed - 0.5 * crop.pace, 1e-6)
        looked = max(crop.looked - 0.5 * crop.pace, 1e-6)
        unseen = upper_tail((math.log(looked) - pin) / pin_own)
        nodes = (np.arange(_NODES) + 0.5)[:, None] / _NODES
        pins = unseen * (1 - nodes)
        pins = tail_deviates(pins)
        pins *= pin_own
        pins += pin
        np.exp(pins, out=pins)
        alive = np.log(np.maximum(until - pins, 1e-9))
        alive -= grow
        alive /= grow_own
        alive = upper_tail(alive)
        below = np.cumsum(alive, axis=0)
        weight = chance * unseen * below[-1] / _NODES
        written = (1 - chance) * upper_tail((math.log(until) - pin) / pin_own)
        passed = numbers[0] * (weight + written) < weight
        node = np.minimum((below < numbers[1] * below[-1]).sum(axis=0), _NODES - 1)
        chosen = node, np.arange(self.scenarios)
        # the tail above what is needed, on the scale of the growing stage's own deviate
        grows = np.exp(grow + grow_own * tail_deviates(alive[chosen] * (1 - numbers[2])))
        return passed, _calendar(np.maximum(pins[chosen] + grows - until, 0.0), np.array(crop.pace))

    def _picking(self, number: int) -> Courses:
        day = min(self.crops[0].picking_day, self.window)
        begin = min(day + int(self.crops[0].picked_today), self.window)
        missed = [
            left_hanging(self.knowledge, day=day, missed=crop.missed, bags=float(likely))
            if begin < self.window
            else 0.0
            for crop, likely in zip(self.crops, self.likely[:, 0], strict=True)
        ]
        first = np.full(self.alive.shape, begin - day, dtype=np.int64)
        flushes = [self._flush(number, first=first, begin=begin, hanging=self._column(missed))]
        rests_on = np.full(self.alive.shape, max(self.over - 1 - day, 0), dtype=np.int64)
        if number == FLUSHES:
            return Courses(Stage.FINISHED, rests_on, None, None, tuple(flushes))
        pins_from = max(self.over - day - 0.5, -0.5) + self._lasting(
            Stage.RESTING, self._deviate(f"flush {number}", _REST)
        )
        flushes.extend(self._rounds(number + 1, pins_from=pins_from))
        return Courses(Stage.RESTING, rests_on, None, None, tuple(flushes))

    def _rounds(
        self,
        number: int,
        *,
        unwritten: tuple[NDArray[np.bool_], Floats] | None = None,
        pins_from: Floats | None = None,
        late: Floats | None = None,
        grows_from: Floats | None = None,
        picks_from: Floats | None = None,
        step: float = 1.0,
    ) -> Iterator[Flush]:
        """The flush under way from where it stands, then the later ones while any scenario reaches them."""
        under_way = number
        while True:
            if pins_from is not None and number > under_way:
                reach = pins_from.min(axis=1) < self.days
                if not reach.all():
                    self._keep(reach)
                    pins_from = pins_from[reach]
                if not self.crops:
                    return
            numbers = f"flush {number}"
            if pins_from is not None:
                late = self._deviate(numbers, _PIN)
                grows_from = pins_from + self._lasting(Stage.PINNING, late)
            if grows_from is not None:
                grows = self._deviate(numbers, _GROW)
                if late is not None and self.follows:
                    grows = self.follows * late + math.sqrt(1 - self.follows**2) * grows
                picks_from = grows_from + self._lasting(Stage.GROWING, grows)
            if number == under_way and unwritten is not None and picks_from is not None:
                picks_from = np.where(unwritten[0], unwritten[1], picks_from)
            assert picks_from is not None
            first = np.maximum(_day(picks_from), self.first_possible)
            self._lose(self._uniform(numbers, _LOSS), step=step)
            yield self._flush(number, first=first)
            number += 1
            if number > FLUSHES:
                return
            pins_from = self._lasting(Stage.RESTING, self._deviate(numbers, _REST))
            pins_from += first
            pins_from += self.over - 0.5
            step = 1.0

    def _follows(self) -> float:
        """The correlation of pinning and growing times beyond what batches share, which is told stage by stage."""
        own = self.knowledge.follows / max(1 - self.knowledge.profile.batch_share, 0.1)
        return min(max(own, -0.9), 0.9)

    def _paces(self, stage: Stage) -> Floats:
        return self._column([
            crop.colonising_pace if stage is Stage.COLONISING else crop.pace for crop in self.crops
        ])  # fmt: skip

    def _times(self, stage: Stage) -> tuple[Floats, Floats]:
        """Mean log time in each crop's batch [crop, scenario], and the spread about it [scenario]."""
        return np.stack([batch.times[stage][0] for batch in self.batches]), self.batches[0].times[stage][1]

    def _lasting(self, stage: Stage, deviate: Floats) -> Floats:
        """Calendar days of a stage yet to begin."""
        logs, own = self._times(stage)
        logs += own * deviate
        return _calendar(np.exp(logs, out=logs), self._paces(stage))

    def _running(self, stage: Stage) -> Floats:
        """Calendar time at which the running stage ends."""
        centre, own = self._times(stage)
        pace = self._paces(stage)
        if stage is Stage.GROWING and self.follows and any(crop.pinned is not None for crop in self.crops):
            centre, own = self._after_pins(centre, own)
        above = self._column([crop.elapsed for crop in self.crops]) - 0.5 * pace
        lasts = truncated_lognormal(self._uniform("running"), mu=centre, sigma=own, above=above)
        if stage is Stage.PINNING:
            self.late = (np.log(lasts) - centre) / own
        return _calendar(np.maximum(lasts - above, 0.0), pace)

    def _after_pins(self, centre: Floats, own: Floats) -> tuple[Floats, Floats]:
        """Growing times given how late the pins were seen, where that was logged."""
        known = self._column([float(crop.pinned is not None) for crop in self.crops])
        took = self._column([math.log(max(crop.pinned or 0.0, 0.5)) for crop in self.crops])
        pin, pin_own = self._times(Stage.PINNING)
        late = known * np.clip((took - pin) / pin_own, -3, 3)
        return centre + own * self.follows * late, own * np.sqrt(1 - known * self.follows**2)

    # ---- How much

    def _lose(self, uniform: Floats, *, step: float) -> None:
        self.alive = self.alive - binomial(uniform, trials=self.alive, chance=1 - self.strain.keeps**step)
        self.likely = self.likely * self.likely_keeps**step

    def _flush(
        self,
        number: int,
        *,
        first: NDArray[np.int64],
        begin: int = 0,
        hanging: Floats | None = None,
    ) -> Flush:
        """``begin`` is the first place of the picking window still to come; it falls on ``first``, and so does what
        was left ``hanging``, as a share.
        """
        if begin == self.window:
            empty = np.zeros((len(self.knowledge.grades), 0, *self.alive.shape), dtype=np.int32)
            return Flush(number, self.rows, first, empty)
        if hanging is None:
            hanging = np.zeros((len(self.crops), 1))
        days = Days(
            self.knowledge, self.numbers, flush=number, keys=self.keys, begin=begin,
            hanging=hanging,
        )  # fmt: skip
        due = np.maximum(sum(self.knowledge.window[: max(begin, 1)]) - hanging, 0.01)
        coming = self._weight(number, due=due)
        coming *= 1 - self.knowledge.trim_loss
        many = self.crops[0].bags > MANY_BAGS
        spread = days.by_law(self.likely) if many else days.by_bag(self.alive)
        days.leave(spread)
        return Flush(number, self.rows, first, grams(coming, spread, self.by_grade))

    def _weight(self, number: int, *, due: Floats) -> Floats:
        """What is still to come of the flush, as it comes off the bags, before trimming."""
        if self.own is None:
            self.own = self._luck()
        variance = mean_of_bags(self.alive, self.knowledge.profile.bag_cv)
        variance += self.strain.flush_variance
        logs = np.stack([batch.luck for batch in self.batches])
        logs += self.strain.log_yields[number - 1]
        logs += self.own
        logs -= variance / 2
        logs += np.sqrt(variance, out=variance) * self._deviate(f"flush {number}", _BAG)
        dry = self.alive * self._column([float(crop.dry_g_per_bag) for crop in self.crops])
        for row, crop in enumerate(self.crops):
            if crop.stage is Stage.PICKING and crop.picked_g and number == max(crop.flush, 1) and crop.bags:
                drawn = np.log(np.maximum(dry[row], 1e-9)) + logs[row]
                logs[row] = self._rest(row, number, drawn, due=float(due[row, 0]))
                dry[row] = 1.0
        weight: Floats = np.exp(logs, out=logs)
        weight *= dry
        return weight

    def _luck(self) -> Floats:
        """Each crop's own, about its batch's, given what it has shown of it."""
        own = self._deviate("luck")
        for row, (crop, batch) in enumerate(zip(self.crops, self.batches, strict=True)):
            shown, spread = batch.crops.get(crop.key, (0.0, batch.spread))
            own[row] = shown + spread * own[row]
        return own

    def _rest(self, row: int, number: int, drawn: Floats, *, due: float) -> Floats:
        """[scenario] log of what is still to come of a flush partly picked, of which ``drawn`` is the log of the weight
        as it would have been; the crop's luck learns from it.
        """
        crop, taken = self.crops[row], self.crops[row].picked_g
        believed, variance, lasting = self._belief(self.crops[row], number)
        one_bag = float(mean_of_bags(np.array(crop.bags), self.knowledge.profile.bag_cv)) + self.strain.flush_variance
        believed += math.log(max(crop.bags * crop.dry_g_per_bag, 1)) - one_bag / 2
        variance += one_bag
        certainty = max(1 / float(scatter(self.likely[row], self.knowledge)[0]) - 1, 0.05)
        below, log_rest, left = rest_of_flush(
            taken=taken, due=due, certainty=certainty, believed=believed, variance=variance
        )
        kept = min(left / variance, 1.0)
        fresh = self.numbers.deviate("taken", [crop.key])[0]
        mixed = math.sqrt(kept / variance) * (drawn - believed) + math.sqrt(1 - kept) * fresh
        rest: Floats = np.interp(upper_tail(-mixed), below, log_rest)
        assert self.own is not None
        self.own[row] += lasting / variance * (np.logaddexp(math.log(taken), rest) - drawn)
        return rest

    def _belief(self, crop: CropState, number: int) -> tuple[float, float, float]:
        """Mean and variance over all scenarios of a crop's log yield in a flush, and the part of the variance that
        its later flushes share, all given what its flushes gave before.
        """
        strain = self.strain
        mean, variance = strain.beliefs[number - 1]
        weights = pull = 0.0
        for log in crop.gave:
            if log.crop == crop.key:
                before, wide = strain.beliefs[log.flush - 1]
                noise = flush_noise(strain, log)
                told = log_given(self.knowledge, log) + noise / 2 - before
                noise += max(wide - strain.lasting, 0.0)
                weights, pull = weights + 1 / noise, pull + told / noise
        if not weights or strain.lasting <= 0:
            return mean, variance, strain.lasting
        lasting = 1 / (1 / strain.lasting + weights)
        return mean + lasting * pull, variance - strain.lasting + lasting, lasting


def _calendar(lasting: Floats, pace: Floats) -> Floats:
    """Calendar days of so many physiological ones; ``FAR`` where the stage stands still."""
    days = lasting / np.maximum(pace, 1e-300)
    return np.minimum(days, float(FAR), out=days)


def _day(time: Floats) -> NDArray[np.int64]:
    """The day of a time, from today; times are never below noon of yesterday."""
    days = np.minimum(time, FAR)
    return np.floor(days, out=days).astype(np.int64)
