"""Random numbers that stay put, and what is made of them.

A farm's scenario number 417 should be the same world tomorrow, and a new crop must not shake the forecast of the
others. So no draw comes out of one long stream: :func:`uniforms` gives the numbers of one thing (its kind and
name) by a counter-based generator keyed with a stable hash of seed, kind and name, and everything else is an
inverse distribution function of such a uniform.  Row *s* belongs to scenario *s* whatever the number of
scenarios.

Only the raw words of the generator are used, 32 bits a number, so the numbers do not hang on how a numpy release
draws normals.

Worked example: a stage with median 7 days that has lasted 9 leaves the upper tail only; its middle draw is the
quantile at F(9) + (1 - F(9)) / 2.

Sources: Philox 4x64 (Salmon et al. 2011, SC'11); normal quantile: algorithm AS 241 (Wichura 1988, Appl. Stat.
37:477-484); gamma by the cube of Wilson & Hilferty 1931 (PNAS 17:684-688); all from memory, checked in the tests
against a reference library.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from hashlib import blake2b
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]

_CENTRE_TOP: Final = (
    3.3871328727963666080e0,
    1.3314166789178437745e2,
    1.9715909503065514427e3,
    1.3731693765509461125e4,
    4.5921953931549871457e4,
    6.7265770927008700853e4,
    3.3430575583588128105e4,
    2.5090809287301226727e3,
)
_CENTRE_BOTTOM: Final = (
    1.0,
    4.2313330701600911252e1,
    6.8718700749205790830e2,
    5.3941960214247511077e3,
    2.1213794301586595867e4,
    3.9307895800092710610e4,
    2.8729085735721942674e4,
    5.2264952788528545610e3,
)
_NEAR_TOP: Final = (
    1.42343711074968357734e0,
    4.63033784615654529590e0,
    5.76949722146069140550e0,
    3.64784832476320460504e0,
    1.27045825245236838258e0,
    2.41780725177450611770e-1,
    2.27238449892691845833e-2,
    7.74545014278341407640e-4,
)
_NEAR_BOTTOM: Final = (
    1.0,
    2.05319162663775882187e0,
    1.67638483018380384940e0,
    6.89767334985100004550e-1,
    1.48103976427480074590e-1,
    1.51986665636164571966e-2,
    5.47593808499534494600e-4,
    1.05075007164441684324e-9,
)
_FAR_TOP: Final = (
    6.65790464350110377720e0,
    5.46378491116411436990e0,
    1.78482653991729133580e0,
    2.96560571828504891230e-1,
    2.65321895265761230930e-2,
    1.24266094738807843860e-3,
    2.71155556874348757815e-5,
    2.01033439929228813265e-7,
)
_FAR_BOTTOM: Final = (
    1.0,
    5.99832206555887937690e-1,
    1.36929880922735805310e-1,
    1.48753612908506148525e-2,
    7.86869131145613259100e-4,
    1.84631831751005468180e-5,
    1.42151175831644588870e-7,
    2.04426310338993978564e-15,
)
_TAIL: Final = (
    -1.26551223,
    1.00002368,
    0.37409196,
    0.09678418,
    -0.18628806,
    0.27886807,
    -1.13520398,
    1.48851587,
    -0.82215223,
    0.17087277,
)
_SMALLEST: Final = 1e-300
_OCTAVES: Final = 33
_PART_BITS: Final = 7
_PARTS: Final = 1 << _PART_BITS
_MANY: Final = 6.0
"""Expected losses above which the binomial is taken from its skewed normal."""


def uniforms(seed: int, *, kind: str, name: int | str, scenarios: int, slots: int) -> Floats:
    """[slot, scenario] numbers strictly between 0 and 1 that belong to this thing alone."""
    key = int.from_bytes(blake2b(f"{seed}|{kind}|{name}".encode(), digest_size=16).digest(), "little")
    words = np.asarray(np.random.Philox(key=key).random_raw((scenarios * slots + 1) // 2), dtype="<u8")
    halves = words.view("<u4")[: scenarios * slots]
    numbers: Floats = halves.reshape(scenarios, slots).T.astype(np.float64, order="C")
    numbers += 0.5
    numbers *= 2.0**-32
    return numbers


def _polynomial(coefficients: Sequence[float], x: Floats) -> Floats:
    value = np.full_like(x, coefficients[-1])
    for coefficient in coefficients[-2::-1]:
        value *= x
        value += coefficient
    return value


def normal_quantile(probability: Floats) -> Floats:
    """Standard normal deviates of probabilities strictly between 0 and 1, right to some 15 digits."""
    centred = probability - 0.5
    bend = 0.180625 - centred * centred
    deviate: Floats = centred * _polynomial(_CENTRE_TOP, bend)
    deviate /= _polynomial(_CENTRE_BOTTOM, bend)
    outside = np.nonzero(bend < 0)
    if outside[0].size:
        inner = probability[outside]
        depth = np.sqrt(-np.log(np.minimum(inner, 1 - inner)))
        near = _polynomial(_NEAR_TOP, depth - 1.6) / _polynomial(_NEAR_BOTTOM, depth - 1.6)
        if depth.max() > 5:
            far = _polynomial(_FAR_TOP, depth - 5) / _polynomial(_FAR_BOTTOM, depth - 5)
            near = np.where(depth > 5, far, near)
        deviate[outside] = np.copysign(near, centred[outside])
    return deviate


@lru_cache(maxsize=1)
def _lines() -> tuple[Floats, Floats]:
    """Straight lines (start, slope) between quantiles, for lower-tail probabilities in cells that halve as the tail
    does.
    """
    octaves, parts = np.arange(-_OCTAVES, -1.0), np.arange(_PARTS) / _PARTS
    edges = np.append((2.0 ** octaves[:, None] * (1 + parts)).ravel(), 0.5)
    quantiles = normal_quantile(edges)
    slopes = np.diff(quantiles) / np.diff(edges)
    return quantiles[:-1] - slopes * edges[:-1], slopes


def deviates(uniform: Floats) -> Floats:
    """:func:`normal_quantile` of our own uniforms to a hundred-thousandth, several times as fast.

    The cell is read off a float's own exponent and first digits, so that the tail is as true as the middle.
    """
    start, slope = _lines()
    centred = uniform - 0.5
    tail = 0.5 - np.abs(centred)
    cell = (tail.view(np.int64) >> (52 - _PART_BITS)) - ((1023 - _OCTAVES) << _PART_BITS)
    deviate = slope.take(cell, mode="clip")
    deviate *= tail
    deviate += start.take(cell, mode="clip")
    return np.copysign(deviate, centred, out=deviate)


def log_survival(deviate: Floats) -> Floats:
    """Log of the standard normal's upper tail, to a relative 1.2e-7 of the tail itself however far out.

    Chebyshev fit of the complementary error function (Numerical Recipes, ``erfcc``; from memory).
    """
    x = np.abs(deviate) * math.sqrt(0.5)
    t = 1 / (1 + 0.5 * x)
    upper: Floats = np.log(0.5 * t) - x * x + _polynomial(_TAIL, t)
    return np.where(deviate >= 0, upper, np.log1p(-np.exp(upper)))


def truncated_normal(uniform: Floats, *, above: Floats) -> Floats:
    """Standard normal deviates given that they exceed ``above``; rises with ``uniform``."""
    floor = np.minimum(above, 37.0)
    tail = np.exp(log_survival(floor)) * (1 - uniform)
    drawn = -normal_quantile(np.clip(tail, _SMALLEST, 1 - 1e-16))
    return np.maximum(np.maximum(drawn, floor), above)


def truncated_lognormal(uniform: Floats, *, mu: Floats, sigma: Floats, above: float) -> Floats:
    """Lognormal times given that they exceed ``above`` (0: no condition): how long a running stage takes in all."""
    if above <= 0:
        return np.asarray(np.exp(mu + sigma * normal_quantile(uniform)))
    floor = (math.log(above) - mu) / sigma
    return np.maximum(np.exp(mu + sigma * truncated_normal(uniform, above=floor)), above)


def beta_quantile(uniform: Floats, *, alpha: float, beta: float) -> Floats:
    """Beta quantiles, from the distribution function summed up on a grid of log odds."""
    mode, spread = math.log(alpha / beta), math.sqrt(1 / alpha + 1 / beta)
    odds = np.linspace(mode - max(10 * spread, 30 / alpha), mode + max(10 * spread, 30 / beta), 8001)
    log_density = -alpha * np.logaddexp(0, -odds) - beta * np.logaddexp(0, odds)
    density = np.exp(log_density - log_density.max())
    below = np.concatenate(([0.0], np.cumsum((density[1:] + density[:-1]) / 2)))
    found = np.interp(uniform, below / below[-1], odds)
    return np.asarray(np.exp(-np.logaddexp(0, -found)))


def dirichlet(deviates: Floats, *, alpha: Floats, uniform: Floats | None = None) -> Floats:
    """[part, scenario] shares that sum to 1 in each scenario, from normal deviates of the same shape.

    Gamma deviates by Wilson and Hilferty, divided by their sum.  An ``alpha`` below 1 is lifted by one and scaled
    back by U^(1/alpha), an identity for gamma variables, which needs a second ``uniform``; without it such shares
    come out too even.
    """
    lift = (alpha < 1) & (uniform is not None)
    shape = (alpha + lift)[:, None]
    roots = 1 - 1 / (9 * shape) + deviates / (3 * np.sqrt(shape))
    np.maximum(roots, 1e-3, out=roots)
    if uniform is None or not lift.any():
        gammas = shape * roots * roots * roots
    else:
        logs = np.log(shape) + 3 * np.log(roots) + np.where(lift[:, None], np.log(uniform) / alpha[:, None], 0.0)
        gammas = np.exp(logs - logs.max(axis=0))
    return np.asarray(gammas / gammas.sum(axis=0))


def binomial(uniform: Floats, *, trials: Floats, chance: Floats) -> Floats:
    """How many of ``trials`` come to pass, each with a small ``chance``: exact while few are expected, else by moments.

    Above ``_MANY`` expected the normal with its skewness (Cornish-Fisher) is rounded to whole numbers, so the
    cost does not grow with the trials.
    """
    expected = trials * chance
    if expected.max(initial=0.0) <= _MANY:
        return _count_up(uniform, trials=trials, chance=chance)
    few = expected <= _MANY
    spread = np.maximum(np.sqrt(expected * (1 - chance)), 1e-12)
    deviate = normal_quantile(uniform)
    skewed = deviate + (1 - 2 * chance) / spread * (deviate * deviate - 1) / 6
    count = np.clip(np.floor(expected + spread * skewed + 0.5), 0, trials)
    count[few] = _count_up(uniform[few], trials=trials[few], chance=chance[few])
    return count


def _count_up(uniform: Floats, *, trials: Floats, chance: Floats) -> Floats:
    """The binomial's probabilities summed from nought until they pass the uniform."""
    fails = np.minimum(chance, 1 - 1e-12)
    odds = fails / (1 - fails)
    term = np.exp(trials * np.log1p(-fails))
    count = np.zeros_like(term)
    above = uniform - term
    for step in range(int(trials.max(initial=0.0))):
        going = above > 0
        if not going.any():
            break
        count += going
        term *= odds * (trials - step)
        term /= step + 1
        above -= term
    return np.minimum(count, trials)
