"""The forecast: crops in, grams by strain, grade and day out, as scenarios.

Each crop's course is drawn from its own keyed numbers and added, in whole grams, to its strain's array.  A crop that
comes or goes therefore changes a sum by exactly its own grams.

Worked example: 300 crops, 1,000 scenarios, 60 days: some five million draws, one array of 240 kB per strain and grade.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fulfilment.core.forecast.course import Course, course
from fulfilment.core.forecast.results import LEVELS, Forecast, Outlook
from fulfilment.core.forecast.worlds import BatchWorld, StrainWorld, batch_world, strain_world
from fulfilment.core.growth import CropState, Knowledge
from fulfilment.core.problems import Invalid
from fulfilment.core.units import Goods

DAYS: Final = 35
SCENARIOS: Final = 1_000
SURE: Final = 99
"""Percent of scenarios grown through by the day a batch's kits are promised for."""


def forecast(
    crops: Sequence[CropState],
    *,
    knowledge: Mapping[int, Knowledge],
    today: date,
    days: int = DAYS,
    scenarios: int = SCENARIOS,
    seed: int,
) -> Forecast:
    """What comes on ``days`` days from ``today`` on; every strain in ``knowledge`` has its arrays, be they all
    nought.
    """
    _check(crops, knowledge=knowledge, days=days, scenarios=scenarios)
    maker = _Maker(knowledge=dict(knowledge), days=days, scenarios=scenarios, seed=seed)
    supplies = {goods: amounts for strain_id in knowledge for goods, amounts in maker.empty(strain_id).items()}
    outlooks: dict[str, Outlook] = {}
    waiting: dict[int, list[CropState]] = {}
    # batch by batch, so that one batch's draws are kept at a time
    for crop in sorted(crops, key=lambda each: (each.strain_id, each.batch_id, each.key)):
        found = maker.course(crop)
        maker.add(found, supplies, strain_id=crop.strain_id)
        outlooks[crop.key] = _outlook(crop, found, today=today)
        if crop.unopened:
            waiting.setdefault(crop.batch_id, []).append(crop)
    return Forecast(
        first_day=today,
        scenarios=scenarios,
        days=days,
        supplies={goods: np.ascontiguousarray(amounts[:, :days]) for goods, amounts in supplies.items()},
        outlooks={crop.key: outlooks[crop.key] for crop in crops},
        unopened=_Unopened(maker, {batch_id: tuple(parts) for batch_id, parts in waiting.items()}),
        digest=_digest(crops, knowledge=knowledge, today=today, days=days, scenarios=scenarios, seed=seed),
    )


def _check(crops: Sequence[CropState], *, knowledge: Mapping[int, Knowledge], days: int, scenarios: int) -> None:
    if days < 1 or scenarios < 1:
        raise Invalid("A forecast needs at least one day and one scenario.", code="too_small")
    seen: set[str] = set()
    for crop in crops:
        if crop.strain_id not in knowledge:
            raise Invalid(f"{crop.key}: nothing is known of strain {crop.strain_id}.", code="unknown_strain")
        if crop.key in seen:
            raise Invalid(f"{crop.key} is given twice.", code="twice")
        seen.add(crop.key)


@dataclass(slots=True, eq=False)
class _Maker:
    """Draws courses and adds them up; keeps each strain's world and the last batch's."""

    knowledge: dict[int, Knowledge]
    days: int
    scenarios: int
    seed: int
    _strains: dict[int, StrainWorld] = field(default_factory=dict)
    _batch: tuple[tuple[object, ...], BatchWorld] | None = None

    def empty(self, strain_id: int) -> dict[Goods, NDArray[np.int32]]:
        """By grade [scenario, day], with one day's column beyond the horizon that takes what falls there."""
        return {
            Goods(strain_id, grade): np.zeros((self.scenarios, self.days + 1), dtype=np.int32)
            for grade, _ in self.knowledge[strain_id].grades
        }

    def course(self, crop: CropState) -> Course:
        if crop.strain_id not in self._strains:
            known = self.knowledge[crop.strain_id]
            self._strains[crop.strain_id] = strain_world(
                known, strain_id=crop.strain_id, scenarios=self.scenarios, seed=self.seed
            )
        batch = (crop.batch_id, crop.strain_id, crop.shown, crop.gave)
        if self._batch is None or self._batch[0] != batch:
            world = batch_world(
                crop.batch_id, strain=self._strains[crop.strain_id], scenarios=self.scenarios, seed=self.seed,
                shown=crop.shown, gave=crop.gave,
            )  # fmt: skip
            self._batch = (batch, world)
        return course(
            crop,
            batch=self._batch[1],
            scenarios=self.scenarios,
            days=self.days,
            seed=self.seed,
        )

    def add(self, found: Course, supplies: Mapping[Goods, NDArray[np.int32]], *, strain_id: int) -> None:
        rows = np.arange(self.scenarios) * (self.days + 1)
        for flush in found.flushes:
            if flush.first.min() >= self.days:
                continue
            # beyond the horizon several days fall on the one last column, which nobody reads
            window = np.arange(flush.grams.shape[1])[:, None]
            places = rows + np.minimum(flush.first + window, self.days)
            for (grade, _), grams in zip(self.knowledge[strain_id].grades, flush.grams, strict=True):
                flat = supplies[Goods(strain_id, grade)].reshape(-1)
                flat[places] = flat.take(places) + grams


class _Unopened(Mapping[int, Mapping[Goods, NDArray[np.int32]]]):
    """By batch, drawn again when asked for: keyed numbers make that the same to the last gram, and keeping it all
    would not fit.
    """

    def __init__(self, maker: _Maker, crops: Mapping[int, Sequence[CropState]]) -> None:
        self._maker, self._crops = maker, crops

    def __getitem__(self, batch_id: int) -> Mapping[Goods, NDArray[np.int32]]:
        parts = self._crops[batch_id]
        supplies: dict[Goods, NDArray[np.int32]] = {}
        for crop in parts:
            if not any(goods.strain_id == crop.strain_id for goods in supplies):
                supplies |= self._maker.empty(crop.strain_id)
            self._maker.add(self._maker.course(crop), supplies, strain_id=crop.strain_id)
        return {goods: np.ascontiguousarray(amounts[:, : self._maker.days]) for goods, amounts in supplies.items()}

    def __iter__(self) -> Iterator[int]:
        return iter(self._crops)

    def __len__(self) -> int:
        return len(self._crops)


def _percentile(values: NDArray[np.int64], level: int) -> int:
    """The smallest value that at least ``level`` percent do not exceed."""
    place = max(math.ceil(values.size * level / 100) - 1, 0)
    return int(np.partition(values, place)[place])


def _three(values: NDArray[np.int64]) -> tuple[int, int, int]:
    low, middle, high = (_percentile(values, level) for level in LEVELS)
    return low, middle, high


def _outlook(crop: CropState, found: Course, *, today: date) -> Outlook:
    low, middle, high = (today + timedelta(days=day) for day in _three(found.next_on))
    grams = (0, 0, 0)
    if found.flushes:
        grams = _three(found.flushes[0].grams.sum(axis=(0, 1), dtype=np.int64))
    ready = opened = None
    if found.grown_on is not None and found.opened_on is not None:
        ready = today + timedelta(days=_percentile(found.grown_on, SURE))
        opened = today + timedelta(days=_percentile(found.opened_on, 50))
    return Outlook(
        key=crop.key,
        next_stage=found.next_stage,
        next_on=(low, middle, high),
        grams=grams,
        kits_ready_on=ready,
        opened_on=opened,
    )


def _digest(
    crops: Sequence[CropState],
    *,
    knowledge: Mapping[int, Knowledge],
    today: date,
    days: int,
    scenarios: int,
    seed: int,
) -> str:
    seen = hashlib.sha256(repr((today.isoformat(), days, scenarios, seed)).encode())
    for strain_id in sorted(knowledge):
        seen.update(f"{strain_id} {knowledge[strain_id].digest()}".encode())
    for crop in sorted(crops, key=lambda each: each.key):
        seen.update(repr(crop).encode())
    return seen.hexdigest()
