"""``/doubts``: promises that have become less sure than they were made, and the kitchen's answer before its cut-off."""

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
from fulfilment.core.promises import words
from fulfilment.models import Doubt
from fulfilment.read import doubts as reading
from fulfilment.read.scope import visible
from fulfilment.services import doubts

if TYPE_CHECKING:
    from rest_framework.request import Request
    from rest_framework.response import Response


class DoubtfulLine(ToldShape):
    """A line that is less sure than it was promised, in the product's own unit: grams for fresh, pieces for kits."""

    sure = serializers.IntegerField(help_text="What can be counted on at the chance it was promised at.")
    chance = serializers.IntegerField(help_text="Of all that was promised, as the last plan sees it, in percent.")
    words = Text(help_text="The chance in a word.")


class DoubtAnswer(AnswerShape):
    choice = serializers.ChoiceField(choices=Doubt.Answer.choices)


DOUBTS = inline_serializer("Doubts", {"items": DoubtfulLine(many=True), "next": serializers.URLField(allow_null=True)})


class Doubts(Endpoint):
    scopes = {"GET": ANSWERERS}

    @extend_schema(operation_id="doubts_list", parameters=pages.PARAMETERS, responses=DOUBTS)
    def get(self, request: Request) -> Response:
        """Doubts that can be answered, with what each answer would mean now, newest first: a kitchen's own, or all for
        the office.
        """
        pages.known(request)
        now = datetime.now(UTC)
        own = visible(Doubt, actor_of(request))
        open_ones = reading.answerable_rows(now=now).filter(pk__in=own.values("pk"))
        return pages.page(request, open_ones, show=lambda rows: [_show(each) for each in reading.view(rows, now=now)])


@action("doubts_answer", scopes=ANSWERERS, shape=DoubtAnswer, answer=Answered, status=200)
def answer(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Keep the line, take what is sure, the substitute or the next date with it, or drop it.

    Until the cut-off, and answered once.
    """
    return answered(doubts.answer(who.own(Doubt), **asked, **who.signed))


def _show(seen: reading.Seen) -> dict[str, Any]:
    return show(seen) | {"sure": seen.sure, "chance": seen.chance, "words": words(seen.chance)}
