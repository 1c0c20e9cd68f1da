"""What is seen or done on a batch or a crop, and where that takes it.

A crop moves along the table below, by its stage and what was seen.  Pins written down after the first harvest teach how
long they took and move nothing; pins on a resting bag that nobody watered begin the next flush.  The end of the last
flush is the end of the crop: then it is compost.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from django.db import transaction
from django.db.models import Sum

from fulfilment.core.calendar import in_words
from fulfilment.core.growth import FLUSHES, Stage
from fulfilment.core.problems import Conflict, Invalid
from fulfilment.core.units import amount
from fulfilment.models import Batch, Crop, Observation, Reading, Room
from fulfilment.services import events, given, jobs, measures, rows
from fulfilment.services.growing.batches import MOST_BAGS, lock_with_book, trim_quota

if TYPE_CHECKING:
    from datetime import date, datetime
    from decimal import Decimal

Kind = Observation.Kind

OF_BATCH: Final = (
    Kind.RUN_QUARTER, Kind.RUN_HALF, Kind.RUN_FULL, Kind.CORE_TEMPERATURE, Kind.BAGS_LOST, Kind.SEEN,
)  # fmt: skip
OF_CROP: Final = (
    Kind.PINS, Kind.FLUSH_ENDED, Kind.REWATERED, Kind.BAGS_LOST, Kind.FINISHED, Kind.CORE_TEMPERATURE, Kind.SEEN,
)  # fmt: skip
_LIVE: Final = (Stage.PINNING, Stage.GROWING, Stage.PICKING, Stage.RESTING)

CROP: Final[Mapping[tuple[Stage, str], tuple[Stage, int]]] = MappingProxyType(
    {
        (Stage.PINNING, Kind.PINS.value): (Stage.GROWING, 0),
        (Stage.PICKING, Kind.PINS.value): (Stage.PICKING, 0),
        (Stage.RESTING, Kind.PINS.value): (Stage.GROWING, 1),
        (Stage.PINNING, Kind.FLUSH_ENDED.value): (Stage.RESTING, 0),
        (Stage.GROWING, Kind.FLUSH_ENDED.value): (Stage.RESTING, 0),
        (Stage.PICKING, Kind.FLUSH_ENDED.value): (Stage.RESTING, 0),
        (Stage.RESTING, Kind.REWATERED.value): (Stage.PINNING, 1),
    }
    | {(stage, Kind.FINISHED.value): (Stage.FINISHED, 0) for stage in _LIVE}
    | {
        (stage, kind.value): (stage, 0)
        for stage in _LIVE
        for kind in (Kind.BAGS_LOST, Kind.CORE_TEMPERATURE, Kind.SEEN)
    }
)
"""(stage, what was seen) → the stage it leads to, and by how many the flush goes up."""

MOVES_NOTHING: Final = (Kind.RUN_QUARTER, Kind.RUN_HALF, Kind.CORE_TEMPERATURE, Kind.SEEN)
"""Written down and learned from tonight; no forecast changes by it now."""

_RIGHT: Final[Mapping[Stage, str]] = MappingProxyType(
    {
        Stage.PINNING: "it waits for pins: log the pins, or that the flush ended without",
        Stage.GROWING: "its pins are growing: log the harvest, or that the flush ended",
        Stage.PICKING: "it is being picked: log that the flush has ended first",
        Stage.RESTING: "it rests after a flush: log that it was watered again, or its new pins",
        Stage.FINISHED: "it is finished: open another crop",
    }
)


def log_observation(
    *,
    kind: str,
    seen_on: date,
    by: str,
    now: datetime,
    today: date,
    batch: str = "",
    crop: str = "",
    bags: int | None = None,
    cause: str = "",
    celsius: float | Decimal | None = None,
    note: str = "",
    flush: int | None = None,
) -> Observation:
    """Something seen or done on a day, on one batch or one crop (by id).  Lost bags leave forecast and kits at once."""
    if bool(batch) == bool(crop):
        raise Invalid("Name either a batch or a crop, one of the two.", code="one_of_two", where="batch")
    kinds = [each.value for each in (OF_BATCH if batch else OF_CROP)]
    if kind in Kind.values and kind not in kinds:
        noun, other = ("batch", "crop") if batch else ("crop", "batch")
        raise Invalid(
            f"This is seen on a {other}, not on a {noun}: name the {other}, or one of {', '.join(kinds)}.",
            code="wrong_kind",
            where="kind",
        )
    given.one_of(kind, kinds, where="kind")
    seen = Observation(
        kind=kind,
        seen_on=seen_on,
        note=given.text(note, where="note", at_most=300, required=False),
        logged_by=by[: events.BY_LENGTH],
        logged_at=now,
    )
    _check_details(seen, bags=bags, cause=cause, celsius=celsius, flush=flush)
    with transaction.atomic():
        subject = _see_batch(batch, seen, today=today) if batch else _see_crop(crop, seen, today=today)
        seen.save()
        events.record(
            "observed",
            subject=subject,
            by=by,
            at=now,
            data={"kind": kind, "on": seen_on.isoformat(), "bags": bags, "flush": seen.flush},
        )
        if kind not in MOVES_NOTHING:
            jobs.add("replan", due_at=now)
    return seen


def end_flush(crop: Crop, *, on: date, by: str, now: datetime) -> Observation:
    """The last mushroom of the flush was taken with a harvest; the caller has locked the crop and saves it."""
    seen = Observation(crop=crop, kind=Kind.FLUSH_ENDED, seen_on=on, logged_by=by[: events.BY_LENGTH], logged_at=now)
    _move(crop, seen)
    seen.save()
    return seen


def days_picked(crop: Crop, flush: int) -> list[date]:
    """The days on which something of a flush was harvested, in order, by what is written down and was put right."""
    days = crop.harvests.filter(flush=flush).order_by("harvested_on").values("harvested_on")
    return [row["harvested_on"] for row in days.annotate(grams=Sum("weighed_g")) if row["grams"] > 0]


def finish(crop: Crop, *, on: date, note: str, by: str, now: datetime) -> Observation:
    """The crop is over whatever its stage; the caller has locked it."""
    seen = Observation(
        crop=crop, kind=Kind.FINISHED, seen_on=on, note=note, logged_by=by[: events.BY_LENGTH], logged_at=now
    )
    _move(crop, seen)
    seen.save()
    crop.version += 1
    crop.save(update_fields=["stage", "stage_since", "flush", "finished_on", "version"])
    events.record("observed", subject=crop.public_id, by=by, at=now, data={"kind": seen.kind, "on": on.isoformat()})
    return seen


def log_reading(room_id: str, *, celsius: float | Decimal, at: datetime, by: str, now: datetime) -> Reading:
    """A room's temperature at an instant.  The night learns from it; it is no reason to plan anew by itself."""
    with transaction.atomic():
        room = rows.find(Room, room_id, where="room")
        reading = Reading.objects.create(
            room=room,
            at=measures.past_instant(at, where="at", now=now),
            celsius_tenths=measures.tenths(celsius, where="celsius"),
            logged_by=by[: events.BY_LENGTH],
        )
        events.record(
            "reading_logged", subject=room.public_id, by=by, at=now, data={"celsius_tenths": reading.celsius_tenths}
        )
    return reading


def _check_details(
    seen: Observation, *, bags: int | None, cause: str, celsius: float | Decimal | None, flush: int | None
) -> None:
    if seen.kind == Kind.BAGS_LOST:
        if bags is None or not cause:
            raise Invalid(
                "Say how many bags were lost and to what: mould, wet, flies or other.",
                code="missing",
                where="cause" if bags is not None else "bags",
            )
        seen.bags = amount(bags, where="bags", at_most=MOST_BAGS, unit="bags")
        seen.cause = given.one_of(cause, Observation.Cause.values, where="cause")
    elif bags is not None or cause:
        raise Invalid(
            "Bags and a cause belong to lost bags only: leave them out.",
            code="not_here",
            where="bags" if bags is not None else "cause",
        )
    if seen.kind == Kind.CORE_TEMPERATURE:
        if celsius is None:
            raise Invalid("Say how many degrees Celsius were read.", code="missing", where="celsius")
        seen.celsius_tenths = measures.tenths(celsius, where="celsius")
    elif celsius is not None:
        raise Invalid("Degrees belong to a core temperature only: leave them out.", code="not_here", where="celsius")
    if flush is not None:
        seen.flush = given.number(flush, where="flush", at_least=1, at_most=FLUSHES, unit="flush")


def _see_batch(batch_id: str, seen: Observation, *, today: date) -> str:
    if seen.flush is not None:
        raise Invalid("Flushes are counted on crops only: leave it out.", code="not_here", where="flush")
    batch = lock_with_book(batch_id) if seen.kind == Kind.BAGS_LOST else rows.lock(Batch, batch_id, where="batch")
    seen.batch = batch
    measures.past_day(seen.seen_on, where="seen_on", today=today, since=batch.mixed_on, event="the batch was mixed")
    if seen.kind == Kind.RUN_FULL:
        if batch.colonised_on is not None:
            raise Conflict(
                f"Batch {batch.public_id} was seen fully run on {in_words(batch.colonised_on)} already.",
                code="already_run",
                where="kind",
            )
        batch.colonised_on = seen.seen_on
    if seen.kind == Kind.BAGS_LOST:
        assert seen.bags is not None
        if seen.bags > batch.bags_left:
            raise Conflict(
                f"Batch {batch.public_id} has {batch.bags_left} bags that are neither lost, opened nor sealed: at most "
                "these can be lost from it. Lost bags of a crop are logged on the crop.",
                code="not_so_many_bags",
                where="bags",
                there=batch.bags_left,
            )
        batch.bags_lost += seen.bags
        trim_quota(batch)
    batch.version += 1
    batch.save(update_fields=["colonised_on", "bags_lost", "kit_quota", "version"])
    return batch.public_id


def _see_crop(crop_id: str, seen: Observation, *, today: date) -> str:
    crop = rows.lock(Crop, crop_id, where="crop")
    seen.crop = crop
    measures.past_day(seen.seen_on, where="seen_on", today=today, since=crop.opened_on, event="the bags were opened")
    if seen.kind == Kind.BAGS_LOST:
        assert seen.bags is not None
        if seen.bags > crop.bags_alive:
            raise Conflict(
                f"Crop {crop.public_id} has {crop.bags_alive} bags: at most these can be lost.",
                code="not_so_many_bags",
                where="bags",
                there=crop.bags_alive,
            )
    _move(crop, seen)
    crop.version += 1
    crop.save(update_fields=["stage", "stage_since", "flush", "bags_lost", "finished_on", "version"])
    return crop.public_id


def _move(crop: Crop, seen: Observation) -> None:
    """Take the crop where the table says, or say what would be right; writes on both objects, saves neither."""
    before = Stage(crop.stage)
    after = CROP.get((before, str(seen.kind)))
    if after is None:
        raise Conflict(
            f"Crop {crop.public_id} cannot be {Kind(seen.kind).label.lower()!r} now: {_RIGHT[before]}.",
            code="wrong_stage",
            where="kind",
            stage=before.value,
        )
    stage, further = after
    flush = crop.flush + further
    if seen.flush is None:
        seen.flush = flush
    elif seen.flush != flush:
        raise Conflict(
            f"That would be flush {flush} of crop {crop.public_id}, not flush {seen.flush}: leave the flush out, or "
            "log what came before it first.",
            code="wrong_flush",
            where="flush",
            flush=flush,
        )
    if before is stage and seen.kind == Kind.PINS:
        _check_late_pins(crop, seen)
    elif before is not stage:
        measures.past_day(
            seen.seen_on, where="seen_on", today=seen.seen_on, since=crop.stage_since, event=_SINCE[before]
        )
    if seen.kind in (Kind.FLUSH_ENDED, Kind.FINISHED):
        _check_last(crop, seen)
    crop.bags_lost += seen.bags or 0
    if (stage is Stage.RESTING and flush == FLUSHES and seen.kind == Kind.FLUSH_ENDED) or crop.bags_alive == 0:
        stage = Stage.FINISHED
    if stage is not before:
        crop.stage, crop.stage_since, crop.flush = stage.value, seen.seen_on, flush
    if stage is Stage.FINISHED:
        crop.finished_on = seen.seen_on


_SINCE: Final[Mapping[Stage, str]] = MappingProxyType(
    {
        Stage.PINNING: "the bags were opened or watered",
        Stage.GROWING: "the pins were seen",
        Stage.PICKING: "the first harvest of the flush",
        Stage.RESTING: "the end of the flush",
    }
)


def _check_late_pins(crop: Crop, seen: Observation) -> None:
    if Observation.objects.filter(crop=crop, kind=Kind.PINS, flush=crop.flush).exists():
        raise Conflict(
            f"The pins of flush {crop.flush} of crop {crop.public_id} are logged already: {_RIGHT[Stage.PICKING]}.",
            code="already_seen",
            where="kind",
        )
    if seen.seen_on > crop.stage_since:
        raise Invalid(
            f"Flush {crop.flush} was first picked on {in_words(crop.stage_since)}: its pins were seen before that.",
            code="too_late",
            where="seen_on",
        )


def _check_last(crop: Crop, seen: Observation) -> None:
    picked = days_picked(crop, crop.flush)
    if picked and picked[-1] > seen.seen_on:
        raise Invalid(
            f"Flush {crop.flush} was still picked on {in_words(picked[-1])}: it ended on that day or later.",
            code="too_early",
            where="seen_on",
        )
