"""Random numbers that stay put, and what is made of them.

A farm's scenario number 417 should be the same world tomorrow, and a new crop must not shake the forecast of the
others. So no draw comes out of one long stream: :class:`Numbers` gives those of one thing (its kind, name and slot) by
a generator that can be entered at any place, the place being a stable hash of seed, kind and name plus the scenario's
number, and everything else is an inverse distribution function of such a uniform.  What belongs to scenario *s* does
not move with the number of scenarios.

The numbers are the generator's words, 32 bits each, made here, so they do not hang on how a numpy release draws
anything.

Worked example: a stage with median 7 days that has lasted 9 leaves the upper tail only; its middle draw is the
quantile at F(9) + (1 - F(9)) / 2.

Sources: SplitMix64 (Steele, Lea & Flood 2014, OOPSLA, pp. 453-472); normal quantile: algorithm AS 241 (Wichura 1988,
Appl. Stat. 37:477-484); gamma by the cube of Wilson & Hilferty 1931 (PNAS 17:684-688); all from memory, checked in the
tests against a reference library.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
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
_GOLDEN: Final = np.uint64(0x9E3779B97F4A7C15)
_FIRST_MIX: Final = np.uint64(0xBF58476D1CE4E5B9)
_SECOND_MIX: Final = np.uint64(0x94D049BB133111EB)
_SLOT: Final = np.uint64((int(_GOLDEN) << 32) % 2**64)
"""From one slot of a thing to its next: four thousand million places on."""
_OCTAVES: Final = 33
_OUTERMOST: Final = 2.0**-33
_REACH, _CELLS, _FAR_OUT = 6.0, 512, 4.0
_PART_BITS: Final = 7
_PARTS: Final = 1 << _PART_BITS
_MANY: Final = 6.0
"""Expected losses above which the binomial is taken from its skewed normal."""


class Numbers:
    """The numbers of one seed, thing by thing; slot by slot, so that what is not needed is not made."""

    __slots__ = ("_kinds", "_names", "_seed", "_steps", "scenarios")

    def __init__(self, seed: int, *, scenarios: int) -> None:
        self._seed, self.scenarios = seed, scenarios
        self._steps = np.arange(-(-scenarios // 2), dtype=np.uint64) * _GOLDEN
        self._names: dict[tuple[int | str, ...], NDArray[np.uint64]] = {}
        self._kinds: dict[str, np.uint64] = {}

    def uniform(self, kind: str, names: Sequence[int | str], *, slot: int = 0) -> Floats:
        """[name, scenario] numbers strictly between 0 and 1, those of each name and slot their own alone."""
        numbers = self._centred(kind, names, slot)
        numbers += 0.5
        return numbers

    def deviate(self, kind: str, names: Sequence[int | str], *, slot: int = 0) -> Floats:
        """:func:`deviates` of the same numbers."""
        return _from_centred(self._centred(kind, names, slot))

    def halves(self, kind: str, name: int | str, *, slots: int) -> NDArray[np.uint16]:
        """[slot, scenario] even numbers of 16 bits, for what needs many coarse ones."""
        keys = self._bases(kind, (name,)) + np.arange(slots, dtype=np.uint64) * _SLOT
        return self._words(keys, self._steps[: -(-self.scenarios // 4)]).view("<u2")

    def _centred(self, kind: str, names: Sequence[int | str], slot: int) -> Floats:
        words = self._words(self._bases(kind, tuple(names)) + np.uint64(slot * int(_SLOT) % 2**64), self._steps)
        numbers = words.view("<i4")[:, : self.scenarios].astype(np.float64)
        numbers *= 2.0**-32
        numbers += 2.0**-33
        return numbers

    def _bases(self, kind: str, names: tuple[int | str, ...]) -> NDArray[np.uint64]:
        """Where each name's first slot begins."""
        if names not in self._names:
            self._names[names] = np.array([self._hash(f"{self._seed}|{name}") for name in names], dtype=np.uint64)
        if kind not in self._kinds:
            self._kinds[kind] = np.uint64(self._hash(kind))
        return self._names[names] + self._kinds[kind]

    @staticmethod
    def _hash(text: str) -> int:
        return int.from_bytes(blake2b(text.encode(), digest_size=8).digest(), "little")

    def _words(self, keys: NDArray[np.uint64], steps: NDArray[np.uint64]) -> NDArray[np.uint64]:
        """[key, word] of 64 bits: a place each in the generator's one long round."""
        words = keys[:, None] + steps
        shifted = np.right_shift(words, np.uint64(30))
        words ^= shifted
        words *= _FIRST_MIX
        words ^= np.right_shift(words, np.uint64(27), out=shifted)
        words *= _SECOND_MIX
        words ^= np.right_shift(words, np.uint64(31), out=shifted)
        return words.astype("<u8", copy=False)


def uniforms(seed: int, *, kind: str, name: int | str, scenarios: int, slots: int) -> Floats:
    """[slot, scenario] numbers strictly between 0 and 1 that belong to this thing alone."""
    numbers = Numbers(seed, scenarios=scenarios)
    return np.concatenate([numbers.uniform(kind, [name], slot=slot) for slot in range(slots)])


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
    does; at the places that a float's exponent and first digits name, those below the outermost being never asked for.
    """
    octaves, parts = np.arange(-_OCTAVES, -1.0), np.arange(_PARTS) / _PARTS
    edges = np.append((2.0 ** octaves[:, None] * (1 + parts)).ravel(), 0.5)
    quantiles = normal_quantile(edges)
    slopes = np.diff(quantiles) / np.diff(edges)
    lines = np.zeros((2, ((1023 - _OCTAVES) << _PART_BITS) + slopes.size))
    lines[:, -slopes.size :] = quantiles[:-1] - slopes * edges[:-1], slopes
    return lines[0], lines[1]


def deviates(uniform: Floats) -> Floats:
    """:func:`normal_quantile` of our own uniforms to a hundred-thousandth, several times as fast.

    The cell is read off a float's own exponent and first digits, so that the tail is as true as the middle.
    """
    return _from_centred(uniform - 0.5)


def _from_centred(centred: Floats) -> Floats:
    """The same of uniforms less a half; takes over its argument."""
    start, slope = _lines()
    tail = np.abs(centred)
    np.subtract(0.5, tail, out=tail)
    cell = tail.view(np.int64) >> (52 - _PART_BITS)
    deviate = slope.take(cell, mode="clip")
    deviate *= tail
    deviate += start.take(cell, mode="clip")
    return np.copysign(deviate, centred, out=centred)


def log_survival(deviate: Floats) -> Floats:
    """Log of the standard normal's upper tail, to a relative 1.2e-7 of the tail itself however far out.

    Chebyshev fit of the complementary error function (Numerical Recipes, ``erfcc``; from memory).
    """
    x = np.abs(deviate) * math.sqrt(0.5)
    t = 1 / (1 + 0.5 * x)
    upper: Floats = np.log(0.5 * t) - x * x + _polynomial(_TAIL, t)
    return np.where(deviate >= 0, upper, np.log1p(-np.exp(upper)))


@lru_cache(maxsize=1)
def _tails() -> tuple[Floats, Floats]:
    """Straight lines (start, slope) between upper tails, for deviates in cells of even width from -_REACH on."""
    edges = np.arange(-_REACH, _REACH + 2 / _CELLS, 1 / _CELLS)
    tails = np.exp(log_survival(edges))
    slopes = np.diff(tails) * _CELLS
    return tails[:-1] - slopes * edges[:-1], slopes


def upper_tail(deviate: Floats) -> Floats:
    """The standard normal's upper tail for deviates up to ``_REACH``, to a few hundred-thousandths of itself; beyond
    it is as there.
    """
    start, slope = _tails()
    within = np.clip(deviate, -_REACH, _REACH)
    cell = ((within + _REACH) * _CELLS).astype(np.intp)
    within *= slope.take(cell)
    within += start.take(cell)
    return within


def tail_deviates(tail: Floats) -> Floats:
    """The deviates beyond which these upper tails lie, like :func:`deviates` and no further out."""
    return _from_centred(0.5 - np.clip(tail, _OUTERMOST, 1 - _OUTERMOST))


def truncated_normal(uniform: Floats, *, above: Floats) -> Floats:
    """Standard normal deviates given that they exceed ``above``; rises with ``uniform``."""
    tail = upper_tail(above)
    tail *= 1 - uniform
    drawn = tail_deviates(tail)
    far = above > _FAR_OUT
    if far.any():
        floor = np.minimum(above[far], 37.0)
        tail = np.exp(log_survival(floor)) * (1 - uniform[far])
        drawn[far] = np.maximum(-normal_quantile(np.clip(tail, _SMALLEST, 1 - 1e-16)), floor)
    return np.maximum(drawn, above, out=drawn)


def truncated_lognormal(uniform: Floats, *, mu: Floats, sigma: Floats, above: Floats | float) -> Floats:
    """Lognormal times given that they exceed ``above`` (0 or less: no condition): how long a running stage takes in
    all.
    """
    floor = np.log(np.maximum(above, _SMALLEST)) - mu
    floor /= sigma
    drawn = truncated_normal(uniform, above=floor)
    drawn *= sigma
    drawn += mu
    return np.maximum(np.exp(drawn, out=drawn), above)


def beta_quantile(uniform: Floats, *, alpha: float, beta: float) -> Floats:
    """Beta quantiles, from the distribution function summed up on a grid of log odds."""
    mode, spread = math.log(alpha / beta), math.sqrt(1 / alpha + 1 / beta)
    odds = np.linspace(mode - max(10 * spread, 30 / alpha), mode + max(10 * spread, 30 / beta), 8001)
    log_density = -alpha * np.logaddexp(0, -odds) - beta * np.logaddexp(0, odds)
    density = np.exp(log_density - log_density.max())
    below = np.concatenate(([0.0], np.cumsum((density[1:] + density[:-1]) / 2)))
    found = np.interp(uniform, below / below[-1], odds)
    return np.asarray(np.exp(-np.logaddexp(0, -found)))


def dirichlet(deviates: Iterable[Floats], *, alpha: Floats, uniform: Iterable[Floats] | None = None) -> Floats:
    """[part, ...] shares that sum to 1, from normal deviates by part; ``alpha`` [part] or [part, ...].

    Gamma deviates by Wilson and Hilferty, divided by their sum.  An ``alpha`` below 1 is lifted by one and scaled
    back by U^(1/alpha), an identity for gamma variables, which needs a second ``uniform``; without it such shares
    come out too even.
    """
    seconds: Iterable[Floats | None] = [None] * len(alpha) if uniform is None else uniform
    gammas = np.empty(0)
    for part, each in enumerate(zip(deviates, alpha, seconds, strict=True)):
        gamma = _gamma(*each)
        if not part:
            gammas = np.empty((len(alpha), *gamma.shape))
        gammas[part] = gamma
    if uniform is not None:
        gammas -= gammas.max(axis=0)
        np.exp(gammas, out=gammas)
    gammas /= sum(gammas[1:], start=gammas[0])
    return gammas


def _gamma(deviate: Floats, alpha: Floats, uniform: Floats | None) -> Floats:
    """A gamma variable, or with a second uniform its log."""
    shape = alpha + (alpha < 1) if uniform is not None else alpha
    gamma: Floats = deviate / (3 * np.sqrt(shape))
    gamma += 1 - 1 / (9 * shape)
    np.maximum(gamma, 1e-3, out=gamma)
    if uniform is None:
        gamma *= gamma * gamma
        gamma *= shape
        return gamma
    np.log(gamma, out=gamma)
    gamma *= 3
    gamma += np.log(shape)
    if np.min(alpha) < 1:
        gamma += np.where(alpha < 1, np.log(uniform) / alpha, 0.0)
    return gamma


def binomial(uniform: Floats, *, trials: Floats, chance: Floats) -> Floats:
    """How many of ``trials`` come to pass, each with a small ``chance``: exact while few are expected, else by moments.

    Above ``_MANY`` expected the normal with its skewness (Cornish-Fisher) is rounded to whole numbers, so the
    cost does not grow with the trials.
    """
    expected = trials * chance
    few = expected <= _MANY
    if few.all():
        return _count_up(uniform, trials=trials, chance=chance)
    chance = np.broadcast_to(chance, trials.shape)
    spread = np.maximum(np.sqrt(expected * (1 - chance)), 1e-12)
    deviate = normal_quantile(uniform)
    skewed = deviate + (1 - 2 * chance) / spread * (deviate * deviate - 1) / 6
    count = np.clip(np.floor(expected + spread * skewed + 0.5), 0, trials)
    count[few] = _count_up(uniform[few], trials=trials[few], chance=chance[few])
    return count


def _count_up(uniform: Floats, *, trials: Floats, chance: Floats) -> Floats:
    """The binomial's probabilities summed from nought until they pass the uniform."""
    fails = np.minimum(chance, 1 - 1e-12)
    term = np.exp(trials * np.log1p(-fails))
    count = np.zeros_like(term)
    above = uniform - term
    # in most scenarios that is all; the others are gone on with alone
    going = np.flatnonzero(above > 0)
    above, term, left = above.take(going), term.take(going), trials.take(going)
    odds = (fails / (1 - fails)).take(going % fails.size)
    counted = np.zeros_like(left)
    for step in range(int(left.max(initial=0.0))):
        more = above > 0
        if not more.any():
            break
        counted += more
        term *= odds * (left - step)
        term /= step + 1
        above -= term
    count.reshape(-1)[going] = np.minimum(counted, left)
    return count
