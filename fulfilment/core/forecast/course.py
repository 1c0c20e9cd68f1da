"""The course of one crop from this morning on, in every scenario at once.

Arrays are [scenario] unless named otherwise; calendar times are days from the start of today, so noon of today is
0.5. A day's log stands for its noon: a stage that has run ``elapsed`` days is drawn given that it lasts longer
than half a day less, and what it then lacks is rounded down to a day.  So a stage can end today, never yesterday,
and its mean day is the mean of what was learned.

A flush weighs bags alive x dry grams x efficiency x flush share x batch effect x crop effect x mean of the bag
effects.  Each effect is lognormal with mean one; the mean over n bags has the spread of one divided by the root
of n.  So the cost hangs on crops and scenarios, never on bags, while few bags still scatter as few bags do:

* losses are binomial counts, and a lost bag is lost to every later flush;
* which day a bag's mushrooms are taken is the bag's own affair, so the shares of the picking days are Dirichlet
  with just the variance that n bags, each on one day, have about a crop's own shares; for a single bag that is
  one whole day.

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
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fulfilment.core.forecast.remainder import rest_of_flush
from fulfilment.core.forecast.worlds import BatchWorld
from fulfilment.core.growth import FLUSHES, CropState, Stage
from fulfilment.core.growth.draws import (
    Floats,
    binomial,
    deviates,
    dirichlet,
    log_survival,
    truncated_lognormal,
    uniforms,
)

FAR: Final = 3_650
"""Days: where a stage that stands still is shown to end."""
_EVEN: Final = 1.0
"""Dirichlet parameter below which a second uniform is needed."""

_RUNNING, _COLONISING, _CROP, _TAKEN, _GRADES = range(5)
_FLUSH_SLOTS: Final = 5
_LOSS, _PIN, _GROW, _BAG, _REST = range(_FLUSH_SLOTS)


@dataclass(frozen=True, slots=True, eq=False)
class Flush:
    """One flush: ``first`` [scenario] its first picking day from today; ``grams`` [grade, day, scenario] whole
    grams, trimmed.
    """

    number: int
    first: NDArray[np.int64]
    grams: NDArray[np.int32]


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """What comes next and on which day [scenario]; an unopened batch's day of being grown through and of opening."""

    next_stage: Stage
    next_on: NDArray[np.int64]
    grown_on: NDArray[np.int64] | None
    opened_on: NDArray[np.int64] | None
    flushes: tuple[Flush, ...]


class _Drawn:
    """The crop's own numbers, each set made when first asked for and the same whenever it is."""

    __slots__ = ("_crop", "_numbers", "_scenarios", "_seed")

    def __init__(self, crop: CropState, *, scenarios: int, seed: int) -> None:
        self._crop, self._scenarios, self._seed = crop, scenarios, seed
        self._numbers = self._of("crop", slots=_GRADES)

    def _of(self, kind: str, *, slots: int) -> Floats:
        return uniforms(self._seed, kind=kind, name=self._crop.key, scenarios=self._scenarios, slots=slots)

    def uniform(self, slot: int) -> Floats:
        numbers: Floats = self._numbers[slot]
        return numbers

    def deviate(self, slot: int) -> Floats:
        return deviates(self._numbers[slot])

    def flush(self, number: int, *, days: int) -> Floats:
        """[slot, scenario]: a uniform for the losses of one flush, then deviates: times, bag effect, rest after,
        picking days.
        """
        numbers = self._of(f"flush {number}", slots=_FLUSH_SLOTS + days)
        numbers[_PIN:] = deviates(numbers[_PIN:])
        return numbers

    def second(self, number: int, *, days: int) -> Floats:
        return self._of(f"few bags {number}", slots=days)

    def grades(self, count: int) -> Floats:
        return deviates(self._of("grades", slots=count))


def course(crop: CropState, *, batch: BatchWorld, scenarios: int, days: int, seed: int) -> Course:
    """``crop`` from today; flushes that begin beyond ``days`` in every scenario are left out, except the next."""
    drawn = _Drawn(crop, scenarios=scenarios, seed=seed)
    return _Courser(crop, batch, drawn, scenarios=scenarios, days=days).run()


class _Courser:
    """One crop's computation; lives for one call."""

    def __init__(self, crop: CropState, batch: BatchWorld, drawn: _Drawn, *, scenarios: int, days: int) -> None:
        self.crop, self.batch, self.drawn = crop, batch, drawn
        self.scenarios, self.days = scenarios, days
        self.knowledge = batch.strain.knowledge
        profile = self.knowledge.profile
        self.shares = np.array(self.knowledge.window)
        self.over = self.knowledge.picking_days
        self.alive = np.full(scenarios, float(crop.bags))
        self.likely = float(crop.bags)
        alpha, beta = self.knowledge.loss
        self.likely_keeps = (beta / (alpha + beta)) ** (1 / (FLUSHES + 1))
        self.own: Floats | None = None
        self.first_possible = 1 if crop.picked_today else 0
        names = self.knowledge.grades
        by_name = profile.grade_concentration * np.array([share for _, share in names])
        self.by_grade = np.cumsum(dirichlet(drawn.grades(len(names)), alpha=by_name), axis=0)[:-1]

    def run(self) -> Course:
        crop = self.crop
        if crop.unopened:
            return self._unopened()
        if crop.stage is Stage.FINISHED:
            return Course(Stage.FINISHED, np.zeros(self.scenarios, dtype=np.int64), None, None, ())
        number = max(crop.flush, 1)
        if crop.stage is Stage.PICKING:
            return self._picking(number)
        ends = self._running(crop.stage)
        if crop.stage is Stage.RESTING:
            if number == FLUSHES:
                return Course(Stage.FINISHED, _day(ends), None, None, ())
            return Course(Stage.PINNING, _day(ends), None, None, tuple(self._rounds(number + 1, pins_from=ends)))
        if crop.stage is Stage.PINNING:
            return Course(Stage.GROWING, _day(ends), None, None, tuple(self._rounds(number, grows_from=ends)))
        flushes = tuple(self._rounds(number, picks_from=ends, step=0.5))
        return Course(Stage.PICKING, np.maximum(_day(ends), self.first_possible), None, None, flushes)

    def _unopened(self) -> Course:
        crop = self.crop
        colonising = crop.stage is Stage.COLONISING
        if colonising:
            grown = _day(self._running(Stage.COLONISING))
            self._lose(self.drawn.uniform(_COLONISING), step=1.0)
        else:
            grown = np.zeros(self.scenarios, dtype=np.int64)
        opened = np.maximum(grown, crop.opens_in)
        flushes = tuple(self._rounds(1, pins_from=opened + 0.5))
        return Course(Stage.PINNING, opened, grown, opened, flushes)

    def _picking(self, number: int) -> Course:
        crop, window = self.crop, self.shares.size
        day = min(crop.picking_day, window)
        begin = min(day + self.first_possible, window)
        rest_from = np.full(self.scenarios, self.over - day - 0.5)
        numbers = self.drawn.flush(number, days=window)
        flushes = [self._flush(number, numbers, first=np.full(self.scenarios, begin - day), begin=begin)]
        rests_on = np.full(self.scenarios, max(self.over - 1 - day, 0), dtype=np.int64)
        if number == FLUSHES:
            return Course(Stage.FINISHED, rests_on, None, None, tuple(flushes))
        pins_from = np.maximum(rest_from, -0.5) + self._lasting(Stage.RESTING, numbers[_REST])
        flushes.extend(self._rounds(number + 1, pins_from=pins_from))
        return Course(Stage.RESTING, rests_on, None, None, tuple(flushes))

    def _rounds(
        self,
        number: int,
        *,
        pins_from: Floats | None = None,
        grows_from: Floats | None = None,
        picks_from: Floats | None = None,
        step: float = 1.0,
    ) -> Iterator[Flush]:
        """The flush under way from where it stands, then the later ones while any scenario reaches them."""
        window = self.shares.size
        under_way = number
        while number == under_way or pins_from is None or pins_from.min() < self.days:
            numbers = self.drawn.flush(number, days=window)
            if pins_from is not None:
                grows_from = pins_from + self._lasting(Stage.PINNING, numbers[_PIN])
            if grows_from is not None:
                picks_from = grows_from + self._lasting(Stage.GROWING, numbers[_GROW])
            assert picks_from is not None
            first = np.maximum(_day(picks_from), self.first_possible)
            if number > under_way and first.min() >= self.days:
                return
            self._lose(numbers[_LOSS], step=step)
            yield self._flush(number, numbers, first=first, begin=0)
            number += 1
            if number > FLUSHES:
                return
            pins_from = first + 0.5 + (self.over - 1) + self._lasting(Stage.RESTING, numbers[_REST])
            step = 1.0

    def _pace(self, stage: Stage) -> float:
        return self.crop.colonising_pace if stage is Stage.COLONISING else self.crop.pace

    def _lasting(self, stage: Stage, deviate: Floats) -> Floats:
        """Calendar days of a stage yet to begin."""
        centre, own = self.batch.times[stage]
        return _calendar(np.exp(centre + own * deviate), self._pace(stage))

    def _running(self, stage: Stage) -> Floats:
        """Calendar time at which the running stage ends."""
        centre, own = self.batch.times[stage]
        pace = self._pace(stage)
        above = self.crop.elapsed - 0.5 * pace
        lasts = truncated_lognormal(self.drawn.uniform(_RUNNING), mu=centre, sigma=own, above=above)
        return _calendar(np.maximum(lasts - above, 0.0), pace)

    def _lose(self, uniform: Floats, *, step: float) -> None:
        self.alive = self.alive - binomial(uniform, trials=self.alive, chance=1 - self.batch.strain.keeps**step)
        self.likely *= self.likely_keeps**step

    def _flush(self, number: int, numbers: Floats, *, first: NDArray[np.int64], begin: int) -> Flush:
        """``begin`` is the first place of the picking window still to come; it falls on ``first``."""
        crop, knowledge = self.crop, self.knowledge
        bag_cv = knowledge.profile.bag_cv
        shares = self.shares[begin:]
        if crop.bags == 0 or shares.size == 0:
            empty = np.zeros((len(knowledge.grades), shares.size, self.scenarios), dtype=np.int32)
            return Flush(number, first, empty)
        lookalike = max(self.likely / (1 + bag_cv**2), 1.0)
        crop_part = 1 / (knowledge.window_concentration + 1)
        scatter = crop_part + (1 - crop_part) / lookalike
        due = float(self.shares[: max(begin, 1)].sum())
        taken = crop.picked_g if number == max(crop.flush, 1) and crop.stage is Stage.PICKING else 0
        weight = self._weight(number, numbers[_BAG], bag_cv=bag_cv, taken=taken, due=due, scatter=scatter)
        coming = np.maximum(weight - taken, 0.0) * (1 - knowledge.trim_loss)
        # of what is still to come only its spread over the days is left to draw, and so few days need no draw at all
        alpha = np.maximum(1 / scatter - 1, 0.05) * shares
        second = self.drawn.second(number, days=shares.size) if alpha.min() < _EVEN else None
        spread = dirichlet(numbers[_FLUSH_SLOTS + begin :], alpha=alpha, uniform=second)
        return Flush(number, first, self._grams(coming, spread))

    def _weight(
        self, number: int, bag_deviate: Floats, *, bag_cv: float, taken: int, due: float, scatter: float
    ) -> Floats:
        """The flush's weight as it comes off the bags, before trimming."""
        spread, centre = self.batch.spread, self.batch.log_yields[number - 1]
        bag_variance = np.log1p(bag_cv**2 / np.maximum(self.alive, 1.0))
        crop, strain = self.crop, self.batch.strain
        dry = self.alive * crop.dry_g_per_bag
        own = spread * self.drawn.deviate(_CROP) if self.own is None else self.own
        bags = np.sqrt(bag_variance) * bag_deviate - bag_variance / 2
        if not taken:
            self.own = own
            return np.asarray(dry * np.exp(centre + own + bags))
        whole = crop.bags * crop.dry_g_per_bag
        believed, variance = strain.beliefs[number - 1]
        one_bag = math.log1p(bag_cv**2 / crop.bags)
        believed += math.log(max(whole, 1)) - one_bag / 2
        variance += one_bag
        below, log_rest, left = rest_of_flush(
            taken=taken, due=due, certainty=max(1 / scatter - 1, 0.05), believed=believed, variance=variance
        )
        drawn = np.log(np.maximum(dry, 1e-9)) + centre + own + bags
        kept = min(left / variance, 1.0)
        mixed = math.sqrt(kept / variance) * (drawn - believed) + math.sqrt(1 - kept) * self.drawn.deviate(_TAKEN)
        weight = taken + np.exp(np.interp(1 - np.exp(log_survival(mixed)), below, log_rest))
        self.own = own + strain.lasting / variance * (np.log(weight) - drawn)
        return np.asarray(weight)

    def _grams(self, coming: Floats, spread: Floats) -> NDArray[np.int32]:
        """[grade, day, scenario] whole grams: running sums are rounded, so that days and grades sum to the flush."""
        until = np.floor(np.cumsum(spread, axis=0) * coming + 0.5)
        by_day = until.copy()
        by_day[1:] -= until[:-1]
        grams = np.empty((len(self.by_grade) + 1, *by_day.shape), dtype=np.int32)
        given = np.zeros_like(by_day)
        for place, share in enumerate(self.by_grade):
            until_grade = np.floor(by_day * share + 0.5)
            grams[place] = until_grade - given
            given = until_grade
        grams[-1] = by_day - given
        return grams


def _calendar(lasting: Floats, pace: float) -> Floats:
    if pace <= 0:
        return np.full_like(lasting, float(FAR))
    return np.minimum(lasting / pace, float(FAR))


def _day(time: Floats) -> NDArray[np.int64]:
    return np.minimum(np.floor(time), FAR).astype(np.int64)
