"""Whether a strain's forecasts can be trusted as they stand, and if not, what is probably wrong with them.

*Calibrated coverage* is the share of days whose place among the scenarios (:mod:`fulfilment.core.forecast.scoring`)
lies between 0.1 and 0.9: 80 % for an honest forecast, fewer for one that is too sure, more for one that dares too
little.  A day on which every scenario said nothing and nothing came says nothing and is left out; that is fair, since
such a forecast is either right or counted.

A strain is *flagged* at a lead when its coverage leaves 70 to 90 % over at least four weeks of days, and so far that
an honest forecast would come out like that once in a hundred times (binomial tail).  Neighbouring days share crops and
are not quite independent; on the invented farms of ``bench``, where the forecast learns as it should, about one window
of eight weeks in a hundred is flagged all the same.

The likely cause is told from the misses, in this order:

1. *Times.*  If the forecast moved by one to three days, its sum put right, would have missed clearly less, it comes
   that much too early or too late.  More than three days are not looked for: who mixes on the same weekday has a rhythm
   of a week, in which four days late and three days early look alike.
2. *Yields.*  If the weeks' sums are off to one side, beyond their own swinging, too much or too little is forecast.
   Where a lead itself shows neither, the one a week ahead is asked: nearer, today's crops decide most; farther,
   everything is smeared.
3. Else nothing is off on the whole.  Where the misses swing more than forecast: if too much on one day is too little on
   another soon after, they cancel in the sums of a fortnight, and it is the *times*; if they add up, it is the
   *yields*.  Where they swing less: if the days forecast rise and fall far less than those picked, crops are smeared
   over too many days, and it is the times; else the yields.

It is a likely cause and no more: on a small farm a few odd crops are a large part of eight weeks.

Source: the binomial test; the ratio estimator of survey sampling and its standard error (Cochran, Sampling Techniques,
chapter 6; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from typing import Final

import numpy as np

LOW, HIGH = 0.1, 0.9
HONEST: Final = HIGH - LOW
BOUNDS: Final = (0.7, 0.9)
"""Calibrated coverage within which nobody is called."""
FEWEST_DAYS: Final = 28
SELDOM: Final = 0.01
DECILES: Final = 10

WEEK_AHEAD: Final = 7
FARTHEST: Final = 3
HELPS: Final = 0.2
"""The share of the squared misses that moving the forecast must take away."""
OFF: Final = 0.15
"""By which part of what was picked sums must be off."""
BEYOND_SWINGING: Final = 1.9
"""Standard errors (one in twenty by Student's t of eight weeks, one-sided)."""
FORTNIGHT: Final = 14
CANCELS: Final = 1.0
"""Squared sums of a fortnight's misses, against what they would be if days had nothing to do with each other."""
SMEARED: Final = 1 / 3
"""How much the days forecast vary about their mean, against those picked about theirs."""


class Cause(StrEnum):
    """What is probably wrong."""

    TIMES_EARLY = "times_early"
    TIMES_LATE = "times_late"
    YIELDS_HIGH = "yields_high"
    YIELDS_LOW = "yields_low"
    TIMES_TOO_SURE = "times_too_sure"
    YIELDS_TOO_SURE = "yields_too_sure"
    TIMES_TOO_UNSURE = "times_too_unsure"
    YIELDS_TOO_UNSURE = "yields_too_unsure"


@dataclass(frozen=True, slots=True)
class Outcome:
    """One day at one lead: the forecast's mean, what was picked (grams), and its place among the scenarios."""

    on: date
    mean: float
    picked: int
    place: float

    @property
    def says_something(self) -> bool:
        return self.mean > 0 or self.picked > 0

    @property
    def inside(self) -> bool:
        return LOW <= self.place <= HIGH


@dataclass(frozen=True, slots=True)
class Flag:
    """``inside`` of ``days`` fell where 80 % should; ``size`` is days for early and late, percent of what was picked
    for high and low, else 0.
    """

    days: int
    inside: int
    cause: Cause
    size: int

    @property
    def sentence(self) -> str:
        return _SENTENCES[self.cause].format(size=self.size, days="day" if self.size == 1 else "days")


_SENTENCES: Final[Mapping[Cause, str]] = {
    Cause.TIMES_EARLY: "Probably the times: it comes about {size} {days} later than forecast.",
    Cause.TIMES_LATE: "Probably the times: it comes about {size} {days} earlier than forecast.",
    Cause.YIELDS_HIGH: "Probably the yields: the forecast says {size} % more than is picked.",
    Cause.YIELDS_LOW: "Probably the yields: the forecast says {size} % less than is picked.",
    Cause.TIMES_TOO_SURE: "Probably the times: sums add up, but days swing more than the forecast allows for.",
    Cause.YIELDS_TOO_SURE: "Probably the yields: whole weeks swing more than the forecast allows for.",
    Cause.TIMES_TOO_UNSURE: "Probably the times: crops keep their days better than the forecast dares to say.",
    Cause.YIELDS_TOO_UNSURE: "Probably the yields: weeks are steadier than the forecast dares to say.",
}


def coverage(outcomes: Iterable[Outcome]) -> tuple[int, int]:
    """(days that say something, those of them that lie inside)."""
    telling = [outcome for outcome in outcomes if outcome.says_something]
    return len(telling), sum(outcome.inside for outcome in telling)


def deciles(outcomes: Iterable[Outcome]) -> tuple[int, ...]:
    """Telling days by tenth of the place: even for an honest forecast, high at both ends for one that is too sure."""
    counts = [0] * DECILES
    for outcome in outcomes:
        if outcome.says_something:
            counts[min(int(outcome.place * DECILES), DECILES - 1)] += 1
    return tuple(counts)


def flags(by_lead: Mapping[int, Sequence[Outcome]]) -> dict[int, Flag]:
    """One strain's flagged leads; its outcomes of one stretch of time, one a day, by days ahead."""
    found = {}
    for lead, outcomes in by_lead.items():
        days, inside = coverage(outcomes)
        if days >= FEWEST_DAYS and _astray(days, inside):
            cause, size = _cause(outcomes, week_ahead=by_lead.get(WEEK_AHEAD, ()), too_sure=inside < HONEST * days)
            found[lead] = Flag(days, inside, cause, size)
    return found


def _astray(days: int, inside: int) -> bool:
    """Whether coverage is out of bounds, and farther than an honest forecast's luck would take it."""
    if BOUNDS[0] <= inside / days <= BOUNDS[1]:
        return False
    counts = range(inside + 1) if inside < HONEST * days else range(inside, days + 1)
    tail = math.fsum(math.comb(days, count) * HONEST**count * (1 - HONEST) ** (days - count) for count in counts)
    return tail <= SELDOM


# ---- The likely cause -----------------------------------------------------------------------------------------------


def _cause(outcomes: Sequence[Outcome], *, week_ahead: Sequence[Outcome], too_sure: bool) -> tuple[Cause, int]:
    days = _moved(outcomes) or _moved(week_ahead)
    if days:
        return (Cause.TIMES_EARLY if days > 0 else Cause.TIMES_LATE), abs(days)
    off = _off(outcomes) or _off(week_ahead)
    if off:
        return (Cause.YIELDS_HIGH if off > 0 else Cause.YIELDS_LOW), abs(off)
    if too_sure:
        return (Cause.TIMES_TOO_SURE if _cancel(outcomes) else Cause.YIELDS_TOO_SURE), 0
    return (Cause.TIMES_TOO_UNSURE if _smeared(outcomes) else Cause.YIELDS_TOO_UNSURE), 0


def _moved(outcomes: Sequence[Outcome]) -> int:
    """By how many days the forecast should be moved to later (above nought) or earlier; 0 where that helps little."""
    said = {outcome.on: outcome.mean for outcome in outcomes}
    came = {outcome.on: outcome.picked for outcome in outcomes}
    if not sum(said.values()) or not sum(came.values()):
        return 0
    level = sum(came.values()) / sum(said.values())
    best, helps = 0, HELPS
    for days in range(-FARTHEST, FARTHEST + 1):
        both = [day for day in came if day - timedelta(days=days) in said]
        as_it_stands = math.fsum((level * said[day] - came[day]) ** 2 for day in both)
        moved = math.fsum((level * said[day - timedelta(days=days)] - came[day]) ** 2 for day in both)
        if as_it_stands and 1 - moved / as_it_stands > helps:
            best, helps = days, 1 - moved / as_it_stands
    return best


def _off(outcomes: Sequence[Outcome]) -> int:
    """Percent of what was picked by which the weeks' sums are too high; 0 where they may as well just swing."""
    if not outcomes:
        return 0
    said, came = _by_week(outcomes, "mean"), _by_week(outcomes, "picked")
    if said.size < 2 or not said.sum():
        return 0
    ratio = float(came.sum() / said.sum())
    error = math.sqrt(float(((came - ratio * said) ** 2).sum()) / (said.size - 1) / said.size) / float(said.mean())
    over = float(said.sum() / came.sum()) - 1 if came.sum() else 1.0
    return round(100 * over) if abs(over) >= OFF and abs(1 - ratio) >= BEYOND_SWINGING * error else 0


def _by_week(outcomes: Sequence[Outcome], name: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Sums of whole weeks, counted back from the last day."""
    last = max(outcome.on for outcome in outcomes)
    first = min(outcome.on for outcome in outcomes)
    sums = np.zeros(((last - first).days + 1) // 7)
    for outcome in outcomes:
        week = (last - outcome.on).days // 7
        if week < sums.size:
            sums[week] += getattr(outcome, name)
    return sums


def _cancel(outcomes: Sequence[Outcome]) -> bool:
    """Whether the misses of neighbouring days cancel in the sums of fourteen, their mean taken out."""
    missed = np.array([outcome.mean - outcome.picked for outcome in sorted(outcomes, key=lambda each: each.on)])
    missed -= missed.mean()
    squares = float((missed**2).mean())
    if not squares or missed.size < FORTNIGHT:
        return False
    sums = np.convolve(missed, np.ones(FORTNIGHT), mode="valid")
    return float((sums**2).mean()) < CANCELS * FORTNIGHT * squares


def _smeared(outcomes: Sequence[Outcome]) -> bool:
    said = np.array([outcome.mean for outcome in outcomes])
    came = np.array([outcome.picked for outcome in outcomes], dtype=np.float64)
    return bool(said.std() * came.mean() < SMEARED * came.std() * said.mean())
