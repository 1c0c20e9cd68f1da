"""``/harvests``: what was taken off a crop, from a scale or a phone in the fruiting room."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api.fields import Day, Flag, Grams, Id, Shape, Text, read
from fulfilment.api.keys import actor_of
from fulfilment.api.lots import LotShape, show
from fulfilment.api.once import PARAMETER, once
from fulfilment.api.views import Endpoint
from fulfilment.models import Lot
from fulfilment.read.farm import today
from fulfilment.services import growing

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from rest_framework.request import Request

    from fulfilment.services.growing import Weighed


class GradeShape(Shape):
    """One grade's weight; without ``trimmed_g`` the strain's usual trimming is taken off."""

    grade = Text(max_length=20)
    weighed_g = Grams()
    trimmed_g = Grams(required=False, allow_null=True)


class HarvestShape(Shape):
    """A harvest as it is logged.  ``confirmed`` answers the question that an unlikely weight is met with."""

    crop = Id()
    harvested_on = Day()
    grades = GradeShape(many=True, allow_empty=False)
    flush = serializers.IntegerField(required=False, allow_null=True, min_value=1, max_value=3)
    flush_ended = Flag(default=False)
    confirmed = Flag(default=False)


MADE = inline_serializer("HarvestLogged", {"lots": LotShape(many=True)})


class Harvests(Endpoint):
    scopes = {"POST": frozenset({"office", "grower", "packing"})}

    @extend_schema(operation_id="harvests_log", parameters=[PARAMETER], request=HarvestShape, responses={201: MADE})
    @once
    def post(self, request: Request, *, now: datetime) -> Response:
        """Log a harvest; each grade becomes a lot.  Harvest before spores fall, ventilate, and wear a mask."""
        asked = read(HarvestShape, request.data)
        made = growing.log_harvest(
            asked["crop"],
            harvested_on=asked["harvested_on"],
            grades=cast("Sequence[Weighed]", asked["grades"]),
            flush=asked.get("flush"),
            flush_ended=asked["flush_ended"],
            confirmed=asked["confirmed"],
            by=actor_of(request).name,
            now=now,
            today=today(now),
        )
        lots = Lot.objects.filter(pk__in=[lot.pk for lot in made]).select_related("strain", "batch").order_by("pk")
        return Response({"lots": show(list(lots))}, status=201)
