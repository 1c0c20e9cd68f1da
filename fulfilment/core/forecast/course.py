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
from fulfilment.core.forecast.worlds import BatchWorld, flush_noise, log_given
from fulfilment.core.growth import FLUSHES, CropState, Stage
from fulfilment.core.growth.draws import (
    Floats,
    binomial,
    deviates,
    dirichlet,
    log_survival,
    normal_quantile,
    truncated_lognormal,
    uniforms,
)

FAR: Final = 3_650
"""Days: where a stage that stands still is shown to end."""
_FIRST_BITS: Final = 16
"""Of a uniform's 32 bits: those after them are even by themselves whatever the first ones are."""
_FEW_BAGS, _MANY_BAGS = 2.5, 60.0
"""A bag is picked on one day: of fewer than many bags some days get none, of fewer than few one day gets nearly all."""
_EVEN: Final = 1.0
"""Dirichlet parameter below which a second uniform is needed."""

_NODES: Final = 24
"""Moments at which pins that nobody wrote down may have come, weighed one against the other."""

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

    def flush(self, number: int, *, days: int) -> tuple[Floats, Floats]:
        """[slot, scenario]: a uniform for the losses of one flush, then deviates: times, bag effect, rest after,
        picking days.  And [day, scenario] further uniforms: the last bits of the picking days' own, on which their
        deviates hardly hang.
        """
        numbers = self._of(f"flush {number}", slots=_FLUSH_SLOTS + days)
        last_bits = numbers[_FLUSH_SLOTS:] * 2.0**_FIRST_BITS
        last_bits -= np.floor(last_bits)
        numbers[_PIN:] = deviates(numbers[_PIN:])
        return numbers, last_bits

    def second(self, number: int, *, days: int) -> Floats:
        return self._of(f"few bags {number}", slots=days)

    def unwritten(self) -> Floats:
        return self._of("unwritten", slots=3)

    def waiting(self) -> Floats:
        numbers: Floats = self._of("waiting", slots=1)[0]
        return numbers

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
        self.late: Floats | None = None
        self.follows = self._follows()
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
            flushes = tuple(self._rounds(number, grows_from=ends, late=self.late, unwritten=self._unwritten()))
            return Course(Stage.GROWING, _day(ends), None, None, flushes)
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
        opened = np.maximum(grown + self._waiting(), crop.opens_in)
        flushes = tuple(self._rounds(1, pins_from=opened + 0.5))
        return Course(Stage.PINNING, opened, grown, opened, flushes)

    def _waiting(self) -> NDArray[np.int64]:
        """Days from being grown through to being opened, as this farm does it; of those begun, what is left of them."""
        chances = np.array(self.knowledge.waits)
        waited = min(self.crop.waited, chances.size - 1)
        if chances.size - waited == 1:
            return np.zeros(self.scenarios, dtype=np.int64)
        below = np.cumsum(chances[waited:]) / chances[waited:].sum()
        return np.searchsorted(below, self.drawn.waiting() * (1 - 1e-12)).astype(np.int64)

    def _unwritten(self) -> tuple[NDArray[np.bool_], Floats] | None:
        """Scenarios in which the pins came, or will, without anybody writing it down, and when the first mushrooms are
        then ripe: after the last look the pins, after yesterday the mushrooms.
        """
        crop, chance = self.crop, self.knowledge.unwritten
        if crop.looked is None or crop.pace <= 0 or crop.elapsed - crop.looked < 1e-6:
            return None
        numbers = self.drawn.unwritten()
        (pin, pin_own), (grow, grow_own) = self.batch.times[Stage.PINNING], self.batch.times[Stage.GROWING]
        until = max(crop.elapsed - 0.5 * crop.pace, 1e-6)
        looked = max(crop.looked - 0.5 * crop.pace, 1e-6)
        seen_from = (math.log(looked) - pin) / pin_own
        unseen = np.exp(log_survival(seen_from))
        nodes = (np.arange(_NODES) + 0.5)[:, None] / _NODES
        tails = np.clip(unseen * (1 - nodes), 1e-300, 1 - 1e-16)
        pins = np.exp(pin - pin_own * normal_quantile(tails))
        need = until - pins
        floor = (np.log(np.maximum(need, 1e-9)) - grow) / grow_own
        alive = np.where(need > 0, np.exp(log_survival(floor)), 1.0)
        below = np.cumsum(alive, axis=0)
        weight = chance * unseen * below[-1] / _NODES
        written = (1 - chance) * np.exp(log_survival((math.log(until) - pin) / pin_own))
        passed = numbers[0] < weight / np.maximum(weight + written, 1e-300)
        node = np.minimum((below < numbers[1] * below[-1]).sum(axis=0), _NODES - 1)
        chosen = node, np.arange(self.scenarios)
        # the tail above what is needed, on the scale of the growing stage's own deviate
        left = np.maximum(alive[chosen] * (1 - numbers[2]), 1e-300)
        grows = np.exp(grow - grow_own * normal_quantile(np.clip(left, 1e-300, 1 - 1e-16)))
        return passed, _calendar(np.maximum(pins[chosen] + grows - until, 0.0), crop.pace)

    def _picking(self, number: int) -> Course:
        crop, window = self.crop, self.shares.size
        day = min(crop.picking_day, window)
        begin = min(day + self.first_possible, window)
        rest_from = np.full(self.scenarios, self.over - day - 0.5)
        numbers, chances = self.drawn.flush(number, days=window)
        hanging = self._left_hanging(day) if begin < window else 0.0
        first = np.full(self.scenarios, begin - day)
        flushes = [self._flush(number, numbers, chances, first=first, begin=begin, hanging=hanging)]
        rests_on = np.full(self.scenarios, max(self.over - 1 - day, 0), dtype=np.int64)
        if number == FLUSHES:
            return Course(Stage.FINISHED, rests_on, None, None, tuple(flushes))
        pins_from = np.maximum(rest_from, -0.5) + self._lasting(Stage.RESTING, numbers[_REST])
        flushes.extend(self._rounds(number + 1, pins_from=pins_from))
        return Course(Stage.RESTING, rests_on, None, None, tuple(flushes))

    def _left_hanging(self, day: int) -> float:
        """The part of the flush that was due on the days just missed and probably hangs there still.

        Nothing taken says that nothing was ripe or that somebody left it for the next day; with many bags the first
        is unlikely.
        """
        missed = float(self.shares[max(day - self.crop.missed, 0) : day].sum())
        if not missed:
            return 0.0
        bags = min(self.likely, self.knowledge.window_concentration)
        nothing, skipped = (1 - missed) ** bags, self.knowledge.skipped**self.crop.missed
        return float(missed * skipped * (1 - nothing) / max(skipped * (1 - nothing) + nothing, 1e-12))

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
        window = self.shares.size
        under_way = number
        while number == under_way or pins_from is None or pins_from.min() < self.days:
            numbers, chances = self.drawn.flush(number, days=window)
            if pins_from is not None:
                late = numbers[_PIN]
                grows_from = pins_from + self._lasting(Stage.PINNING, late)
            if grows_from is not None:
                grows = numbers[_GROW]
                if late is not None and self.follows:
                    grows = self.follows * late + math.sqrt(1 - self.follows**2) * grows
                picks_from = grows_from + self._lasting(Stage.GROWING, grows)
            if number == under_way and unwritten is not None and picks_from is not None:
                picks_from = np.where(unwritten[0], unwritten[1], picks_from)
            assert picks_from is not None
            first = np.maximum(_day(picks_from), self.first_possible)
            if number > under_way and first.min() >= self.days:
                return
            self._lose(numbers[_LOSS], step=step)
            yield self._flush(number, numbers, chances, first=first, begin=0)
            number += 1
            if number > FLUSHES:
                return
            pins_from = first + 0.5 + (self.over - 1) + self._lasting(Stage.RESTING, numbers[_REST])
            step = 1.0

    def _follows(self) -> float:
        """The correlation of pinning and growing times beyond what batches share, which is told stage by stage."""
        own = self.knowledge.follows / max(1 - self.knowledge.profile.batch_share, 0.1)
        return min(max(own, -0.9), 0.9)

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
        if stage is Stage.GROWING and self.crop.pinned is not None and self.follows:
            pin, pin_own = self.batch.times[Stage.PINNING]
            late = np.clip((math.log(max(self.crop.pinned, 0.5)) - pin) / pin_own, -3, 3)
            centre, own = centre + own * self.follows * late, own * math.sqrt(1 - self.follows**2)
        above = self.crop.elapsed - 0.5 * pace
        lasts = truncated_lognormal(self.drawn.uniform(_RUNNING), mu=centre, sigma=own, above=above)
        if stage is Stage.PINNING:
            self.late = (np.log(lasts) - centre) / own
        return _calendar(np.maximum(lasts - above, 0.0), pace)

    def _lose(self, uniform: Floats, *, step: float) -> None:
        self.alive = self.alive - binomial(uniform, trials=self.alive, chance=1 - self.batch.strain.keeps**step)
        self.likely *= self.likely_keeps**step

    def _flush(
        self,
        number: int,
        numbers: Floats,
        chances: Floats,
        *,
        first: NDArray[np.int64],
        begin: int,
        hanging: float = 0.0,
    ) -> Flush:
        """``begin`` is the first place of the picking window still to come; it falls on ``first``, and so does what
        was left ``hanging``, as a share.
        """
        crop, knowledge = self.crop, self.knowledge
        bag_cv = knowledge.profile.bag_cv
        shares = self.shares[begin:].copy()
        shares[:1] += hanging
        if crop.bags == 0 or shares.size == 0:
            empty = np.zeros((len(knowledge.grades), shares.size, self.scenarios), dtype=np.int32)
            return Flush(number, first, empty)
        lookalike = max(self.likely / (1 + bag_cv**2), 1.0)
        crop_part = 1 / (knowledge.window_concentration + 1)
        scatter = crop_part + (1 - crop_part) / lookalike
        due = max(float(self.shares[: max(begin, 1)].sum()) - hanging, 0.01)
        taken = crop.picked_g if number == max(crop.flush, 1) and crop.stage is Stage.PICKING else 0
        weight = self._weight(number, numbers[_BAG], bag_cv=bag_cv, taken=taken, due=due, scatter=scatter)
        coming = np.maximum(weight - taken, 0.0) * (1 - knowledge.trim_loss)
        # of what is still to come only its spread over the days is left to draw, and so few days need no draw at all
        certainty = max(1 / scatter - 1, 0.05)
        deviate, chance = numbers[_FLUSH_SLOTS + begin :], chances[begin:]
        bags = self.likely * float(shares.sum())
        if _FEW_BAGS < bags < _MANY_BAGS and shares.size > 1:
            spread = self._whole_bags(deviate, chance, shares=shares, bags=bags, certainty=certainty)
        else:
            alpha = certainty * shares
            second = self.drawn.second(number, days=shares.size) if alpha.min() < _EVEN else None
            spread = dirichlet(deviate, alpha=alpha, uniform=second)
        if knowledge.skipped > 0:
            # the first picking day of all is one on which somebody picked
            for day in range(0 if begin else 1, shares.size - 1):
                left = np.where(chance[day] < knowledge.skipped, spread[day], 0.0)
                spread[day] -= left
                spread[day + 1] += left
        return Flush(number, first, self._grams(coming, spread))

    def _whole_bags(self, deviate: Floats, chance: Floats, *, shares: Floats, bags: float, certainty: float) -> Floats:
        """[day, scenario] shares where few bags, each taken on one day, leave some days with none at all.

        A day is empty as often as beta-binomial bags leave it; the others are gamma with what spread is then left.
        """
        parts, alike = shares / shares.sum(), self.knowledge.window_concentration * float(shares.sum())
        full = np.array([1 - _nobody(part, bags=bags, alike=alike) for part in parts])
        spread = np.maximum((1 + 1 / (certainty * shares)) * full - 1, 0.02) * max(1 - 2.7 / bags, 0.15)
        roots = 1 - spread[:, None] / 9 + deviate * (np.sqrt(spread) / 3)[:, None]
        gammas = (parts / full)[:, None] * np.maximum(roots, 1e-3) ** 3
        there = np.where(chance > 1 - full[:, None], gammas, 0.0)
        sums = there.sum(axis=0)
        empty = sums <= 0
        there[:, empty] = gammas[:, empty]
        sums[empty] = gammas[:, empty].sum(axis=0)
        there /= sums
        return there

    def _weight(
        self, number: int, bag_deviate: Floats, *, bag_cv: float, taken: int, due: float, scatter: float
    ) -> Floats:
        """The flush's weight as it comes off the bags, before trimming."""
        spread, centre = self.batch.spread, self.batch.log_yields[number - 1]
        crop, strain = self.crop, self.batch.strain
        bag_variance = np.log1p(bag_cv**2 / np.maximum(self.alive, 1.0)) + strain.flush_variance
        dry = self.alive * crop.dry_g_per_bag
        if self.own is None:
            shown, spread = self.batch.crops.get(crop.key, (0.0, spread))
            own = shown + spread * self.drawn.deviate(_CROP)
        else:
            own = self.own
        bags = np.sqrt(bag_variance) * bag_deviate - bag_variance / 2
        if not taken:
            self.own = own
            return np.asarray(dry * np.exp(centre + own + bags))
        whole = crop.bags * crop.dry_g_per_bag
        believed, variance, lasting = self._belief(number)
        one_bag = math.log1p(bag_cv**2 / crop.bags) + strain.flush_variance
        believed += math.log(max(whole, 1)) - one_bag / 2
        variance += one_bag
        below, log_rest, left = rest_of_flush(
            taken=taken, due=due, certainty=max(1 / scatter - 1, 0.05), believed=believed, variance=variance
        )
        drawn = np.log(np.maximum(dry, 1e-9)) + centre + own + bags
        kept = min(left / variance, 1.0)
        mixed = math.sqrt(kept / variance) * (drawn - believed) + math.sqrt(1 - kept) * self.drawn.deviate(_TAKEN)
        weight = taken + np.exp(np.interp(1 - np.exp(log_survival(mixed)), below, log_rest))
        self.own = own + lasting / variance * (np.log(weight) - drawn)
        return np.asarray(weight)

    def _belief(self, number: int) -> tuple[float, float, float]:
        """Mean and variance over all scenarios of this crop's log yield in a flush, and the part of the variance that
        its later flushes share, all given what its flushes gave before.
        """
        strain = self.batch.strain
        mean, variance = strain.beliefs[number - 1]
        weights = pull = 0.0
        for log in self.crop.gave:
            if log.crop == self.crop.key:
                before, wide = strain.beliefs[log.flush - 1]
                noise = flush_noise(strain, log)
                told = log_given(self.knowledge, log) + noise / 2 - before
                noise += max(wide - strain.lasting, 0.0)
                weights, pull = weights + 1 / noise, pull + told / noise
        if not weights or strain.lasting <= 0:
            return mean, variance, strain.lasting
        lasting = 1 / (1 / strain.lasting + weights)
        return mean + lasting * pull, variance - strain.lasting + lasting, lasting

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


def _nobody(part: float, *, bags: float, alike: float) -> float:
    """The chance that none of so many bags is picked on a day of this share, crops being as alike as a beta says."""
    rest = alike * (1 - part)
    return math.exp(math.lgamma(rest + bags) - math.lgamma(rest) + math.lgamma(alike) - math.lgamma(alike + bags))


def _calendar(lasting: Floats, pace: float) -> Floats:
    if pace <= 0:
        return np.full_like(lasting, float(FAR))
    return np.minimum(lasting / pace, float(FAR))


def _day(time: Floats) -> NDArray[np.int64]:
    return np.minimum(np.floor(time), FAR).astype(np.int64)
