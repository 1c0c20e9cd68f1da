"""What is expected of a crop or a batch, and why, as crops and batches answer it: the same words as on the pages."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime
from typing import Any

from rest_framework import serializers

from fulfilment.api.fields import Day, Shape, Text
from fulfilment.core.forecast import DelayCost, Reason
from fulfilment.models import Batch, Crop
from fulfilment.read import holds
from fulfilment.read.farm import today
from fulfilment.read.growing import kits_in_store
from fulfilment.read.rooms import expected
from fulfilment.read.rooms.expected import Expected
from fulfilment.read.rooms.overview import taken_now


class DaysShape(Shape):
    """Eight times of ten it comes from ``early_on`` to ``late_on``, as often before ``middle_on`` as after."""

    early_on = Day()
    middle_on = Day()
    late_on = Day()


class GramsShape(Shape):
    """Eight times of ten it is between ``low_g`` and ``high_g``."""

    low_g = serializers.IntegerField()
    middle_g = serializers.IntegerField()
    high_g = serializers.IntegerField()


class ReasonShape(Shape):
    """``data`` has the numbers and days that ``sentence`` was made from, without those that say nothing."""

    code = Text(help_text="What the expectation counts from; open to further words.")
    data = serializers.DictField(  # type: ignore[assignment]  # a field, which the class takes out of its way
        help_text="`takes_days` from `since`, at the room's `celsius`; `own` counts the farm's."
    )
    sentence = Text()


class WaitShape(Shape):
    """What waiting from ``on`` to the next day brings: eight times of ten between low and high."""

    on = Day()
    low_g = serializers.IntegerField()
    mean_g = serializers.IntegerField()
    high_g = serializers.IntegerField()


class WaitingShape(Shape):
    """What it costs to pick a growing crop before it is ripe; from ``full_on`` on waiting brings nothing, the caps
    flatten and spores fall.
    """

    full_on = Day()
    waits = WaitShape(many=True)
    sentence = Text()


class OutlookShape(Shape):
    """What comes next by the newest forecast.  Where none speaks of it yet (something was logged since, or it is held),
    stage, days and grams are null and the reason says what is known.
    """

    next_stage = Text(allow_null=True)
    days = DaysShape(allow_null=True)
    flush_g = GramsShape(allow_null=True, help_text="Still to come of the flush under way or next, trimmed.")
    reason = ReasonShape(allow_null=True)
    waiting = WaitingShape(allow_null=True)


def of_crops(crops: Sequence[Crop]) -> dict[int, dict[str, Any] | None]:
    """By primary key, in a fixed number of statements; None for what is finished."""
    on, outlooks, held, taken = today(datetime.now(UTC)), expected.newest(), holds.held_batch_ids(), taken_now()
    return {
        crop.pk: None
        if crop.finished_on is not None
        else _show(
            expected.of_crop(
                crop, outlooks, taken_g=taken.get((crop.pk, crop.flush), 0), held=crop.batch_id in held, today=on
            )
        )
        for crop in crops
    }


def of_batches(batches: Sequence[Batch]) -> dict[int, dict[str, Any] | None]:
    """Likewise; None where no bag is left."""
    on, outlooks, held, in_store = today(datetime.now(UTC)), expected.newest(), holds.held_batch_ids(), kits_in_store()
    return {
        batch.pk: None
        if batch.bags_left <= 0
        else _show(
            expected.of_batch(batch, outlooks, kits_in_store=in_store.get(batch.pk, 0), held=batch.pk in held, today=on)
        )
        for batch in batches
    }


def _show(found: Expected) -> dict[str, Any]:
    return {
        "next_stage": found.next_stage or None,
        "days": _days(found.days),
        "flush_g": _grams(found.grams),
        "reason": _reason(found.reason, found.why),
        "waiting": _waiting(found.delay, found.waiting),
    }


def _days(days: tuple[date, date, date] | None) -> dict[str, date] | None:
    return dict(zip(("early_on", "middle_on", "late_on"), days, strict=True)) if days is not None else None


def _grams(grams: tuple[int, int, int] | None) -> dict[str, int] | None:
    return dict(zip(("low_g", "middle_g", "high_g"), grams, strict=True)) if grams is not None else None


def _reason(reason: Reason | None, sentence: str) -> dict[str, Any] | None:
    return {**reason.as_data(), "sentence": sentence} if reason is not None else None


def _waiting(delay: DelayCost | None, sentence: str) -> dict[str, Any] | None:
    if delay is None:
        return None
    return {
        "full_on": delay.full_on,
        "waits": [
            {"on": delay.day(place), "low_g": low, "mean_g": mean, "high_g": high}
            for place, (low, mean, high) in enumerate(delay.waits)
        ],
        "sentence": sentence,
    }
