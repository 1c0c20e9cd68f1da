"""What crops have in common in a scenario: the strain as it really is, and the luck of a batch.

Drawn per crop alone, uncertainty would average out over ten crops and their sum come out far too sure.  So a
scenario first settles the strain (its stage times, efficiency, flush shares and loss rate, one draw from what was
learned), then each batch, and only then each crop its own.

Arrays are [scenario] unless named otherwise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from fulfilment.core.growth import FLUSHES, Knowledge, Stage
from fulfilment.core.growth.draws import Floats, beta_quantile, dirichlet, normal_quantile, uniforms

STAGES: Final = (Stage.COLONISING, Stage.PINNING, Stage.GROWING, Stage.RESTING)


@dataclass(frozen=True, slots=True, eq=False)
class StrainWorld:
    """One strain's truth in each scenario.

    ``times`` gives mu and sigma of log time by stage; ``log_yields`` [flush, scenario] the log of grams per dry
    gram that a crop without luck of its own gives; ``spread`` the spread of that luck, batch and crop together;
    ``keeps`` the chance that a bag survives one of its four steps of life, colonising and three flushes.
    ``beliefs`` has, by flush, mean and variance over all scenarios of the log yield with its luck, and ``lasting`` the
    part of that variance that the crop's later flushes share.
    """

    knowledge: Knowledge
    times: dict[Stage, tuple[Floats, Floats]]
    log_yields: Floats
    spread: Floats
    keeps: Floats
    beliefs: tuple[tuple[float, float], ...]
    lasting: float


@dataclass(frozen=True, slots=True, eq=False)
class BatchWorld:
    """One batch's truth: as its strain's, with the batch's luck settled, so that the spreads are a crop's own."""

    strain: StrainWorld
    times: dict[Stage, tuple[Floats, Floats]]
    log_yields: Floats
    spread: Floats


def strain_world(knowledge: Knowledge, *, strain_id: int, scenarios: int, seed: int) -> StrainWorld:
    numbers = uniforms(seed, kind="strain", name=strain_id, scenarios=scenarios, slots=2 * len(STAGES) + 3 + FLUSHES)
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
    shares = dirichlet(normal_quantile(numbers[11:]), alpha=np.array(knowledge.flushes))
    return StrainWorld(
        knowledge=knowledge,
        times={
            stage: posterior.draw(numbers[2 * place : 2 * place + 2])
            for place, (stage, posterior) in enumerate(zip(STAGES, posteriors, strict=True))
        },
        log_yields=np.log(np.maximum(shares, 1e-9)) + log_efficiency - spread**2 / 2,
        spread=spread,
        keeps=(1 - np.minimum(lost, 1 - 1e-9)) ** (1 / (FLUSHES + 1)),
        beliefs=tuple(
            (centre + _log_mean(flush) - _log_mean(whole), doubt + luck + _log_variance(flush) - _log_variance(whole))
            for flush in knowledge.flushes
        ),
        lasting=doubt + luck,
    )


def _log_mean(shape: float) -> float:
    """Mean log of a gamma variable (digamma, asymptotic: right to a thousandth from 2 on)."""
    return math.log(shape) - 1 / (2 * shape) - 1 / (12 * shape**2)


def _log_variance(shape: float) -> float:
    """Variance of the log of a gamma variable (trigamma, likewise)."""
    return 1 / shape + 1 / (2 * shape**2) + 1 / (6 * shape**3)


def batch_world(batch_id: int, *, strain: StrainWorld, scenarios: int, seed: int) -> BatchWorld:
    share = strain.knowledge.profile.batch_share
    shared, own = math.sqrt(share), math.sqrt(1 - share)
    numbers = uniforms(seed, kind="batch", name=batch_id, scenarios=scenarios, slots=len(STAGES) + 1)
    luck = normal_quantile(numbers)
    return BatchWorld(
        strain=strain,
        times={
            stage: (mu + sigma * shared * luck[place], np.maximum(sigma * own, 1e-9))
            for place, (stage, (mu, sigma)) in enumerate(strain.times.items())
        },
        log_yields=strain.log_yields + strain.spread * shared * luck[-1],
        spread=strain.spread * own,
    )
