"""The forecast: crops in, grams by strain, grade and day out, as scenarios.

Each crop's course is drawn from its own keyed numbers and added, in whole grams, to its strain's array.  A crop that
comes, goes or changes therefore changes a sum by exactly its own grams, and an earlier forecast of the same morning and
the same learned state is brought up to date by taking off what the changed crops were said to bring, drawn again to the
last gram, and adding what they bring now.  Nothing needs to be kept of any crop but its state.

Worked example: 300 crops, 1,000 scenarios, 60 days: some seven million draws, one array of 240 kB per strain and grade.
One crop of them was harvested: two courses are drawn instead of 300.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from datetime import date, timedelta
from itertools import groupby
from operator import attrgetter
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fulfilment.core.forecast.basis import Basis
from fulfilment.core.forecast.course import Courses, alike, courses, grown_through
from fulfilment.core.forecast.delays import delay_cost
from fulfilment.core.forecast.reasons import reason
from fulfilment.core.forecast.results import LEVELS, Forecast, Outlook
from fulfilment.core.forecast.worlds import BatchWorld, StrainWorld, batch_world, strain_world
from fulfilment.core.growth import CropState, Knowledge, Stage
from fulfilment.core.growth.draws import Numbers
from fulfilment.core.problems import Invalid
from fulfilment.core.units import Goods

DAYS: Final = 35
SCENARIOS: Final = 1_000
SURE: Final = 99
"""Percent of scenarios grown through by the day a batch's kits are promised for."""
METHOD: Final = 2
"""To be raised when the same inputs give other scenarios than before: sums of two methods do not go together."""
_AT_ONCE: Final = 16_000
"""Crops x scenarios followed together: long enough for numpy, short enough for a processor's cache."""
_WORLDS: Final = 100_000
"""Batches x scenarios whose luck is kept at hand."""

_standing = attrgetter(*(each.name for each in fields(CropState) if each.name not in ("shown", "gave")))
"""All that a crop has for itself."""

Arrays = dict[Goods, NDArray[np.int32]]


def forecast(
    crops: Sequence[CropState],
    *,
    knowledge: Mapping[int, Knowledge],
    today: date,
    days: int = DAYS,
    scenarios: int = SCENARIOS,
    seed: int,
    since: Forecast | None = None,
) -> Forecast:
    """What comes on ``days`` days from ``today`` on; every strain in ``knowledge`` has its arrays, be they all
    nought.

    ``since`` is an earlier forecast: of strains of which nothing was learned since, only crops that changed are drawn.
    The answer is the same to the last gram with it or without.
    """
    _check(crops, knowledge=knowledge, days=days, scenarios=scenarios)
    basis = Basis(
        method=METHOD,
        today=today,
        days=days,
        scenarios=scenarios,
        seed=seed,
        learned={strain_id: known.digest() for strain_id, known in knowledge.items()},
        crops={crop.key: crop for crop in crops},
    )
    maker = _Maker(knowledge=dict(knowledge), days=days, scenarios=scenarios, seed=seed)
    supplies: Arrays = {}
    outlooks: dict[str, Outlook] = {}
    for strain_id in knowledge:
        own = [crop for crop in crops if crop.strain_id == strain_id]
        sums = maker.empty(strain_id)
        if since is not None and since.basis.goes_with(basis, strain_id) and sums.keys() <= since.supplies.keys():
            before = [crop for crop in since.basis.crops.values() if crop.strain_id == strain_id]
            for goods, amounts in sums.items():
                amounts[:, :days] = since.supplies[goods]
            gone = [crop for crop in before if basis.crops.get(crop.key) != crop]
            fresh = [crop for crop in own if since.basis.crops.get(crop.key) != crop or crop.key not in since.outlooks]
            kept = {crop.key for crop in own} - {crop.key for crop in fresh}
            outlooks |= {key: since.outlooks[key] for key in kept}
            # one that is only to be looked at again was added before
            gone += [crop for crop in fresh if since.basis.crops.get(crop.key) == crop]
        else:
            gone, fresh = [], own
        for _, found in maker.courses(gone):
            maker.add(found, sums, strain_id=strain_id, sign=-1)
        for together, found in maker.courses(fresh):
            maker.add(found, sums, strain_id=strain_id)
            told = _outlooks(together, found, knowledge=knowledge[strain_id], today=today)
            outlooks |= {outlook.key: outlook for outlook in told}
        supplies |= sums
    waiting: dict[int, list[CropState]] = {}
    for crop in crops:
        if crop.unopened:
            waiting.setdefault(crop.batch_id, []).append(crop)
    return Forecast(
        first_day=today,
        scenarios=scenarios,
        days=days,
        supplies={goods: np.ascontiguousarray(amounts[:, :days]) for goods, amounts in supplies.items()},
        outlooks={crop.key: outlooks[crop.key] for crop in crops},
        unopened=_Unopened(maker, {batch_id: tuple(parts) for batch_id, parts in waiting.items()}),
        ready=_Ready(maker, {batch_id: tuple(parts) for batch_id, parts in waiting.items()}),
        digest=_digest(basis),
        basis=basis,
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
    """Draws courses and adds them up; keeps each strain's world, and the luck of the batches met last."""

    knowledge: dict[int, Knowledge]
    days: int
    scenarios: int
    seed: int
    _strains: dict[int, StrainWorld] = field(default_factory=dict)
    _batches: dict[int, tuple[object, BatchWorld]] = field(default_factory=dict)

    def empty(self, strain_id: int) -> Arrays:
        """By grade [scenario, day], with columns beyond the horizon that take what falls there."""
        known = self.knowledge[strain_id]
        columns = self.days + len(known.window)
        return {
            Goods(strain_id, grade): np.zeros((self.scenarios, columns), dtype=np.int32) for grade, _ in known.grades
        }

    def courses(self, crops: Sequence[CropState]) -> Iterator[tuple[list[CropState], Courses]]:
        """The crops in companies that stand alike, with their courses."""
        numbers = Numbers(self.seed, scenarios=self.scenarios)
        for few, worlds in self._companies(crops):
            yield few, courses(few, batches=worlds, numbers=numbers, days=self.days)

    def ready(self, crops: Sequence[CropState]) -> NDArray[np.int32]:
        """[scenario, day] bags of one unopened batch that are grown through and there from that day on."""
        found = np.zeros((self.scenarios, self.days + 1), dtype=np.int32)
        numbers = Numbers(self.seed, scenarios=self.scenarios)
        for few, worlds in self._companies(crops):
            for day, bags in zip(*grown_through(few, batches=worlds, numbers=numbers), strict=True):
                found[np.arange(self.scenarios), np.minimum(day, self.days)] += bags.astype(np.int32)
        return np.ascontiguousarray(found[:, : self.days])

    def _companies(self, crops: Sequence[CropState]) -> Iterator[tuple[list[CropState], list[BatchWorld]]]:
        windows = {strain_id: len(known.window) for strain_id, known in self.knowledge.items()}

        def group(crop: CropState) -> tuple[object, ...]:
            return alike(crop, window=windows[crop.strain_id])

        at_once = max(_AT_ONCE // self.scenarios, 1)
        ordered = sorted(crops, key=lambda crop: (group(crop), crop.batch_id, crop.key))
        for _, standing in groupby(ordered, key=group):
            together = list(standing)
            for place in range(0, len(together), at_once):
                few = together[place : place + at_once]
                yield few, [self._batch(crop) for crop in few]

    def _batch(self, crop: CropState) -> BatchWorld:
        if crop.strain_id not in self._strains:
            known = self.knowledge[crop.strain_id]
            self._strains[crop.strain_id] = strain_world(
                known, strain_id=crop.strain_id, scenarios=self.scenarios, seed=self.seed
            )
        told = crop.strain_id, crop.shown, crop.gave
        before, world = self._batches.pop(crop.batch_id, (None, None))
        if world is None or before != told:
            world = batch_world(
                crop.batch_id, strain=self._strains[crop.strain_id], scenarios=self.scenarios, seed=self.seed,
                shown=crop.shown, gave=crop.gave,
            )  # fmt: skip
        self._batches[crop.batch_id] = told, world
        if len(self._batches) * self.scenarios > _WORLDS:
            del self._batches[next(iter(self._batches))]
        return world

    def add(self, found: Courses, sums: Mapping[Goods, NDArray[np.int32]], *, strain_id: int, sign: int = 1) -> None:
        """Add these courses' grams to their strain's sums, or take them off."""
        known = self.knowledge[strain_id]
        rows = np.arange(self.scenarios) * (self.days + len(known.window))
        put = np.add.at if sign > 0 else np.subtract.at
        for flush in found.flushes:
            places = np.minimum(flush.first, self.days)
            places += rows
            flat = places.reshape(-1)
            for day in range(flush.grams.shape[1]):
                for (grade, _), grams in zip(known.grades, flush.grams, strict=True):
                    put(sums[Goods(strain_id, grade)].reshape(-1), flat, grams[day].reshape(-1))
                flat += 1


class _Unopened(Mapping[int, Mapping[Goods, NDArray[np.int32]]]):
    """By batch, drawn again when asked for: keyed numbers make that the same to the last gram, and keeping it all
    would not fit.
    """

    def __init__(self, maker: _Maker, crops: Mapping[int, Sequence[CropState]]) -> None:
        self._maker, self._crops = maker, crops

    def __getitem__(self, batch_id: int) -> Mapping[Goods, NDArray[np.int32]]:
        sums: Arrays = {}
        for together, found in self._maker.courses(self._crops[batch_id]):
            strain_id = together[0].strain_id
            if not any(goods.strain_id == strain_id for goods in sums):
                sums |= self._maker.empty(strain_id)
            self._maker.add(found, sums, strain_id=strain_id)
        return {goods: np.ascontiguousarray(amounts[:, : self._maker.days]) for goods, amounts in sums.items()}

    def __iter__(self) -> Iterator[int]:
        return iter(self._crops)

    def __len__(self) -> int:
        return len(self._crops)


class _Ready(Mapping[int, NDArray[np.int32]]):
    """By batch, likewise drawn when asked for."""

    def __init__(self, maker: _Maker, crops: Mapping[int, Sequence[CropState]]) -> None:
        self._maker, self._crops = maker, crops

    def __getitem__(self, batch_id: int) -> NDArray[np.int32]:
        return self._maker.ready(self._crops[batch_id])

    def __iter__(self) -> Iterator[int]:
        return iter(self._crops)

    def __len__(self) -> int:
        return len(self._crops)


def _levels(values: NDArray[np.integer], *levels: int) -> list[list[int]]:
    """[crop] of [level]: the smallest of a crop's values [crop, scenario] that at least so many percent do not exceed.
    Whole numbers are sorted faster than parted.
    """
    places = [max(math.ceil(values.shape[1] * level / 100) - 1, 0) for level in levels]
    found: list[list[int]] = np.sort(values.astype(np.int32, copy=False), axis=1)[:, places].tolist()
    return found


def _outlooks(crops: Sequence[CropState], found: Courses, *, knowledge: Knowledge, today: date) -> Iterator[Outlook]:
    """Where each of these crops of one strain stands next, and why."""
    flush = found.next_grams()
    next_on, grams = _levels(found.next_on, *LEVELS), _levels(flush, *LEVELS)
    grows = found.next_stage is Stage.PICKING
    ready: list[date | None] = [None] * len(crops)
    opened: list[date | None] = [None] * len(crops)
    if found.grown_on is not None and found.opened_on is not None:
        ready = [today + timedelta(days=day) for (day,) in _levels(found.grown_on, SURE)]
        opened = [today + timedelta(days=day) for (day,) in _levels(found.opened_on, 50)]
    for row, crop in enumerate(crops):
        low, middle, high = (today + timedelta(days=day) for day in next_on[row])
        least, half, most = grams[row]
        yield Outlook(
            key=crop.key,
            next_stage=found.next_stage,
            next_on=(low, middle, high),
            grams=(least, half, most),
            kits_ready_on=ready[row],
            opened_on=opened[row],
            reason=reason(crop, knowledge=knowledge, today=today),
            delay=delay_cost(flush[row], ripe_on=found.next_on[row], elapsed=crop.elapsed, pace=crop.pace, today=today)
            if grows
            else None,
        )


def _digest(basis: Basis) -> str:
    seen = hashlib.sha256(
        repr((basis.method, basis.today.isoformat(), basis.days, basis.scenarios, basis.seed)).encode()
    )
    for strain_id in sorted(basis.learned):
        seen.update(f"{strain_id} {basis.learned[strain_id]}".encode())
    told: dict[int, bytes] = {}
    for key in sorted(basis.crops):
        crop = basis.crops[key]
        seen.update(repr(_standing(crop)).encode())
        # the crops of a batch have one and the same
        for logs in (crop.shown, crop.gave):
            if id(logs) not in told:
                told[id(logs)] = hashlib.sha256(repr(logs).encode()).digest()
            seen.update(told[id(logs)])
    return seen.hexdigest()
