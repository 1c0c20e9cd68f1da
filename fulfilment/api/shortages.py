"""``/shortages``: lines of which less comes than was promised, and the kitchen's answer."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers

from fulfilment.api import pages
from fulfilment.api.actions import Asking, action
from fulfilment.api.fields import Text
from fulfilment.api.keys import actor_of
from fulfilment.api.told import ANSWERERS, Answered, AnswerShape, ToldShape, answered, show
from fulfilment.api.views import Endpoint
from fulfilment.models import ShortageOffer
from fulfilment.read import shortages as reading
from fulfilment.read.scope import visible
from fulfilment.services import shortages

if TYPE_CHECKING:
    from rest_framework.request import Request
    from rest_framework.response import Response


class ShortageShape(ToldShape):
    """A line that comes short, in the product's own unit: grams for fresh, pieces for kits."""

    comes = serializers.IntegerField()
    reason = Text(help_text="Why, in a word; ``says`` is the sentence.")


class ShortageAnswer(AnswerShape):
    choice = serializers.ChoiceField(choices=ShortageOffer.Answer.values)


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


@action("shortages_answer", scopes=ANSWERERS, shape=ShortageAnswer, answer=Answered, status=200)
def answer(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Take less, take the substitute, have the rest on the next date, or drop the line; answered once."""
    return answered(shortages.answer(who.own(ShortageOffer), **asked, **who.signed))


def _show(offer: reading.Offer) -> dict[str, Any]:
    return show(offer) | {"comes": offer.comes, "reason": offer.reason}
