"""What hangs in the rooms this morning, and what the farm's logs teach: the forecast's input.

Room readings become each day's mean temperature, and that the physiological age of every batch and crop.  What is held
supplies nothing and is left out, but what it taught stays.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta

from django.db.models import Sum

from fulfilment.core.calendar import farm_day
from fulfilment.core.growth import (
    BATCH,
    FLUSHES,
    CropState,
    FlushLog,
    GradeLog,
    Knowledge,
    LossLog,
    Stage,
    StageLog,
    StrainProfile,
    TrimLog,
    learn,
    physiological_days,
)
from fulfilment.models import Batch, Crop, Harvest, Lot, Observation, Reading, Room, Strain
from fulfilment.read import holds
from fulfilment.read.farm import farm

LONGEST_LIFE = 400
"""Days: readings older than this touch no bag that still hangs, nor one that is learned from in detail."""

Climate = Mapping[int, Mapping[date, float]]
"""Room id → day → mean temperature in degrees Celsius."""


@dataclass(slots=True)
class Diary:
    """One crop's days: when each flush pinned, was first picked, ended and was watered for, and what it gave."""

    crop: Crop
    pins: dict[int, date] = field(default_factory=dict)
    watered: dict[int, date] = field(default_factory=dict)
    ended: dict[int, date] = field(default_factory=dict)
    first_picked: dict[int, date] = field(default_factory=dict)
    weighed: dict[int, int] = field(default_factory=lambda: defaultdict(int))
    graded: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    trims: list[TrimLog] = field(default_factory=list)
    last_picked: date | None = None


def crop_states(today: date) -> tuple[list[CropState], dict[int, Knowledge]]:
    """Every living crop and batch with bags left as of the start of ``today``, and what is known of each strain."""
    strains = {strain.pk: StrainProfile.from_data(strain.growth) for strain in Strain.objects.all()}
    climate = _climate(today)
    batches = list(Batch.objects.filter(mixed_on__lte=today).select_related("room").order_by("pk"))
    diaries = _diaries(today)
    logs = _logs(batches, diaries, strains, climate, today=today)
    knowledge = {pk: logs[pk].teach(profile) for pk, profile in strains.items()}
    held = holds.held_batch_ids()
    states = _batch_states((b for b in batches if b.pk not in held), strains, climate, today=today)
    states += [
        state
        for diary in diaries
        if diary.crop.batch_id not in held
        and (state := _crop_state(diary, strains[diary.crop.batch.strain_id], climate, today=today)) is not None
    ]
    return states, knowledge


def trim_loss(strain: Strain) -> float:
    """The share of the weight as picked that trimming takes off this strain, as learned so far."""
    logs = [
        TrimLog(weighed, trimmed)
        for weighed, trimmed in Harvest.objects.filter(crop__batch__strain=strain).values_list("weighed_g", "trimmed_g")
    ]
    return learn(StrainProfile.from_data(strain.growth), trims=logs).trim_loss


@dataclass(slots=True)
class Logs:
    """What one strain's batches and crops have shown."""

    stages: list[StageLog] = field(default_factory=list)
    flushes: list[FlushLog] = field(default_factory=list)
    losses: list[LossLog] = field(default_factory=list)
    trims: list[TrimLog] = field(default_factory=list)
    grades: list[GradeLog] = field(default_factory=list)

    def teach(self, profile: StrainProfile) -> Knowledge:
        return learn(
            profile, stages=self.stages, flushes=self.flushes, losses=self.losses, trims=self.trims, grades=self.grades
        )


def _climate(today: date) -> Climate:
    zone = farm().zone
    sums: dict[int, dict[date, tuple[int, int]]] = defaultdict(dict)
    since = datetime.combine(today - timedelta(days=LONGEST_LIFE), time.min, tzinfo=UTC)
    for room, at, tenths in Reading.objects.filter(at__gte=since).values_list("room_id", "at", "celsius_tenths"):
        day = farm_day(at, zone)
        total, count = sums[room].get(day, (0, 0))
        sums[room][day] = (total + tenths, count + 1)
    return {
        room: {day: total / count / 10 for day, (total, count) in days.items() if day < today}
        for room, days in sums.items()
    }


def _diaries(today: date) -> list[Diary]:
    found = {
        crop.pk: Diary(crop)
        for crop in Crop.objects.filter(opened_on__lte=today).select_related("batch", "room").order_by("pk")
    }
    kinds = [Observation.Kind.PINS, Observation.Kind.REWATERED, Observation.Kind.FLUSH_ENDED]
    for crop, kind, flush, on in (
        Observation.objects.filter(crop__isnull=False, kind__in=kinds, seen_on__lte=today)
        .order_by("seen_on", "pk")
        .values_list("crop_id", "kind", "flush", "seen_on")
    ):
        diary = found.get(crop)
        if diary is not None and flush is not None:
            days = {"pins": diary.pins, "rewatered": diary.watered, "flush_ended": diary.ended}[kind]
            days.setdefault(flush, on)
    for crop, flush, on, grade, weighed, trimmed in (
        Harvest.objects.filter(harvested_on__lte=today)
        .order_by("harvested_on", "pk")
        .values_list("crop_id", "flush", "harvested_on", "grade", "weighed_g", "trimmed_g")
    ):
        diary = found.get(crop)
        if diary is not None:
            diary.first_picked.setdefault(flush, on)
            diary.weighed[flush] += weighed
            diary.graded[grade] += trimmed
            diary.trims.append(TrimLog(weighed, trimmed))
            diary.last_picked = on
    return list(found.values())


# ---- Where things stand ---------------------------------------------------------------------------------------------


def _batch_states(
    batches: Iterable[Batch], strains: Mapping[int, StrainProfile], climate: Climate, *, today: date
) -> list[CropState]:
    in_store: dict[int, int] = dict(
        Lot.objects.filter(kind=Lot.Kind.KITS, quantity__gt=0).values_list("batch_id").annotate(there=Sum("quantity"))
    )
    rooms = [
        tenths / 10
        for tenths in Room.objects.filter(kind=Room.Kind.FRUITING).values_list("set_point_tenths", flat=True)
    ]
    states = []
    for batch in batches:
        if batch.bags_left <= 0:
            continue
        profile = strains[batch.strain_id]
        grown = batch.colonised_on is not None
        # Nobody has said which fruiting room it will go to: the one that suits its strain best.
        paces = [profile.fruiting.rate(celsius, reference=profile.fruiting_reference_c) for celsius in rooms]
        states.append(
            CropState(
                key=f"{BATCH}{batch.pk}",
                batch_id=batch.pk,
                strain_id=batch.strain_id,
                bags=max(0, batch.bags_left - max(0, batch.kit_quota - in_store.get(batch.pk, 0))),
                dry_g_per_bag=batch.dry_g_per_bag,
                stage=Stage.PINNING if grown else Stage.COLONISING,
                flush=1,
                elapsed=0.0 if grown else _incubated(batch, profile, climate, until=today),
                pace=max(paces, default=1.0),
                colonising_pace=profile.mycelium.rate(
                    batch.room.set_point_tenths / 10, reference=profile.incubation_reference_c
                ),
            )
        )
    return states


def _crop_state(diary: Diary, profile: StrainProfile, climate: Climate, *, today: date) -> CropState | None:
    crop = diary.crop
    stage = Stage(crop.stage)
    if stage is Stage.FINISHED or crop.bags_alive == 0:
        return None
    since = crop.stage_since
    window_ends = since + timedelta(days=len(profile.picking_shares))
    if (
        stage is Stage.PICKING
        and window_ends < today
        and diary.last_picked is not None
        and diary.last_picked < window_ends
    ):
        # Nobody has said so, but the flush is over: it rests since the last mushroom.
        stage, since = Stage.RESTING, diary.last_picked
    return CropState(
        key=f"crop:{crop.pk}",
        batch_id=crop.batch_id,
        strain_id=crop.batch.strain_id,
        bags=crop.bags_alive,
        dry_g_per_bag=crop.batch.dry_g_per_bag,
        stage=stage,
        flush=crop.flush,
        elapsed=_fruited(crop, profile, climate, first=since, until=today),
        pace=profile.fruiting.rate(crop.room.set_point_tenths / 10, reference=profile.fruiting_reference_c),
        picked_g=diary.weighed[crop.flush] if stage is Stage.PICKING else 0,
        picking_day=max(0, (today - since).days) if stage is Stage.PICKING else 0,
        picked_today=diary.last_picked == today,
    )


def _incubated(batch: Batch, profile: StrainProfile, climate: Climate, *, until: date) -> float:
    """Physiological days of the mycelium from mixing to the morning of ``until``."""
    return physiological_days(
        climate.get(batch.room_id, {}), first=batch.mixed_on, last=until - timedelta(days=1),
        set_point=batch.room.set_point_tenths / 10, cardinal=profile.mycelium, reference=profile.incubation_reference_c,
    )  # fmt: skip


def _fruited(crop: Crop, profile: StrainProfile, climate: Climate, *, first: date, until: date) -> float:
    """Physiological days of fruiting from ``first`` to the morning of ``until``."""
    return physiological_days(
        climate.get(crop.room_id, {}), first=first, last=until - timedelta(days=1),
        set_point=crop.room.set_point_tenths / 10, cardinal=profile.fruiting, reference=profile.fruiting_reference_c,
    )  # fmt: skip


# ---- What was learned -----------------------------------------------------------------------------------------------


def _logs(
    batches: Sequence[Batch],
    diaries: Sequence[Diary],
    strains: Mapping[int, StrainProfile],
    climate: Climate,
    *,
    today: date,
) -> dict[int, Logs]:
    logs = {pk: Logs() for pk in strains}
    mine: dict[int, list[Diary]] = defaultdict(list)
    for diary in diaries:
        mine[diary.crop.batch_id].append(diary)
    for batch in batches:
        own, profile = logs[batch.strain_id], strains[batch.strain_id]
        own.stages.append(_colonised(batch, mine[batch.pk], profile, climate, today=today))
        own.losses += _losses(batch, mine[batch.pk])
        for diary in mine[batch.pk]:
            own.stages += _stages(diary, profile, climate, today=today)
            own.flushes += _flushes(diary)
            own.trims += diary.trims
            if diary.graded:
                own.grades.append(GradeLog(tuple(sorted(diary.graded.items()))))
    return logs


def _colonised(
    batch: Batch, crops: Sequence[Diary], profile: StrainProfile, climate: Climate, *, today: date
) -> StageLog:
    """The spawn run: ended, or still running (up to the day it was opened, where it was opened before a full run)."""
    if batch.colonised_on is not None:
        return StageLog(Stage.COLONISING, _incubated(batch, profile, climate, until=batch.colonised_on), ended=True)
    until = min([today, *(diary.crop.opened_on for diary in crops)])
    return StageLog(Stage.COLONISING, _incubated(batch, profile, climate, until=until), ended=False)


def _stages(diary: Diary, profile: StrainProfile, climate: Climate, *, today: date) -> list[StageLog]:
    """Stages with both ends seen, and the one still running.  What began unseen teaches nothing."""
    crop = diary.crop

    def lasted(stage: Stage, first: date | None, last: date | None) -> list[StageLog]:
        if first is None or last is None or last < first:
            return []
        return [StageLog(stage, _fruited(crop, profile, climate, first=first, until=last), ended=True)]

    found: list[StageLog] = []
    for flush in range(1, FLUSHES + 1):
        waits_since = crop.opened_on if flush == 1 else diary.watered.get(flush)
        found += lasted(Stage.PINNING, waits_since, diary.pins.get(flush))
        found += lasted(Stage.GROWING, diary.pins.get(flush), diary.first_picked.get(flush))
        found += lasted(Stage.RESTING, diary.ended.get(flush), diary.watered.get(flush + 1))
    running = Stage(crop.stage)
    if running in (Stage.PINNING, Stage.GROWING, Stage.RESTING) and crop.bags_alive:
        days = _fruited(crop, profile, climate, first=crop.stage_since, until=today)
        found.append(StageLog(running, days, ended=False))
    return found


def _flushes(diary: Diary) -> list[FlushLog]:
    """The flushes that are over, with what they gave for the bags that are left."""
    crop = diary.crop
    dry = crop.bags_alive * crop.batch.dry_g_per_bag
    if not dry:
        return []
    return [FlushLog(flush, dry, diary.weighed[flush]) for flush in sorted(diary.ended)]


def _losses(batch: Batch, crops: Sequence[Diary]) -> list[LossLog]:
    """Once a batch is grown through: its bags, and how many of them were thrown away so far.

    Bags still alive count as kept, which is kind to a young batch and is put right as it grows old; leaving them out
    would count every loss at once and every survivor weeks later.
    """
    if batch.colonised_on is None and not crops:
        return []
    return [LossLog(batch.bags, batch.bags_lost + sum(diary.crop.bags_lost for diary in crops))]
