"""What hangs in the rooms this morning, and what the farm's logs teach: the forecast's input.

Rows become diaries (:mod:`fulfilment.core.growth.diaries`), readings each day's mean temperature.  What is held
supplies nothing and is left out, but what it taught stays.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, TypedDict

from django.db.models import F, QuerySet, Sum

from fulfilment.core.calendar import farm_day
from fulfilment.core.forecast import weekdays_from
from fulfilment.core.growth import CropState, Knowledge, Stage, StrainProfile, TrimLog, learn
from fulfilment.core.growth.diaries import BatchDiary, Climate, CropDiary, Place, logs, states
from fulfilment.core.growth.learning import unpack
from fulfilment.core.units import Goods
from fulfilment.models import Batch, Crop, Harvest, Learned, Lot, Observation, Reading, Room, Strain
from fulfilment.read import holds
from fulfilment.read.farm import farm

if TYPE_CHECKING:
    from django_stubs_ext import WithAnnotations

LONGEST_LIFE = 400
"""Days: readings older than this touch no bag that still hangs, nor one that is learned from in detail."""


def learned(today: date) -> dict[int, Knowledge]:
    """Strain id → what was known of it on this morning, where a forecast has been made since."""
    return {row.strain_id: unpack(bytes(row.packed)) for row in Learned.objects.filter(on=today)}


def crop_states(
    today: date, *, known: Mapping[int, Knowledge] | None = None
) -> tuple[list[CropState], dict[int, Knowledge]]:
    """Every living crop and batch with bags left as of the start of ``today``, and what is known of each strain.

    What is ``known`` already is taken as it is, unless the strain's profile is another one by now.
    """
    strains = {strain.pk: StrainProfile.from_data(strain.growth) for strain in Strain.objects.all()}
    climate = _climate(today)
    diaries = _diaries(today)
    rooms = [
        tenths / 10
        for tenths in Room.objects.filter(kind=Room.Kind.FRUITING).values_list("set_point_tenths", flat=True)
    ]
    held = holds.held_batch_ids()
    found: list[CropState] = []
    knowledge: dict[int, Knowledge] = {}
    for pk, profile in strains.items():
        own = diaries.get(pk, [])
        before = (known or {}).get(pk)
        if before is not None and before.profile == profile:
            knowledge[pk] = before
        else:
            knowledge[pk] = logs(own, profile=profile, climate=climate, today=today).teach(profile)
        living = [batch for batch in own if batch.batch_id not in held]
        found += states(
            living, strain_id=pk, knowledge=knowledge[pk], fruiting_rooms=rooms, climate=climate, today=today
        )  # fmt: skip
    return found, knowledge


def picked_lately(today: date) -> Mapping[Goods, Mapping[date, int]]:
    """Trimmed grams by goods and day over the last weeks before ``today``: what a mean of weekdays is made of."""
    found: dict[Goods, dict[date, int]] = defaultdict(dict)
    rows = (
        Harvest.objects.filter(harvested_on__gte=weekdays_from(today), harvested_on__lt=today)
        .order_by()
        .values_list("crop__batch__strain_id", "grade", "harvested_on")
        .annotate(grams=Sum("trimmed_g"))
    )
    for strain, grade, day, grams in rows:
        found[Goods(strain, grade)][day] = grams
    return found


def trim_loss(strain: Strain) -> float:
    """The share of the weight as picked that trimming takes off this strain, as learned so far."""
    trims = [
        TrimLog(weighed, trimmed)
        for weighed, trimmed in harvested()
        .filter(crop__batch__strain=strain, weighed__gt=0)
        .values_list("weighed", "trimmed")
    ]
    return learn(StrainProfile.from_data(strain.growth), trims=trims).trim_loss


class AsItStands(TypedDict):
    """What a harvest weighed by all that is known of it now, in grams."""

    weighed: int
    trimmed: int


def harvested() -> QuerySet[WithAnnotations[Harvest, AsItStands]]:
    """Harvests with ``weighed`` and ``trimmed``: grams as they stand after all that was put right, zero if nothing
    does.
    """
    return Harvest.objects.filter(corrects__isnull=True).annotate(
        weighed=F("weighed_g") + Sum("corrections__weighed_g", default=0),
        trimmed=F("trimmed_g") + Sum("corrections__trimmed_g", default=0),
    )


def kits_in_store() -> dict[int, int]:
    """Batch → its sealed kits that are still here."""
    return dict(
        Lot.objects.filter(kind=Lot.Kind.KITS, quantity__gt=0).values_list("batch_id").annotate(there=Sum("quantity"))
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


def _diaries(today: date) -> Mapping[int, list[BatchDiary]]:
    """Strain id → its batches with their crops, each in the order in which it was entered."""
    in_store = kits_in_store()
    crops = _crop_diaries(today)
    part_run = _part_run(today)
    found: dict[int, list[BatchDiary]] = defaultdict(list)
    for batch in Batch.objects.filter(mixed_on__lte=today).select_related("room").order_by("pk"):
        found[batch.strain_id].append(
            BatchDiary(
                batch_id=batch.pk,
                mixed_on=batch.mixed_on,
                place=_place(batch.room),
                bags=batch.bags,
                bags_lost=batch.bags_lost,
                bags_left=batch.bags_left,
                dry_g_per_bag=batch.dry_g_per_bag,
                colonised_on=batch.colonised_on,
                meant_as_kits=max(0, batch.kit_quota - in_store.get(batch.pk, 0)),
                part_run=part_run.get(batch.pk, {}),
                crops=crops.get(batch.pk, []),
            )
        )
    return found


def _part_run(today: date) -> Mapping[int, dict[str, date]]:
    """Batch id → how far its spawn run was first seen to be on which day, of batches not fully run."""
    kinds = {Observation.Kind.RUN_QUARTER.value: "quarter", Observation.Kind.RUN_HALF.value: "half"}
    found: dict[int, dict[str, date]] = defaultdict(dict)
    for batch_id, kind, on in (
        Observation.objects.filter(kind__in=kinds, seen_on__lte=today, batch__colonised_on__isnull=True)
        .order_by("seen_on", "pk")
        .values_list("batch_id", "kind", "seen_on")
    ):
        if batch_id is not None:
            found[batch_id].setdefault(kinds[kind], on)
    return found


def _crop_diaries(today: date) -> Mapping[int, list[CropDiary]]:
    """Batch id → the diaries of its crops."""
    by_batch: dict[int, list[CropDiary]] = defaultdict(list)
    found: dict[int, CropDiary] = {}
    for crop in Crop.objects.filter(opened_on__lte=today).select_related("room").order_by("pk"):
        found[crop.pk] = CropDiary(
            crop_id=crop.pk,
            opened_on=crop.opened_on,
            place=_place(crop.room),
            bags=crop.bags,
            bags_lost=crop.bags_lost,
            stage=Stage(crop.stage),
            stage_since=crop.stage_since,
            flush=crop.flush,
        )
        by_batch[crop.batch_id].append(found[crop.pk])
    for crop_id, kind, flush, on, bags in (
        Observation.objects.filter(crop__isnull=False, seen_on__lte=today)
        .order_by("seen_on", "pk")
        .values_list("crop_id", "kind", "flush", "seen_on", "bags")
    ):
        diary = found.get(crop_id)
        if diary is None:
            continue
        diary.looked_on = on
        days = {"pins": diary.pins, "rewatered": diary.watered, "flush_ended": diary.ended}.get(kind)
        if days is not None and flush is not None:
            days.setdefault(flush, on)
        elif kind == Observation.Kind.BAGS_LOST:
            diary.losses[on] = diary.losses.get(on, 0) + (bags or 0)
    for crop_id, flush, on, grade, weighed, trimmed in (
        harvested()
        .filter(harvested_on__lte=today, weighed__gt=0)
        .order_by("harvested_on", "pk")
        .values_list("crop_id", "flush", "harvested_on", "grade", "weighed", "trimmed")
    ):
        diary = found.get(crop_id)
        if diary is not None:
            diary.pick(flush, on, weighed)
            diary.graded[grade] += trimmed
            diary.trims.append(TrimLog(weighed, trimmed))
    return by_batch


def _place(room: Room) -> Place:
    return Place(room.pk, room.set_point_tenths / 10)
