"""A batch's and a crop's days as they were logged, turned into where it stands and what it teaches.

A diary holds dates and grams and nothing that was drawn or forecast.  Of a strain's diaries come two things: for
everything alive a :class:`CropState` (how many physiological days of its stage are spent), and the logs that
:func:`fulfilment.core.growth.learn` weighs: stages with both ends seen, stages still running, flushes that are over,
bags lost, trimmings and grades.

Days are the farm's, temperatures degrees Celsius, weights grams.  A *climate* is room → day → mean temperature; a day
without a reading was as warm as the room's set point.

Worked example: pins logged on the 3rd, first mushrooms on the 8th in a room at the reference temperature: a growing
stage of five days.  No mushroom by the 10th: one that still runs after seven.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Final

from fulfilment.core.growth.crops import (
    BATCH,
    CropState,
    Drift,
    FlushLog,
    GradeLog,
    LossLog,
    PickingLog,
    Signs,
    Stage,
    StageLog,
    TrimLog,
)
from fulfilment.core.growth.learning import Knowledge, learn
from fulfilment.core.growth.mass import IMPOSSIBLE_PCT
from fulfilment.core.growth.profile import FLUSHES, StrainProfile
from fulfilment.core.growth.temperature import Cardinal, physiological_days

Climate = Mapping[int, Mapping[date, float]]
"""Room id → day → mean temperature in degrees Celsius."""
WEEK: Final = 7
"""Days over which a room is told to have run warm or cool."""


@dataclass(frozen=True, slots=True)
class Place:
    """A room and the temperature it is kept at."""

    room_id: int
    set_point: float


@dataclass(slots=True)
class CropDiary:
    """One crop's days: when each flush pinned, was first picked, ended and was watered for, and what it gave."""

    crop_id: int
    opened_on: date
    place: Place
    bags: int
    bags_lost: int
    stage: Stage
    stage_since: date
    flush: int
    pins: dict[int, date] = field(default_factory=dict)
    watered: dict[int, date] = field(default_factory=dict)
    ended: dict[int, date] = field(default_factory=dict)
    first_picked: dict[int, date] = field(default_factory=dict)
    picked: dict[int, dict[date, int]] = field(default_factory=lambda: defaultdict(dict))
    """Flush → day → grams as weighed."""
    graded: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    trims: list[TrimLog] = field(default_factory=list)
    last_picked: date | None = None
    looked_on: date | None = None
    """The last day on which anything at all was written of this crop, be it that there was nothing new."""
    losses: dict[date, int] = field(default_factory=dict)
    """Day → bags thrown away; those whose day is not known count as gone from the start."""

    @property
    def bags_alive(self) -> int:
        return self.bags - self.bags_lost

    def bags_at(self, flush: int) -> int:
        """Bags alive when a flush was picked."""
        until = self.first_picked.get(flush)
        return self.bags_alive + sum(lost for day, lost in self.losses.items() if until is not None and day > until)

    def weighed(self, flush: int) -> int:
        """What a flush gave up to now, as weighed."""
        return sum(self.picked[flush].values()) if flush in self.picked else 0

    def pick(self, flush: int, day: date, grams: int) -> None:
        """Write down grams as weighed."""
        self.first_picked.setdefault(flush, day)
        self.picked[flush][day] = self.picked[flush].get(day, 0) + grams
        self.last_picked = day


@dataclass(slots=True)
class BatchDiary:
    """One batch's days and the crops opened from it.

    ``bags_left`` are neither lost, opened nor sealed; ``meant_as_kits`` of them will be sealed.
    """

    batch_id: int
    mixed_on: date
    place: Place
    bags: int
    bags_lost: int
    bags_left: int
    dry_g_per_bag: int
    colonised_on: date | None = None
    meant_as_kits: int = 0
    part_run: dict[str, date] = field(default_factory=dict)
    """``quarter`` or ``half`` → the day on which the spawn run was seen to be so far."""
    crops: list[CropDiary] = field(default_factory=list)


@dataclass(slots=True)
class Logs:
    """What one strain's batches and crops have shown."""

    stages: list[StageLog] = field(default_factory=list)
    flushes: list[FlushLog] = field(default_factory=list)
    pickings: list[PickingLog] = field(default_factory=list)
    losses: list[LossLog] = field(default_factory=list)
    trims: list[TrimLog] = field(default_factory=list)
    grades: list[GradeLog] = field(default_factory=list)
    pins_written: list[bool] = field(default_factory=list)
    waits: list[int] = field(default_factory=list)
    pairs: list[tuple[float, float]] = field(default_factory=list)

    def teach(self, profile: StrainProfile) -> Knowledge:
        """The profile after these logs."""
        return learn(
            profile, stages=self.stages, flushes=self.flushes, pickings=self.pickings, losses=self.losses,
            trims=self.trims, grades=self.grades, pins_written=self.pins_written, waits=self.waits,
            pairs=self.pairs,
        )  # fmt: skip


# ---- Where things stand ---------------------------------------------------------------------------------------------


def states(
    batches: Iterable[BatchDiary],
    *,
    strain_id: int,
    knowledge: Knowledge,
    fruiting_rooms: Sequence[float],
    climate: Climate,
    today: date,
) -> list[CropState]:
    """Every living crop and batch with bags left as of the start of ``today``; ``fruiting_rooms`` by set point."""
    profile = knowledge.profile
    found = []
    for batch in batches:
        if batch.bags_left > 0:
            found.append(
                _batch_state(batch, strain_id, profile, fruiting_rooms=fruiting_rooms, climate=climate, today=today)
            )
        living = [
            state
            for crop in batch.crops
            if (state := _crop_state(crop, strain_id, batch, knowledge, climate=climate, today=today)) is not None
        ]
        if living:
            shown = tuple(
                log for crop in batch.crops for log in _stages(crop, profile, climate, today=today) if log.ended
            )
            gave = tuple(log for crop in batch.crops for log in _flushes(crop, batch, knowledge, today=today))
            found += [replace(state, shown=shown, gave=gave) for state in living]
    return found


def _batch_state(
    batch: BatchDiary,
    strain_id: int,
    profile: StrainProfile,
    *,
    fruiting_rooms: Sequence[float],
    climate: Climate,
    today: date,
) -> CropState:
    grown = batch.colonised_on is not None
    # Nobody has said which fruiting room it will go to: the one that suits its strain best.
    paces = [profile.fruiting.rate(celsius, reference=profile.fruiting_reference_c) for celsius in fruiting_rooms]
    return CropState(
        key=f"{BATCH}{batch.batch_id}",
        batch_id=batch.batch_id,
        strain_id=strain_id,
        bags=max(0, batch.bags_left - batch.meant_as_kits),
        kits=min(batch.bags_left, batch.meant_as_kits),
        dry_g_per_bag=batch.dry_g_per_bag,
        stage=Stage.PINNING if grown else Stage.COLONISING,
        flush=1,
        elapsed=0.0 if grown else _incubated(batch, profile, climate, until=today),
        pace=max(paces, default=1.0),
        colonising_pace=profile.mycelium.rate(batch.place.set_point, reference=profile.incubation_reference_c),
        since=(today - (batch.colonised_on or batch.mixed_on)).days,
        waited=max((today - batch.colonised_on).days, 0) if batch.colonised_on is not None else 0,
        signs=Signs() if grown else _running_signs(batch, profile, climate, today=today),
    )


def _running_signs(batch: BatchDiary, profile: StrainProfile, climate: Climate, *, today: date) -> Signs:
    part, seen_on = max(batch.part_run.items(), key=lambda item: item[1], default=("", batch.mixed_on))
    return Signs(
        celsius=batch.place.set_point,
        part_run=part,
        part_after=(seen_on - batch.mixed_on).days,
        drift=_drift(
            batch.place, climate, first=batch.mixed_on, today=today, cardinal=profile.mycelium,
            reference=profile.incubation_reference_c,
        ),
    )  # fmt: skip


def _crop_state(
    crop: CropDiary, strain_id: int, batch: BatchDiary, knowledge: Knowledge, *, climate: Climate, today: date
) -> CropState | None:
    profile = knowledge.profile
    stage = crop.stage
    if stage is Stage.FINISHED or crop.bags_alive == 0:
        return None
    since, unsaid = crop.stage_since, False
    window_ends = since + timedelta(days=len(knowledge.window))
    if (
        stage is Stage.PICKING
        and window_ends < today
        and crop.last_picked is not None
        and crop.last_picked < window_ends
    ):
        # Nobody has said so, but the flush is over: it rests since the last mushroom.
        stage, since, unsaid = Stage.RESTING, crop.last_picked, True
    looked = max(since, min(crop.looked_on or today, today - timedelta(days=1)))
    unpicked = (today - max(since, crop.last_picked or since)).days - 1 if stage is Stage.PICKING else 0
    return CropState(
        key=f"crop:{crop.crop_id}",
        batch_id=batch.batch_id,
        strain_id=strain_id,
        bags=crop.bags_alive,
        dry_g_per_bag=batch.dry_g_per_bag,
        stage=stage,
        flush=crop.flush,
        elapsed=_fruited(crop, profile, climate, first=since, until=today),
        pace=profile.fruiting.rate(crop.place.set_point, reference=profile.fruiting_reference_c),
        picked_g=crop.weighed(crop.flush) if stage is Stage.PICKING else 0,
        picking_day=max(0, (today - since).days) if stage is Stage.PICKING else 0,
        picked_today=crop.last_picked == today,
        missed=max(unpicked, 0),
        looked=_fruited(crop, profile, climate, first=since, until=looked + timedelta(days=1))
        if stage is Stage.PINNING
        else None,
        since=max((today - since).days, 0),
        pinned=_pinned(crop, crop.flush, profile, climate) if stage is Stage.GROWING else None,
        signs=replace(_signs(crop, profile, climate, stage=stage, since=since, today=today), unsaid=unsaid),
    )


def _signs(
    crop: CropDiary, profile: StrainProfile, climate: Climate, *, stage: Stage, since: date, today: date
) -> Signs:
    before = crop.flush if stage is Stage.RESTING else crop.flush - 1
    ended_on = crop.ended.get(before)
    looked = crop.looked_on is not None and crop.looked_on > since
    return Signs(
        celsius=crop.place.set_point,
        looked=(today - crop.looked_on).days if looked and crop.looked_on is not None else None,
        picked_out=(today - ended_on).days if ended_on is not None else None,
        drift=_drift(
            crop.place, climate, first=since, today=today, cardinal=profile.fruiting,
            reference=profile.fruiting_reference_c,
        ),
    )  # fmt: skip


def _drift(
    place: Place, climate: Climate, *, first: date, today: date, cardinal: Cardinal, reference: float
) -> Drift | None:
    """None where no day of the last week of the stage was read, or where nothing moves at the set point."""
    readings, pace = climate.get(place.room_id, {}), cardinal.rate(place.set_point, reference=reference)
    span = min((today - first).days, WEEK)
    read = [readings[day] for day in (today - timedelta(days=back) for back in range(1, span + 1)) if day in readings]
    if not read or pace <= 0:
        return None

    def late(days: int) -> float:
        lived = physiological_days(
            readings, first=today - timedelta(days=days), last=today - timedelta(days=1), set_point=place.set_point,
            cardinal=cardinal, reference=reference,
        )  # fmt: skip
        return days - lived / pace

    return Drift(
        days=span,
        apart_c=sum(read) / len(read) - place.set_point,
        late_days=late(span),
        late_in_all=late((today - first).days),
    )


def _incubated(batch: BatchDiary, profile: StrainProfile, climate: Climate, *, until: date) -> float:
    """Physiological days of the mycelium from mixing to the morning of ``until``."""
    return physiological_days(
        climate.get(batch.place.room_id, {}), first=batch.mixed_on, last=until - timedelta(days=1),
        set_point=batch.place.set_point, cardinal=profile.mycelium, reference=profile.incubation_reference_c,
    )  # fmt: skip


def _fruited(crop: CropDiary, profile: StrainProfile, climate: Climate, *, first: date, until: date) -> float:
    """Physiological days of fruiting from ``first`` to the morning of ``until``."""
    return physiological_days(
        climate.get(crop.place.room_id, {}), first=first, last=until - timedelta(days=1),
        set_point=crop.place.set_point, cardinal=profile.fruiting, reference=profile.fruiting_reference_c,
    )  # fmt: skip


# ---- What they teach ------------------------------------------------------------------------------------------------


def logs(batches: Iterable[BatchDiary], *, profile: StrainProfile, climate: Climate, today: date) -> Logs:
    """What the batches of one strain have shown up to the start of ``today``."""
    own = Logs()
    for batch in batches:
        own.stages.append(_colonised(batch, profile, climate, today=today))
        own.losses += _losses(batch)
        for crop in batch.crops:
            own.stages += _stages(crop, profile, climate, today=today)
            own.flushes += _flushes(crop, batch, None, today=today)
            for flush, first in crop.first_picked.items():
                pinned = _pinned(crop, flush, profile, climate)
                if pinned is not None and first > crop.pins[flush]:
                    own.pairs.append((pinned, _fruited(crop, profile, climate, first=crop.pins[flush], until=first)))
            own.pins_written += [flush in crop.pins for flush in crop.first_picked]
            if batch.colonised_on is not None and crop.opened_on >= batch.colonised_on:
                own.waits.append((crop.opened_on - batch.colonised_on).days)
            own.pickings += _pickings(crop)
            own.trims += crop.trims
            if crop.graded:
                own.grades.append(GradeLog(tuple(sorted(crop.graded.items()))))
    return own


def _colonised(batch: BatchDiary, profile: StrainProfile, climate: Climate, *, today: date) -> StageLog:
    """The spawn run: ended, or still running (up to the day it was opened, where it was opened before a full run)."""
    if batch.colonised_on is not None:
        return StageLog(Stage.COLONISING, _incubated(batch, profile, climate, until=batch.colonised_on), ended=True)
    until = min([today, *(crop.opened_on for crop in batch.crops)])
    return StageLog(Stage.COLONISING, _incubated(batch, profile, climate, until=until), ended=False)


def _stages(crop: CropDiary, profile: StrainProfile, climate: Climate, *, today: date) -> list[StageLog]:
    """Stages with both ends seen, and the one still running.  What began unseen teaches nothing."""

    def lasted(stage: Stage, first: date | None, last: date | None) -> list[StageLog]:
        if first is None or last is None or last < first:
            return []
        return [StageLog(stage, _fruited(crop, profile, climate, first=first, until=last), ended=True)]

    found: list[StageLog] = []
    for flush in range(1, FLUSHES + 1):
        waits_since = crop.opened_on if flush == 1 else crop.watered.get(flush)
        found += lasted(Stage.PINNING, waits_since, crop.pins.get(flush))
        found += lasted(Stage.GROWING, crop.pins.get(flush), crop.first_picked.get(flush))
        found += lasted(Stage.RESTING, crop.ended.get(flush), crop.watered.get(flush + 1))
    if crop.stage in (Stage.PINNING, Stage.GROWING, Stage.RESTING) and crop.bags_alive:
        days = _fruited(crop, profile, climate, first=crop.stage_since, until=today)
        found.append(StageLog(crop.stage, days, ended=False))
    return found


def _pinned(crop: CropDiary, flush: int, profile: StrainProfile, climate: Climate) -> float | None:
    """Physiological days that the pins of a flush took to be seen."""
    first, last = crop.opened_on if flush == 1 else crop.watered.get(flush), crop.pins.get(flush)
    if first is None or last is None or last < first:
        return None
    return _fruited(crop, profile, climate, first=first, until=last)


def _flushes(crop: CropDiary, batch: BatchDiary, knowledge: Knowledge | None, *, today: date) -> list[FlushLog]:
    """The flushes that are over, with what they gave for the bags that were left.

    One is over when somebody said so, when a later one has begun, and, once the picking window is known, after it.
    One that gave more than any bag can teaches nothing: its bags were counted wrong.
    """
    found = []
    for flush in sorted({*crop.ended, *crop.first_picked}):
        window = timedelta(days=len(knowledge.window)) if knowledge is not None else timedelta(days=14)
        over = flush in crop.ended or flush < crop.flush or crop.first_picked[flush] + window < today
        dry = crop.bags_at(flush) * batch.dry_g_per_bag
        if over and dry and crop.weighed(flush) * 100 <= dry * IMPOSSIBLE_PCT:
            key = f"crop:{crop.crop_id}"
            found.append(FlushLog(flush, dry, crop.weighed(flush), bags=crop.bags_at(flush), crop=key))
    return found


def _pickings(crop: CropDiary) -> list[PickingLog]:
    """The flushes that are over, day by day from the first mushroom."""
    found = []
    for flush in sorted(crop.ended):
        by_day = crop.picked.get(flush)
        if by_day and crop.bags_alive:
            first = min(by_day)
            grams = [0] * ((max(by_day) - first).days + 1)
            for day, weighed in by_day.items():
                grams[(day - first).days] = weighed
            found.append(PickingLog(crop.bags_alive, tuple(grams)))
    return found


def _losses(batch: BatchDiary) -> list[LossLog]:
    """Once a batch is grown through: its bags, and how many of them were thrown away so far.

    Bags still alive count as kept, which is kind to a young batch and is put right as it grows old; leaving them out
    would count every loss at once and every survivor weeks later.
    """
    if batch.colonised_on is None and not batch.crops:
        return []
    return [LossLog(batch.bags, batch.bags_lost + sum(crop.bags_lost for crop in batch.crops))]
