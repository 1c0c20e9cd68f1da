"""A strain as learned, and how its logs become that."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from fulfilment.core.growth.crops import FlushLog, GradeLog, LossLog, PickingLog, Stage, StageLog, TrimLog
from fulfilment.core.growth.learning import counts, picking, times, yields
from fulfilment.core.growth.learning.posteriors import Posterior
from fulfilment.core.growth.learning.yields import FLUSH_SPREAD
from fulfilment.core.growth.profile import FLUSHES, StrainProfile
from fulfilment.core.problems import Invalid

_OVER: Final = 0.95
"""The share of a flush after which the crop rests."""


@dataclass(frozen=True, slots=True, eq=False)
class Knowledge:
    """A strain as learned: posteriors of stage times and efficiency, and what is known of shares and losses.

    ``flushes`` are the Dirichlet parameters of the flush shares, ``loss`` the beta's, ``grades`` names with mean
    shares.  ``window`` has the mean shares by picking day, ``window_concentration`` how alike crops are in them.
    ``flush_spread`` is the spread of the log yield that a crop's flushes do not share.  ``unwritten`` is the chance
    that nobody writes down a flush's pins, ``skipped`` the one that ripe mushrooms are left for the next day,
    ``waits`` the chances that a batch grown through is opened after 0, 1, 2 ... days.  ``follows`` is the
    correlation of the logs of pinning and growing times within a flush: below nought where pins are often seen late.
    ``taught`` counts by stage the farm's own that are over: of none of them, the times are the profile's.
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
    flush_spread: float = FLUSH_SPREAD[0]
    unwritten: float = counts.UNWRITTEN[0] / sum(counts.UNWRITTEN)
    skipped: float = counts.SKIPPED[0] / sum(counts.SKIPPED)
    waits: tuple[float, ...] = (1.0,)
    follows: float = 0.0
    taught: Mapping[Stage, int] = field(default_factory=dict)

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
        plain = (
            self.profile.as_data(), self.flushes, self.window, self.window_concentration, self.loss, self.grades,
            self.trim_loss, self.flush_spread, self.unwritten, self.skipped, self.waits, self.follows,
            {str(stage): count for stage, count in self.taught.items()},
        )  # fmt: skip
        seen.update(repr(_plain(plain)).encode())
        return seen.hexdigest()


def _plain(value: object) -> object:
    """The same for 7, 7.0 and numpy's 7.0, and for lists and tuples."""
    if isinstance(value, Mapping):
        return sorted((name, _plain(each)) for name, each in value.items())
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    return value if isinstance(value, str) else float(value)  # type: ignore[arg-type]  # a number is all that is left


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
    shares, _ = yields.flush_shares(profile, picked, FLUSH_SPREAD[0])
    flush_spread = yields.flush_spread(profile, picked, shares)
    shares, certainty = yields.flush_shares(profile, picked, flush_spread)
    picked_by_day = list(pickings)
    window, likeness = picking.window(profile, picked_by_day)
    return Knowledge(
        profile=profile,
        colonising=times.stage_posterior(profile.colonising, by_stage.get(Stage.COLONISING, ())),
        pinning=times.stage_posterior(profile.pinning, by_stage.get(Stage.PINNING, ())),
        growing=times.stage_posterior(profile.growing, by_stage.get(Stage.GROWING, ())),
        resting=times.stage_posterior(profile.resting, by_stage.get(Stage.RESTING, ())),
        efficiency=yields.efficiency_posterior(profile, picked, shares, flush_spread),
        flushes=tuple(certainty * share for share in shares),
        window=window,
        window_concentration=likeness,
        loss=counts.loss(profile, losses),
        grades=counts.grade_shares(profile, grades),
        trim_loss=counts.trim_loss(profile, trims),
        flush_spread=flush_spread,
        unwritten=counts.share((not written for written in pins_written), belief=counts.UNWRITTEN),
        skipped=counts.share((not grams for log in picked_by_day for grams in log.grams[1:-1]), belief=counts.SKIPPED),
        waits=times.waits(list(waits)),
        follows=times.follows(list(pairs)),
        taught={stage: sum(log.ended for log in logs) for stage, logs in by_stage.items()}
        | {Stage.PICKING: len(picked_by_day)},
    )
