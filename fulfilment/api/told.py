"""What a kitchen was told of a line, with what it can choose; and its answer: the same for a shortage and a doubt."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from rest_framework import serializers

from fulfilment.api.actions import made
from fulfilment.api.fields import Day, Id, Instant, Shape, Text
from fulfilment.core.units import MAX_GRAMS
from fulfilment.models import Doubt

if TYPE_CHECKING:
    from fulfilment.models import ShortageOffer
    from fulfilment.read.ways import Told

ANSWERERS: Final = frozenset({"office", "kitchen"})


class ChoiceShape(Shape):
    """One answer and what it would mean: so much of the product comes on that day.

    For a substitute and the next date that is besides what stays of the line; ``chance`` is a whole percent.
    """

    choice = serializers.ChoiceField(choices=Doubt.Answer.choices)
    amount = serializers.IntegerField()
    product = Id()
    product_name = Text()
    on = Day()
    chance = serializers.IntegerField(allow_null=True)
    says = Text()


class ToldShape(Shape):
    """A line as its kitchen was told of it, in the product's own unit: grams for fresh, pieces for kits."""

    id = Id()
    kitchen = Id()
    order = Id()
    line = Text(help_text="Order and number, K7Q2-M4XJ/1.")
    product = Id()
    product_name = Text()
    unit = serializers.ChoiceField(choices=["g", "units"])
    on = Day()
    ordered = serializers.IntegerField()
    promised = serializers.IntegerField()
    missing = serializers.IntegerField(help_text="What was promised beyond what stays.")
    says = Text(help_text="How it stands, in words.")
    told_at = Instant()
    open_until = Instant(allow_null=True, help_text="Until when it can be answered; null: until it is packed.")
    choices = ChoiceShape(many=True)


class AnswerShape(Shape):
    """``on``, ``product`` and ``amount`` are those of the choice as it was shown: if they are others by now, the answer
    is refused and can be given again.
    """

    on = Day(required=False)
    product = Id(required=False)
    amount = serializers.IntegerField(min_value=0, max_value=MAX_GRAMS, required=False)


class Answered(Shape):
    id = Id()
    answer = Text(help_text="The choice that was made.")
    answered_at = Instant()
    order = Id(allow_null=True, help_text="What was placed instead, of the substitute or for the next date.")


def show(told: Told) -> dict[str, Any]:
    """The fields of :class:`ToldShape`."""
    return {
        "id": told.code,
        "kitchen": told.kitchen,
        "order": told.order,
        "line": told.line,
        "product": told.product,
        "product_name": told.product_name,
        "unit": "units" if told.is_kit else "g",
        "on": told.on,
        "ordered": told.ordered,
        "promised": told.promised,
        "missing": told.missing,
        "says": told.says,
        "told_at": told.told_at,
        "open_until": told.open_until,
        "choices": [asdict(way) for way in told.ways],
    }


def answered(row: Doubt | ShortageOffer) -> dict[str, Any]:
    placed = row.order.public_id if row.order else None
    return made(row, answer=row.answer, answered_at=row.answered_at, order=placed)
