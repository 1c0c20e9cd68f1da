"""A grid of weights over location and spread: the belief, times the density of what was seen, times the chance of
lasting so long of what still runs.

Without running stages this is the textbook's normal-inverse-gamma posterior, and a new crop's log time a Student t.

Source: Gelman et al., Bayesian Data Analysis, sections on the normal model with unknown mean and variance and on
censored data (from memory).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from fulfilment.core.growth.draws import Floats, log_survival

_ROWS: Final = 61
_COLUMNS: Final = 121
_LIGHT: Final = 1e-5
_EXACT: Final = 1e-4


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

    def takes(self, level: float) -> float:
        """Days that a new one takes at most with this chance (0.1, 0.9), whatever mu and sigma are."""
        return _predicted(self, level)


@lru_cache(maxsize=256)
def _predicted(posterior: Posterior, level: float) -> float:
    """By halving between the outermost points; cells without weight to speak of are left out."""
    heavy = posterior.weights > posterior.weights.max() * _LIGHT
    rows, columns = np.nonzero(heavy)
    mu, sigma, weights = posterior.mu[columns], np.exp(posterior.log_sigma[rows]), posterior.weights[heavy]
    weights = weights / weights.sum()
    low, high = float((mu - 9 * sigma).min()), float((mu + 9 * sigma).max())
    while high - low > _EXACT:
        middle = (low + high) / 2
        lasts_longer = float(weights @ np.exp(log_survival((middle - mu) / sigma)))
        low, high = (low, middle) if lasts_longer <= 1 - level else (middle, high)
    return math.exp((low + high) / 2)


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


@dataclass(frozen=True, slots=True)
class Belief:
    """Where mu and sigma lie before the logs; ``doubt`` is mu's own spread, or None for sigma / sqrt(weight).

    ``of_mean``: mu is the log of the mean and not of the median, half a variance higher.
    """

    location: float
    spread: float
    weight: float
    doubt: float | None
    of_mean: bool


def weigh(
    belief: Belief, *, seen: Floats, counts: Floats, running: Counter[float], noises: Floats | None = None
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
    belief: Belief,
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
