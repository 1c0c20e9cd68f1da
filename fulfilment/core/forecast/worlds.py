"""What crops have in common in a scenario: the strain as it really is, and the luck of a batch.

Drawn per crop alone, uncertainty would average out over ten crops and their sum come out far too sure.  So a
scenario first settles the strain (its stage times, efficiency, flush shares and loss rate, one draw from what was
learned), then each batch, and only then each crop its own.  What a batch has shown of its luck (stages that are over,
flushes that gave more or less than the strain does in that scenario) counts: its luck is drawn given that, by the
normal law's own conditionals, and so is a crop's given its batch's.

Worked example: half of the spread in pinning time is the batch's, and a crop's first pins came two spreads late.  Then
its next ones are expected one spread late, and less surely known than the strain's only by a part of 1 - 1/4.

Arrays are [scenario] unless named otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from fulfilment.core.growth import FLUSHES, FlushLog, Knowledge, Stage, StageLog
from fulfilment.core.growth.draws import Floats, beta_quantile, deviates, dirichlet, uniforms

_SHORTEST: Final = 0.5
_FAILED: Final = 0.05
STAGES: Final = (Stage.COLONISING, Stage.PINNING, Stage.GROWING, Stage.RESTING)


@dataclass(frozen=True, slots=True, eq=False)
class StrainWorld:
    """One strain's truth in each scenario.

    ``times`` gives mu and sigma of log time by stage, ``own`` the part of sigma that is a crop's own; ``log_yields``
    [flush, scenario] the log of grams per dry gram that a crop without luck of its own gives; ``spread`` the spread of
    that luck, batch and crop together, ``own_spread`` the crop's part of it; ``keeps`` the chance that a bag survives
    one of its four steps of life, colonising and three flushes.
    ``beliefs`` has, by flush, mean and variance over all scenarios of the log yield with its luck, and ``lasting`` the
    part of that variance that the crop's later flushes share.  ``flush_variance`` is what a flush has for itself.
    """

    knowledge: Knowledge
    times: dict[Stage, tuple[Floats, Floats]]
    own: dict[Stage, Floats]
    log_yields: Floats
    spread: Floats
    own_spread: Floats
    keeps: Floats
    beliefs: tuple[tuple[float, float], ...]
    lasting: float
    flush_variance: float


@dataclass(frozen=True, slots=True, eq=False)
class BatchWorld:
    """One batch's truth: as its strain's, with the batch's luck settled, so that the spreads are a crop's own.

    ``luck`` is the log by which its crops give more than the strain's, ``crops`` has centre and spread of the luck of
    those crops that have shown some of theirs.
    """

    strain: StrainWorld
    times: dict[Stage, tuple[Floats, Floats]]
    luck: Floats
    spread: Floats
    crops: dict[str, tuple[Floats, Floats]]


def strain_world(knowledge: Knowledge, *, strain_id: int, scenarios: int, seed: int) -> StrainWorld:
    numbers = uniforms(seed, kind="strain", name=strain_id, scenarios=scenarios, slots=2 * len(STAGES) + 3 + FLUSHES)
    alone = math.sqrt(1 - knowledge.profile.batch_share)
    posteriors = (knowledge.colonising, knowledge.pinning, knowledge.growing, knowledge.resting)
    log_efficiency, spread = knowledge.efficiency.draw(numbers[8:10])
    if knowledge.profile.batch_cv == knowledge.profile.crop_cv == 0:
        spread = np.zeros(scenarios)
    doubt, luck = knowledge.efficiency.variances
    if not spread.any():
        luck = 0.0
    centre, whole = knowledge.efficiency.mean[0] - luck / 2, sum(knowledge.flushes)
    alpha, beta = knowledge.loss
    lost = beta_quantile(numbers[10], alpha=alpha, beta=beta)
    shares = dirichlet(deviates(numbers[11:]), alpha=np.array(knowledge.flushes))
    times = {
        stage: posterior.draw(numbers[2 * place : 2 * place + 2])
        for place, (stage, posterior) in enumerate(zip(STAGES, posteriors, strict=True))
    }
    return StrainWorld(
        knowledge=knowledge,
        times=times,
        own={stage: np.maximum(sigma * alone, 1e-9) for stage, (_, sigma) in times.items()},
        log_yields=np.log(np.maximum(shares, 1e-9)) + log_efficiency - spread**2 / 2,
        spread=spread,
        own_spread=spread * alone,
        keeps=(1 - np.minimum(lost, 1 - 1e-9)) ** (1 / (FLUSHES + 1)),
        beliefs=tuple(
            (centre + _log_mean(flush) - _log_mean(whole), doubt + luck + _log_variance(flush) - _log_variance(whole))
            for flush in knowledge.flushes
        ),
        lasting=doubt + luck,
        flush_variance=knowledge.flush_spread**2 if luck else 0.0,
    )


def _log_mean(shape: float) -> float:
    """Mean log of a gamma variable (digamma, asymptotic: right to a thousandth from 2 on)."""
    return math.log(shape) - 1 / (2 * shape) - 1 / (12 * shape**2)


def _log_variance(shape: float) -> float:
    """Variance of the log of a gamma variable (trigamma, likewise)."""
    return 1 / shape + 1 / (2 * shape**2) + 1 / (6 * shape**3)


def batch_world(
    batch_id: int,
    *,
    strain: StrainWorld,
    scenarios: int,
    seed: int,
    shown: Sequence[StageLog] = (),
    gave: Sequence[FlushLog] = (),
) -> BatchWorld:
    share = strain.knowledge.profile.batch_share
    numbers = uniforms(seed, kind="batch", name=batch_id, scenarios=scenarios, slots=len(STAGES) + 1)
    luck = deviates(numbers)
    times = {}
    for place, (stage, (mu, sigma)) in enumerate(strain.times.items()):
        logs = [math.log(max(log.days, _SHORTEST)) for log in shown if log.stage is stage and log.ended]
        doubt = 1 + (len(logs) - 1) * share if logs else 1.0
        centre = share / doubt * (sum(logs) - len(logs) * mu) / np.maximum(sigma, 1e-9)
        spread = math.sqrt(share * ((1 - share) / doubt if logs else 1.0))
        times[stage] = (mu + sigma * (centre + spread * luck[place]), strain.own[stage])
    own_luck, crops = _yields(strain, share, luck[-1], gave)
    return BatchWorld(strain=strain, times=times, luck=own_luck, spread=strain.own_spread, crops=crops)


def _yields(
    strain: StrainWorld, share: float, luck: Floats, gave: Sequence[FlushLog]
) -> tuple[Floats, dict[str, tuple[Floats, Floats]]]:
    """The luck of this batch, and what its crops have for themselves, given what they gave."""
    shared, own = strain.spread**2 * share, strain.spread**2 * (1 - share)
    if not gave or not strain.spread.all() or not 0 < share < 1:
        return strain.spread * math.sqrt(share) * luck, {}
    shown = {key: _shown(strain, [log for log in gave if log.crop == key]) for key in {log.crop for log in gave}}
    precision, pull = 1 / shared, np.zeros_like(luck)
    for key in sorted(shown):
        middle, noise = shown[key]
        precision = precision + 1 / (own + noise)
        pull = pull + middle / (own + noise)
    batch = (pull + np.sqrt(precision) * luck) / precision
    crops = {
        key: ((middle - batch) * own / (own + noise), np.sqrt(own * noise / (own + noise)))
        for key, (middle, noise) in shown.items()
    }
    return batch, crops


def _shown(strain: StrainWorld, flushes: Sequence[FlushLog]) -> tuple[Floats, float]:
    """How much better than its strain a crop did, as a log [scenario], and the variance of what hides it."""
    weights, pull = 0.0, np.zeros_like(strain.spread)
    for log in flushes:
        noise = flush_noise(strain, log)
        told = log_given(strain.knowledge, log) + noise / 2 - strain.log_yields[log.flush - 1]
        weights, pull = weights + 1 / noise, pull + told / noise
    return pull / weights, 1 / weights


def log_given(knowledge: Knowledge, log: FlushLog) -> float:
    """Log of grams per dry gram; a flush that gave nothing counts as a small part of what was due."""
    due = knowledge.profile.efficiency_pct / 100 * knowledge.profile.flush_shares[log.flush - 1]
    return math.log(max(log.picked_g / log.dry_g, _FAILED * due))


def flush_noise(strain: StrainWorld, log: FlushLog) -> float:
    """Variance of one flush's log that is neither its batch's nor its crop's."""
    bags = math.log1p(strain.knowledge.profile.bag_cv**2 / max(log.bags, 1))
    return max(strain.flush_variance + bags, 1e-6)
