"""``/shortages``: lines of which less comes than was promised, and the kitchen's answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers

from fulfilment.api import pages
from fulfilment.api.actions import Asking, action, made
from fulfilment.api.fields import Day, Id, Instant, Shape, Text
from fulfilment.api.keys import actor_of
from fulfilment.api.views import Endpoint
from fulfilment.models import ShortageOffer
from fulfilment.read import shortages as reading
from fulfilment.read.scope import visible
from fulfilment.services import shortages

if TYPE_CHECKING:
    from rest_framework.request import Request
    from rest_framework.response import Response

ANSWERERS = frozenset({"office", "kitchen"})
CHOICES = ShortageOffer.Answer.values


class ChoiceShape(Shape):
    """One answer and what it would mean: so much of the product comes on that day.

    For a substitute and the next date that is besides what comes of the line; ``chance`` is a whole percent.
    """

    choice = serializers.ChoiceField(choices=CHOICES)
    amount = serializers.IntegerField()
    product = Id()
    product_name = Text()
    on = Day()
    chance = serializers.IntegerField(allow_null=True)
    says = Text()


class ShortageShape(Shape):
    """A line that comes short, in the product's own unit: grams for fresh, pieces for kits."""

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
    comes = serializers.IntegerField()
    missing = serializers.IntegerField(help_text="What was promised and does not come.")
    reason = Text()
    says = Text(help_text="The reason in words.")
    told_at = Instant()
    open_until = Instant(allow_null=True, help_text="Null: until it is packed.")
    choices = ChoiceShape(many=True)


class AnswerAsked(Shape):
    """``on`` and ``product`` are the next date and the substitute as they were shown: if they are others by now, the
    answer is refused and can be given again.
    """

    choice = serializers.ChoiceField(choices=CHOICES)
    on = Day(required=False)
    product = Id(required=False)


class Answered(Shape):
    id = Id()
    answer = Text(help_text="The choice that was made.")
    answered_at = Instant()
    order = Id(allow_null=True, help_text="What was placed instead, of the substitute or for the next date.")


SHORTAGES = inline_serializer(
    "Shortages", {"items": ShortageShape(many=True), "next": serializers.URLField(allow_null=True)}
)


class Shortages(Endpoint):
    scopes = {"GET": ANSWERERS}

    @extend_schema(operation_id="shortages_list", parameters=pages.PARAMETERS, responses=SHORTAGES)
    def get(self, request: Request) -> Response:
        """Open offers with what each answer would mean now, newest first: a kitchen's own, or all for the office."""
        pages.known(request)
        now = datetime.now(UTC)
        own = visible(ShortageOffer, actor_of(request))
        open_ones = reading.open_rows(now=now).filter(pk__in=own.values("pk"))
        return pages.page(request, open_ones, show=lambda rows: [_show(each) for each in reading.view(rows, now=now)])


@action("shortages_answer", scopes=ANSWERERS, shape=AnswerAsked, answer=Answered, status=200)
def answer(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Take less, take the substitute, have the rest on the next date, or drop the line; answered once."""
    row = shortages.answer(who.own(ShortageOffer), **asked, **who.signed)
    return made(row, answer=row.answer, answered_at=row.answered_at, order=row.order.public_id if row.order else None)


def _show(offer: reading.Offer) -> dict[str, Any]:
    return {
        "id": offer.offer,
        "kitchen": offer.kitchen,
        "order": offer.order,
        "line": offer.line,
        "product": offer.product,
        "product_name": offer.product_name,
        "unit": "units" if offer.is_kit else "g",
        "on": offer.on,
        "ordered": offer.ordered,
        "promised": offer.promised,
        "comes": offer.comes,
        "missing": offer.missing,
        "reason": offer.reason,
        "says": offer.says,
        "told_at": offer.told_at,
        "open_until": offer.open_until,
        "choices": [asdict(way) for way in offer.ways],
    }
