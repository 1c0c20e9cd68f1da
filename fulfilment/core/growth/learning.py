"""What the farm's own logs have taught about a strain.

Stage times are lognormal.  Location mu and spread sigma are not known but weighed on a grid over (mu, log sigma):
the profile's belief, worth its weight in crops, times the density of each stage that ended, times the chance of
lasting so long of each that still runs.  Leaving the running ones out would make the strain look fast, since the
slow crops are the ones not over yet.  Without running stages the grid is the textbook's normal-inverse-gamma
posterior, and a new crop's log time a Student t.

Yields are learned the same way: log of (picked / dry grams / share of that flush) is normal with the mean
efficiency and the spread between crops on a grid.  A crop's flushes share its luck, so each counts by its share
and a whole crop counts once. Shares of the flushes are what was picked per dry gram in each, drawn towards the
profile's by ``flush_weight`` crops, so that a third flush nobody has logged yet is no proof that there is none.
What a crop's flushes do not share is learned from crops of which more than one is over.
Losses: a beta belief plus bags lost and bags kept.  How a farm keeps its log is learned too: how many flushes come to
be picked whose pins nobody wrote down, how many ripe mushrooms are left for the next day, how many days a batch that
is grown through waits to be opened.  How a flush comes over its picking days is learned too: the mean
shares by day, which may reach a few days further than the profile's, since some mushrooms are left for tomorrow on
every farm, and how alike crops are in them.

Worked example: belief 7 days, cv 0.2, worth 4; four crops pinned after 9, 9, 9 and 9 days: the middle moves to
the geometric middle of 6.9 and 9, 7.9 days, and the spread grows with the disagreement.

Source: Gelman et al., Bayesian Data Analysis, sections on the normal model with unknown mean and variance and on
censored data (from memory).
"""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from fulfilment.core.growth.crops import FlushLog, GradeLog, LossLog, PickingLog, Stage, StageLog, TrimLog
from fulfilment.core.growth.draws import Floats, log_survival
from fulfilment.core.growth.profile import FLUSHES, StagePrior, StrainProfile
from fulfilment.core.problems import Invalid

_SHORTEST: Final = 0.5
"""Days: a stage seen to begin and end on one day took about half of one."""
_FAILED: Final = 0.05
"""A flush that gave nothing counts as this part of what was due: a logarithm needs something."""
_TRIM_WEIGHT: Final = 10.0
_GRADE_WEIGHT: Final = 5.0
_LATE_DAYS: Final = 3
"""How many days beyond the profile's a picking window can be learned to last."""
_LIKENESS_WEIGHT: Final = 6.0
"""How many flushes the profile's likeness of crops in their picking days is worth."""
_SELDOM: Final = 0.002
_LIKENESS: Final = (0.005, 0.6)
"""Bounds of the part of the spread over picking days that is the crop's own."""
_FLUSH_SPREAD: Final = (0.1, 8.0)
"""What a crop's flushes do not share, as a spread of the log, and how many flushes that belief is worth."""
_UNWRITTEN: Final = (1.0, 9.0)
"""Belief in flushes whose pins nobody writes down, among those that are picked: some of ten."""
_SKIPPED: Final = (0.0, 10.0)
"""Belief in picking days left out, among those between the first and the last: none until the farm shows otherwise."""
_FOLLOWS_WEIGHT: Final = 8.0
"""How many flushes the belief that pinning and growing times have nothing to do with each other is worth."""
_WAIT_WEIGHT: Final = 1.0
_LONGEST_WAIT: Final = 28
_OVER: Final = 0.95
"""The share of a flush after which the crop rests."""
_ROWS: Final = 61
_COLUMNS: Final = 121
_ROUNDS: Final = 20
"""In which levels of crops and shares of flushes are fitted in turn."""


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """Weights [row, column] over log_sigma [row] and mu [column], summing to 1."""

    mu: Floats
    log_sigma: Floats
    weights: Floats

    def draw(self, uniform: Floats) -> tuple[Floats, Floats]:
        """(mu, sigma), each [scenario], from two uniforms [2, scenario]; continuous between the grid's points."""
        by_row = self.weights.sum(axis=1)
        row, log_sigma = _inverse(uniform[0], np.cumsum(by_row)[None, :], self.log_sigma)
        along = np.cumsum(self.weights, axis=1)
        along /= np.maximum(along[:, -1:], 1e-300)
        _, mu = _inverse(uniform[1], along[row], self.mu)
        return mu, np.exp(log_sigma)

    @property
    def mean(self) -> tuple[float, float]:
        """Posterior means of mu and sigma."""
        return (
            float(self.weights.sum(axis=0) @ self.mu),
            float(self.weights.sum(axis=1) @ np.exp(self.log_sigma)),
        )

    @property
    def variances(self) -> tuple[float, float]:
        """Variance of mu, and the mean of sigma squared."""
        by_column = self.weights.sum(axis=0)
        return (
            float(by_column @ (self.mu - by_column @ self.mu) ** 2),
            float(self.weights.sum(axis=1) @ np.exp(2 * self.log_sigma)),
        )


def _inverse(uniform: Floats, below: Floats, grid: Floats) -> tuple[np.ndarray[tuple[int], np.dtype[np.intp]], Floats]:
    """Grid cell and value between the cell's edges at which the summed weights ``below`` [one or scenario, cell]
    pass ``uniform``.
    """
    cell = np.minimum((below < uniform[:, None]).sum(axis=1), grid.size - 1)
    table = np.broadcast_to(below, (uniform.size, grid.size))
    rows = np.arange(uniform.size)
    upper = table[rows, cell]
    lower = np.where(cell > 0, table[rows, cell - 1], 0.0)
    part = np.clip((uniform - lower) / np.maximum(upper - lower, 1e-300), 0, 1)
    return cell, grid[cell] + (part - 0.5) * (grid[1] - grid[0])


@dataclass(frozen=True, slots=True, eq=False)
class Knowledge:
    """A strain as learned: posteriors of stage times and efficiency, and what is known of shares and losses.

    ``flushes`` are the Dirichlet parameters of the flush shares, ``loss`` the beta's, ``grades`` names with mean
    shares.  ``window`` has the mean shares by picking day, ``window_concentration`` how alike crops are in them.
    ``flush_spread`` is the spread of the log yield that a crop's flushes do not share.  ``unwritten`` is the chance
    that nobody writes down a flush's pins, ``skipped`` the one that ripe mushrooms are left for the next day,
    ``waits`` the chances that a batch grown through is opened after 0, 1, 2 ... days.  ``follows`` is the
    correlation of the logs of pinning and growing times within a flush: below nought where pins are often seen late.
    """

    profile: StrainProfile
    colonising: Posterior
    pinning: Posterior
    growing: Posterior
    resting: Posterior
    efficiency: Posterior
    flushes: tuple[float, ...]
    window: tuple[float, ...]
    window_concentration: float
    loss: tuple[float, float]
    grades: tuple[tuple[str, float], ...]
    trim_loss: float
    flush_spread: float = _FLUSH_SPREAD[0]
    unwritten: float = _UNWRITTEN[0] / sum(_UNWRITTEN)
    skipped: float = _SKIPPED[0] / sum(_SKIPPED)
    waits: tuple[float, ...] = (1.0,)
    follows: float = 0.0

    @property
    def picking_days(self) -> int:
        """After so many days a flush is over but for stragglers."""
        return int(np.searchsorted(np.cumsum(self.window), _OVER - 1e-9)) + 1

    def digest(self) -> str:
        """The same for the same knowledge, on any machine with the same arithmetic."""
        seen = hashlib.sha256()
        for posterior in (self.colonising, self.pinning, self.growing, self.resting, self.efficiency):
            for array in (posterior.mu, posterior.log_sigma, posterior.weights):
                seen.update(np.ascontiguousarray(array, dtype="<f8").tobytes())
        seen.update(
            repr(
                (
                    self.profile,
                    self.flushes,
                    self.window,
                    self.window_concentration,
                    self.loss,
                    self.grades,
                    self.trim_loss,
                    self.flush_spread,
                    self.unwritten,
                    self.skipped,
                    self.waits,
                    self.follows,
                )
            ).encode()
        )
        return seen.hexdigest()


def learn(
    profile: StrainProfile,
    *,
    stages: Iterable[StageLog] = (),
    flushes: Iterable[FlushLog] = (),
    pickings: Iterable[PickingLog] = (),
    losses: Iterable[LossLog] = (),
    trims: Iterable[TrimLog] = (),
    grades: Iterable[GradeLog] = (),
    pins_written: Iterable[bool] = (),
    waits: Iterable[int] = (),
    pairs: Iterable[tuple[float, float]] = (),
) -> Knowledge:
    """``profile`` after these logs; without any, the profile itself as a distribution.

    ``pins_written`` says of each flush that came to be picked whether its pins were logged before, ``waits`` how many
    days each opened batch waited after it was seen to be grown through, ``pairs`` how long the pins of a flush took to
    be seen and how long they then grew.
    """
    by_stage: dict[Stage, list[StageLog]] = {}
    for log in stages:
        if not (math.isfinite(log.days) and log.days >= 0):
            raise Invalid(f"A stage cannot have lasted {log.days:g} days: 0 or more.", code="negative")
        by_stage.setdefault(log.stage, []).append(log)
    picked = list(flushes)
    for flush in picked:
        if not 1 <= flush.flush <= FLUSHES or flush.dry_g <= 0 or flush.picked_g < 0:
            raise Invalid(
                f"A flush log needs a flush from 1 to {FLUSHES}, dry grams above 0 and picked grams of 0 or more.",
                code="impossible",
            )
    shares, _ = _flush_shares(profile, picked, _FLUSH_SPREAD[0])
    flush_spread = _flush_spread(profile, picked, shares)
    shares, certainty = _flush_shares(profile, picked, flush_spread)
    picking = list(pickings)
    window, likeness = _window(profile, picking)
    return Knowledge(
        profile=profile,
        colonising=stage_posterior(profile.colonising, by_stage.get(Stage.COLONISING, ())),
        pinning=stage_posterior(profile.pinning, by_stage.get(Stage.PINNING, ())),
        growing=stage_posterior(profile.growing, by_stage.get(Stage.GROWING, ())),
        resting=stage_posterior(profile.resting, by_stage.get(Stage.RESTING, ())),
        efficiency=_efficiency_posterior(profile, picked, shares, flush_spread),
        flushes=tuple(certainty * share for share in shares),
        window=window,
        window_concentration=likeness,
        loss=_loss(profile, losses),
        grades=_grade_shares(profile, grades),
        trim_loss=_trim_loss(profile, trims),
        flush_spread=flush_spread,
        unwritten=_share((not written for written in pins_written), belief=_UNWRITTEN),
        skipped=_share((not grams for log in picking for grams in log.grams[1:-1]), belief=_SKIPPED),
        waits=_waits(list(waits)),
        follows=_follows(list(pairs)),
    )


def _share(found: Iterable[bool], *, belief: tuple[float, float]) -> float:
    """Mean of a beta belief (yes, no) after what was found."""
    yes, no = belief
    for each in found:
        yes, no = yes + each, no + (not each)
    return yes / (yes + no)


def _waits(days: Sequence[int]) -> tuple[float, ...]:
    """Chances of waiting 0, 1, 2 ... days; none at all is believed until the farm shows otherwise."""
    counts = [_WAIT_WEIGHT] + [0.0] * min(max(days, default=0), _LONGEST_WAIT)
    for each in days:
        if each < 0:
            raise Invalid("A batch cannot have waited less than 0 days to be opened.", code="negative")
        counts[min(each, _LONGEST_WAIT)] += 1
    return tuple(count / math.fsum(counts) for count in counts)


def _follows(pairs: Sequence[tuple[float, float]]) -> float:
    """Pins that were seen a day late have a day less to grow, so the two together scatter less than each alone says."""
    if len(pairs) < 3:
        return 0.0
    logs = np.log(np.maximum(np.array(pairs), _SHORTEST))
    logs = logs - logs.mean(axis=0)
    squares = (logs**2).sum(axis=0)
    if not squares.all():
        return 0.0
    seen = float((logs[:, 0] * logs[:, 1]).sum() / math.sqrt(squares[0] * squares[1]))
    return seen * len(pairs) / (len(pairs) + _FOLLOWS_WEIGHT)


def _flush_spread(profile: StrainProfile, flushes: Sequence[FlushLog], shares: Sequence[float]) -> float:
    """What the flushes of one crop differ by beyond their shares and their bags' own luck."""
    believed, weight = _FLUSH_SPREAD
    squares = weight * believed**2
    by_crop: dict[str, list[FlushLog]] = {}
    for log in flushes:
        if log.crop and log.bags and log.picked_g:
            by_crop.setdefault(log.crop, []).append(log)
    for own in by_crop.values():
        logs = np.array([math.log(log.picked_g / log.dry_g / shares[log.flush - 1]) for log in own])
        bags = sum(math.log1p(profile.bag_cv**2 / log.bags) for log in own) / len(own)
        squares += float(((logs - logs.mean()) ** 2).sum()) - (len(own) - 1) * bags
        weight += len(own) - 1
    return math.sqrt(max(squares / weight, 1e-4))


def stage_posterior(prior: StagePrior, logs: Sequence[StageLog]) -> Posterior:
    """Location and spread of the log of one stage's time."""
    spread = math.sqrt(math.log1p(prior.cv**2))
    ended = np.array([math.log(max(log.days, _SHORTEST)) for log in logs if log.ended])
    # to a tenth of a day, so that many crops opened together cost as one
    tenths = (round(log.days, 1) for log in logs if not log.ended)
    running = Counter(math.log(days) for days in tenths if days > 0)
    belief = _Belief(
        location=math.log(prior.mean_days) - spread**2 / 2,
        spread=spread,
        weight=prior.weight,
        doubt=None,
        of_mean=False,
    )
    return _weigh(belief, seen=ended, counts=np.ones_like(ended), running=running)


def _efficiency_posterior(
    profile: StrainProfile, flushes: Sequence[FlushLog], shares: Sequence[float], flush_spread: float
) -> Posterior:
    """Log of the strain's mean efficiency (as a ratio) and the spread of crops around it, batch and crop effect
    together.  Of a crop that is named its flushes count as one, blurred by what is the flushes' and the bags' own.
    """
    variance = math.log1p(profile.efficiency_cv**2 / profile.efficiency_weight)
    belief = _Belief(
        location=math.log(profile.efficiency_pct / 100) - variance / 2,
        spread=max(math.sqrt(math.log1p(profile.batch_cv**2 + profile.crop_cv**2)), 0.02),
        weight=profile.efficiency_weight,
        doubt=math.sqrt(variance),
        of_mean=True,
    )
    least = _FAILED * profile.efficiency_pct / 100
    seen, counts, noises = [], [], []
    by_crop: dict[str, list[tuple[float, float]]] = {}
    for log in flushes:
        ratio = math.log(max(log.picked_g / (shares[log.flush - 1] * log.dry_g), least))
        if log.crop and log.bags:
            noise = flush_spread**2 + math.log1p(profile.bag_cv**2 / log.bags)
            by_crop.setdefault(log.crop, []).append((ratio + noise / 2, noise))
        else:
            seen.append(ratio)
            counts.append(shares[log.flush - 1])
            noises.append(0.0)
    for own in by_crop.values():
        weight = sum(1 / noise for _, noise in own)
        seen.append(sum(ratio / noise for ratio, noise in own) / weight)
        counts.append(1.0)
        noises.append(1 / weight)
    return _weigh(
        belief, seen=np.array(seen), counts=np.array(counts), running=Counter(), noises=np.array(noises).round(3)
    )


@dataclass(frozen=True, slots=True)
class _Belief:
    """Where mu and sigma lie before the logs; ``doubt`` is mu's own spread, or None for sigma / sqrt(weight).

    ``of_mean``: mu is the log of the mean and not of the median, half a variance higher.
    """

    location: float
    spread: float
    weight: float
    doubt: float | None
    of_mean: bool


def _weigh(
    belief: _Belief, *, seen: Floats, counts: Floats, running: Counter[float], noises: Floats | None = None
) -> Posterior:
    """Twice: a wide grid to find where the weight lies, then a fine one there.  ``noises`` is the variance by which
    each of ``seen`` is blurred.
    """
    blurred = np.zeros_like(seen) if noises is None else noises
    groups = [(float(noise), seen[blurred == noise], counts[blurred == noise]) for noise in np.unique(blurred)]
    sigmas = [belief.spread]
    if seen.size > 1 and seen.std() > 0:
        sigmas.append(float(seen.std()))
    marks = [belief.location, *seen.tolist(), *running]
    doubt = belief.doubt or belief.spread / math.sqrt(belief.weight)
    reach = 8 * max(*sigmas, doubt)
    rows = np.linspace(math.log(min(sigmas)) - 2.5, math.log(max(sigmas)) + 2.5, _ROWS)
    columns = np.linspace(min(marks) - reach, max(marks) + reach, 2 * _COLUMNS)
    for _ in range(2):
        weights = _grid_weights(belief, rows, columns, groups=groups, running=running)
        rows = _narrow(rows, weights.sum(axis=1), _ROWS)
        columns = _narrow(columns, weights.sum(axis=0), _COLUMNS)
    weights = _grid_weights(belief, rows, columns, groups=groups, running=running)
    return Posterior(mu=columns, log_sigma=rows, weights=weights)


def _narrow(grid: Floats, weights: Floats, size: int) -> Floats:
    heavy = np.nonzero(weights > weights.max() * 1e-6)[0]
    step = grid[1] - grid[0]
    return np.linspace(grid[heavy[0]] - step, grid[heavy[-1]] + step, size)


def _grid_weights(
    belief: _Belief,
    rows: Floats,
    columns: Floats,
    *,
    groups: Sequence[tuple[float, Floats, Floats]],
    running: Counter[float],
) -> Floats:
    log_sigma, mu = rows[:, None], columns[None, :]
    variance = np.exp(2 * log_sigma)
    median = mu - variance / 2 if belief.of_mean else mu + np.zeros_like(variance)
    # scaled inverse chi-squared of the variance, per log sigma
    logs = -belief.weight * (log_sigma + belief.spread**2 / (2 * variance))
    if belief.doubt is None:
        logs = logs - log_sigma - belief.weight * (mu - belief.location) ** 2 / (2 * variance)
    else:
        logs = logs - (mu - belief.location) ** 2 / (2 * belief.doubt**2)
    for noise, seen, counts in groups:
        whole = counts.sum()
        middle = float(counts @ seen / whole)
        around = float(counts @ (seen - middle) ** 2)
        wide = variance + noise
        logs = logs - whole * np.log(wide) / 2 - (around + whole * (median - middle) ** 2) / (2 * wide)
    for mark, times in running.items():
        logs = logs + times * log_survival((mark - median) / np.sqrt(variance))
    weights: Floats = np.exp(logs - logs.max())
    weights /= weights.sum()
    return weights


def _flush_shares(
    profile: StrainProfile, flushes: Sequence[FlushLog], flush_spread: float
) -> tuple[list[float], float]:
    """Mean shares, and the Dirichlet's concentration: how surely they are known."""
    if not any(log.picked_g for log in flushes):
        return list(profile.flush_shares), profile.flush_concentration
    if all(log.crop and log.bags for log in flushes):
        return _shares_within_crops(profile, flushes, flush_spread)
    prior = profile.flush_shares
    per_dry = [[log.picked_g / log.dry_g for log in flushes if log.flush == place + 1] for place in range(FLUSHES)]
    due = math.fsum(len(found) * share for found, share in zip(per_dry, prior, strict=True))
    overall = math.fsum(math.fsum(found) for found in per_dry) / due
    rates = [
        (profile.flush_weight * share * overall + math.fsum(found)) / (profile.flush_weight + len(found))
        for found, share in zip(per_dry, prior, strict=True)
    ]
    crops = len(flushes) / FLUSHES
    certainty = profile.flush_concentration * (1 + crops / profile.flush_weight)
    return [rate / math.fsum(rates) for rate in rates], certainty


def _shares_within_crops(
    profile: StrainProfile, flushes: Sequence[FlushLog], flush_spread: float
) -> tuple[list[float], float]:
    """Each flush against the others of its own crop, so that a good crop does not pass for a big flush.

    A log yield is the crop's level plus the log of the flush's share plus noise; levels and shares are fitted in turn,
    levels drawn towards their mean by the spread between crops, shares towards the profile's by its concentration.
    """
    believed = np.array(profile.flush_shares)
    crops = {key: place for place, key in enumerate(dict.fromkeys(log.crop for log in flushes))}
    crop = np.array([crops[log.crop] for log in flushes])
    flush = np.array([log.flush - 1 for log in flushes])
    noise = np.array([flush_spread**2 + math.log1p(profile.bag_cv**2 / log.bags) for log in flushes])
    least = _FAILED * profile.efficiency_pct / 100
    logs = np.log([max(log.picked_g / log.dry_g, least * believed[log.flush - 1]) for log in flushes]) + noise / 2
    weights = 1 / noise
    apart = max(math.log1p(profile.batch_cv**2 + profile.crop_cv**2), 1e-4)
    prior = profile.flush_concentration * believed / (1 - believed)
    shares, by_crop = np.log(believed), np.bincount(crop, weights)
    middle = float(np.average(logs - shares[flush], weights=weights))
    for _ in range(_ROUNDS):
        told = np.bincount(crop, weights * (logs - shares[flush]))
        levels = (told + middle / apart) / (by_crop + 1 / apart)
        middle = float(levels.mean())
        pull = np.bincount(flush, weights * (logs - levels[crop]), minlength=FLUSHES)
        shares = (prior * np.log(believed) + pull) / (prior + np.bincount(flush, weights, minlength=FLUSHES))
        shares = shares - math.log(np.exp(shares).sum())
    # a level that is itself known from few flushes hides part of what a flush says
    count = np.bincount(crop)[crop].astype(np.float64)
    says = np.where(count > 1, (count - 1) / count * weights, 1 / (noise + apart))
    precision = prior + np.bincount(flush, says, minlength=FLUSHES)
    found = np.exp(shares)
    certainty = float(np.min(precision * (1 - found) / found))
    return found.tolist(), max(certainty, profile.flush_concentration / 2)


def _window(profile: StrainProfile, logs: Sequence[PickingLog]) -> tuple[tuple[float, ...], float]:
    """Mean shares by picking day, and the Dirichlet's concentration between crops.

    A flush's squared distance from the mean shares is, expected, the part of the spread that is the crop's plus what
    so many bags, each taken on one day, scatter by themselves; what is left after that is the crop's.
    """
    prior = list(profile.picking_shares)
    if any(min(log.grams, default=0) < 0 or log.bags < 1 for log in logs):
        raise Invalid("A picking needs at least one bag and grams of 0 or more.", code="impossible")
    logs = [log for log in logs if sum(log.grams)]
    if not logs:
        return tuple(prior), profile.picking_concentration
    days = min(max(len(prior), *(len(log.grams) for log in logs)), len(prior) + _LATE_DAYS)
    shares = np.zeros((len(logs), days))
    believed = np.array(prior + [0.0] * (days - len(prior)))
    for row, log in enumerate(logs):
        np.add.at(shares[row], np.minimum(np.arange(len(log.grams)), days - 1), np.array(log.grams) / sum(log.grams))
        _put_back(shares[row], believed)
    mean = (profile.flush_weight * believed + shares.sum(axis=0)) / (profile.flush_weight + len(logs))
    # A day on which nothing was ever picked may still come, seldom.
    mean = np.maximum(mean, _SELDOM) / np.maximum(mean, _SELDOM).sum()
    apart = ((shares - mean) ** 2).sum(axis=1) / (mean * (1 - mean)).sum() if days > 1 else np.zeros(len(logs))
    bags = np.array([max(log.bags / (1 + profile.bag_cv**2), 1.0 + 1e-9) for log in logs])
    own = (apart - 1 / bags) / (1 - 1 / bags)
    # A lone bag says nothing of how alike crops are: what it shows is all its own.
    counts = 1 - 1 / bags
    part = (_LIKENESS_WEIGHT / (profile.picking_concentration + 1) + counts @ own) / (_LIKENESS_WEIGHT + counts.sum())
    return tuple(mean.tolist()), 1 / float(np.clip(part, *_LIKENESS)) - 1


def _put_back(shares: Floats, believed: Floats) -> None:
    """What was taken after days left out, given back to those days in the proportions of the belief."""
    since = 0
    for day in range(1, shares.size):
        if not shares[day]:
            continue
        if day - since > 1:
            span = slice(since + 1, day + 1)
            parts = np.maximum(believed[span], _SELDOM)
            shares[span] = shares[day] * parts / parts.sum()
        since = day


def _loss(profile: StrainProfile, losses: Iterable[LossLog]) -> tuple[float, float]:
    lost, kept = profile.loss
    for log in losses:
        if not 0 <= log.lost <= log.bags:
            raise Invalid(f"{log.lost} lost of {log.bags} bags: between 0 and all of them.", code="impossible")
        lost += log.lost
        kept += log.bags - log.lost
    return lost, kept


def _trim_loss(profile: StrainProfile, trims: Iterable[TrimLog]) -> float:
    weight, cut = _TRIM_WEIGHT, _TRIM_WEIGHT * profile.trim_loss
    for log in trims:
        if not 0 <= log.trimmed_g <= log.weighed_g:
            raise Invalid("What is left after trimming must be at most what was weighed.", code="impossible")
        if log.weighed_g:
            weight += 1
            cut += 1 - log.trimmed_g / log.weighed_g
    return min(cut / weight, 0.99)


def _grade_shares(profile: StrainProfile, logs: Iterable[GradeLog]) -> tuple[tuple[str, float], ...]:
    sums = {name: _GRADE_WEIGHT * share for name, share in profile.grades}
    for log in logs:
        grams = {name: amount for name, amount in log.grams if name in sums}
        if min(grams.values(), default=0) < 0:
            raise Invalid("Grams of a grade must be 0 or more.", code="negative")
        whole = sum(grams.values())
        for name, amount in grams.items():
            sums[name] += amount / whole if whole else 0.0
    return tuple((name, share / math.fsum(sums.values())) for name, share in sums.items())
