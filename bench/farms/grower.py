"""A year on one invented farm: what its people do, and what of nature's course they write down.

They look at the dark room every other day and at the fruiting rooms most days, so a full run or pins are logged late,
some pins never; of the looks that find nothing new half are written down.  They pick what is ripe nearly every day,
miss one now and then, and tick the end of a flush most times.
What is written down is what a forecast may know; the grams picked are what it is measured by.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Final

import numpy as np
from numpy.random import Generator

from bench.farms import nature
from fulfilment.core.growth import Stage, TrimLog
from fulfilment.core.growth.diaries import BatchDiary, Climate, CropDiary, Place

FIRST: Final = date(2025, 1, 6)
"""A Monday."""
DARK, LIGHT = 1, 10
LOOKS_DARK: Final = 0.85
"""The chance of a look on an even day."""
LOOKS_LIGHT: Final = 0.75
"""The chance of a look on any day."""
WRITES_LOOK: Final = 0.5
FORGETS_PINS: Final = 0.12
SKIPS: Final = 0.07
"""The chance that ripe mushrooms are left for the next day."""
GAINS: Final = 1.05
"""What a mushroom left for the next day weighs then, against today."""
STRAGGLES: Final = 2
"""Days after the window by which what was left is picked at the latest."""
TRIM_SPREAD: Final = 0.01


@dataclass(slots=True)
class Entry:
    """One line of the log: written on ``day`` about a batch or its crop."""

    day: int
    kind: str
    flush: int = 0
    amount: int = 0
    weighed: int = 0


@dataclass(slots=True)
class Written:
    """A batch as the log knows it: its strain's place in the handbook, and its entries in order of day."""

    number: int
    strain: int
    mixed: int
    bags: int
    dry_g: int
    opened: int | None = None
    bags_opened: int = 0
    entries: list[Entry] = field(default_factory=list)


@dataclass(slots=True)
class Farm:
    """A lived year: hidden strains and rooms, the log, and the trimmed grams by strain and day."""

    strains: list[nature.Strain]
    rooms: dict[int, nature.Room]
    read: dict[int, dict[int, float]]
    batches: list[Written]
    picked: nature.Floats
    days: int


def live(seed: int, *, days: int) -> Farm:
    """The farm of this seed."""
    random = np.random.default_rng([20_261, seed])
    strains = [nature.strain(book, random) for book in nature.HANDBOOK]
    kept_at = {DARK: 22.5} | {LIGHT + place: book.light_c for place, book in enumerate(nature.HANDBOOK)}
    rooms = {number: nature.room(at, days + 200, random) for number, at in kept_at.items()}
    read = {
        number: {day: float(room.warm[day] + random.normal(0, 0.2)) for day in range(days) if random.random() < 0.85}
        for number, room in rooms.items()
    }
    farm = Farm(strains, rooms, read, [], np.zeros((len(strains), days + 200)), days)
    for place, kind in enumerate(strains):
        for mixed in range(int(random.integers(0, 7)), days, 7):
            if random.random() < 0.9:
                _follow(farm, place, kind, mixed, random)
    return farm


def _follow(farm: Farm, place: int, kind: nature.Strain, mixed: int, random: Generator) -> None:
    batch = nature.life(kind, mixed=mixed, dark=farm.rooms[DARK].warm, random=random)
    written = Written(len(farm.batches) + 1, place, mixed, batch.bags, kind.dry_g)
    farm.batches.append(written)
    log = written.entries
    seen = _watch(log, mixed + 1, batch.grown, flush=0, every=2, chance=LOOKS_DARK, random=random)
    if batch.lost_in_dark:
        log.append(Entry(min(seen, mixed + 8), "lost", amount=batch.lost_in_dark))
    log.append(Entry(seen, "run"))
    opened = seen + int(random.integers(0, 4))
    bags = batch.bags - batch.lost_in_dark
    if not bags:
        return
    written.opened, written.bags_opened = opened, bags
    light = farm.rooms[LIGHT + place].warm
    for flush in nature.fruit(batch, opened=opened + 0.5, bags=bags, light=light, random=random):
        _write_flush(farm, place, kind, written, flush, random)
    log.sort(key=lambda each: each.day)


def _write_flush(
    farm: Farm, place: int, kind: nature.Strain, written: Written, flush: nature.Flush, random: Generator
) -> None:
    log = written.entries
    if flush.number > 1:
        log.append(Entry(math.floor(flush.begins), "watered", flush.number))
    if flush.lost:
        log.append(Entry(math.floor(flush.lost_at), "lost", flush.number, amount=flush.lost))
    first = math.floor(flush.ripe)
    begins = math.floor(flush.begins) + 1
    pins = _watch(log, begins, flush.pins, flush=flush.number, every=1, chance=LOOKS_LIGHT, random=random)
    if pins < first and random.random() >= FORGETS_PINS:
        log.append(Entry(pins, "pins", flush.number))
    carried, last = 0, first
    days = len(flush.grams)
    for step in range(days + STRAGGLES + 1):
        ripe = carried + (flush.grams[step] if step < days else 0)
        if not ripe:
            continue
        if step < days + STRAGGLES and random.random() < SKIPS:
            carried = round(ripe * GAINS)
            continue
        carried, last = 0, first + step
        trimmed = round(ripe * (1 - min(max(random.normal(kind.trim, TRIM_SPREAD), 0.0), 0.2)))
        log.append(Entry(last, "picked", flush.number, amount=trimmed, weighed=ripe))
        farm.picked[place, min(last, farm.picked.shape[1] - 1)] += trimmed
    if random.random() < 0.9:
        log.append(Entry(last + int(random.choice([0, 0, 0, 1, 2])), "ended", flush.number))


def _watch(
    log: list[Entry], since: int, happens: float, *, flush: int, every: int, chance: float, random: Generator
) -> int:
    """The day on which somebody first sees what happens at this instant; some looks before it are written down."""
    if not math.isfinite(happens):
        return 10_000
    day = since
    while True:
        if day % every == 0 and random.random() < chance:
            if day >= math.floor(happens):
                return day
            if random.random() < WRITES_LOOK:
                log.append(Entry(day, "seen", flush))
        day += 1


# ---- What the log says on a morning ----------------------------------------------------------------------------------


def diaries(farm: Farm, *, strain: int, morning: int) -> list[BatchDiary]:
    """The batches of a strain as they stand at the start of a day: everything written before it."""
    return [
        _diary(farm, written, morning)
        for written in farm.batches
        if written.strain == strain and written.mixed < morning
    ]


def climate(farm: Farm, *, morning: int) -> Climate:
    return {room: {on(day): warm for day, warm in days.items() if day < morning} for room, days in farm.read.items()}


def on(day: int) -> date:
    return FIRST + timedelta(days=day)


def _diary(farm: Farm, written: Written, morning: int) -> BatchDiary:
    known = [entry for entry in written.entries if entry.day < morning]
    opened = written.opened is not None and written.opened < morning
    dark = [entry for entry in known if not entry.flush]
    run = next((entry.day for entry in dark if entry.kind == "run"), None)
    lost = sum(entry.amount for entry in dark if entry.kind == "lost")
    batch = BatchDiary(
        batch_id=written.number, mixed_on=on(written.mixed), place=Place(DARK, 22.5), bags=written.bags, bags_lost=lost,
        bags_left=0 if opened else written.bags - lost, dry_g_per_bag=written.dry_g,
        colonised_on=on(run) if run is not None else None,
    )  # fmt: skip
    if opened and written.opened is not None:
        room = LIGHT + written.strain
        light = Place(room, nature.HANDBOOK[written.strain].light_c)
        batch.crops.append(_crop(written, [entry for entry in known if entry.flush], light))
    return batch


def _crop(written: Written, known: list[Entry], light: Place) -> CropDiary:
    assert written.opened is not None, "a crop is opened"
    crop = CropDiary(
        crop_id=written.number, opened_on=on(written.opened), place=light, bags=written.bags_opened, bags_lost=0,
        stage=Stage.PINNING, stage_since=on(written.opened), flush=1,
    )  # fmt: skip
    for entry in known:
        day = on(entry.day)
        crop.looked_on = day
        if entry.kind == "lost":
            crop.bags_lost += entry.amount
            crop.losses[day] = crop.losses.get(day, 0) + entry.amount
        elif entry.kind == "pins":
            crop.pins.setdefault(entry.flush, day)
            crop.stage, crop.stage_since, crop.flush = Stage.GROWING, day, entry.flush
        elif entry.kind == "picked":
            if entry.flush not in crop.first_picked:
                crop.stage, crop.stage_since, crop.flush = Stage.PICKING, day, entry.flush
            crop.pick(entry.flush, day, entry.weighed)
            crop.graded["a"] += entry.amount
            crop.trims.append(TrimLog(entry.weighed, entry.amount))
        elif entry.kind == "ended":
            crop.ended.setdefault(entry.flush, day)
            over = entry.flush == nature.FLUSHES
            crop.stage, crop.stage_since = (Stage.FINISHED if over else Stage.RESTING), day
        elif entry.kind == "watered":
            crop.watered.setdefault(entry.flush, day)
            crop.stage, crop.stage_since, crop.flush = Stage.PINNING, day, entry.flush
    return crop
