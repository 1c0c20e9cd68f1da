"""``/harvests``, ``/harvest-lists``: what was taken off crops, from a scale or a phone in the fruiting room."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, cast

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import many
from fulfilment.api.fields import Day, Flag, Grams, Id, Shape, Text, read
from fulfilment.api.keys import actor_of
from fulfilment.api.lots import LotShape, show
from fulfilment.api.many import MOST
from fulfilment.api.once import PARAMETER, once
from fulfilment.api.views import Endpoint
from fulfilment.models import Lot
from fulfilment.read.farm import today
from fulfilment.services import growing

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from rest_framework.request import Request

    from fulfilment.services.growing import Weighed


PICKERS: Final = frozenset({"office", "grower", "packing"})


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


class LoggedShape(Shape):
    """The lots that a harvest became, one a grade."""

    lots = LotShape(many=True)


MADE = inline_serializer("HarvestLogged", {"lots": LotShape(many=True)})
LISTED = inline_serializer("HarvestListLogged", {"items": LoggedShape(many=True)})


class HarvestListShape(Shape):
    """What a hand-held kept while it had no line: harvests as they were logged, oldest first."""

    items = HarvestShape(many=True, allow_empty=False, max_length=MOST)  # type: ignore[call-arg]  # the list's, by ``many``


class Harvests(Endpoint):
    scopes = {"POST": PICKERS}

    @extend_schema(operation_id="harvests_log", parameters=[PARAMETER], request=HarvestShape, responses={201: MADE})
    @once
    def post(self, request: Request, *, now: datetime) -> Response:
        """Log a harvest; each grade becomes a lot.  Harvest before spores fall, ventilate, and wear a mask."""
        made = _log(read(HarvestShape, request.data), by=actor_of(request).name, now=now)
        return Response({"lots": _lots(made)}, status=201)


class HarvestLists(Endpoint):
    scopes = {"POST": PICKERS}

    @extend_schema(
        operation_id="harvest_lists_log", parameters=[PARAMETER], request=HarvestListShape, responses={201: LISTED}
    )
    @once
    def post(self, request: Request, *, now: datetime) -> Response:
        """Log up to 100 harvests at once, all or none; what is wrong with any is told by its place in the list."""
        by = actor_of(request).name
        asked = read(HarvestListShape, request.data)["items"]
        made = many.each(asked, lambda harvest: _log(harvest, by=by, now=now))
        lots = {each["id"]: each for each in _lots([lot for own in made for lot in own])}
        items = [{"lots": [lots[lot.public_id] for lot in own]} for own in made]
        return Response({"items": items}, status=201)


def _log(asked: Mapping[str, Any], *, by: str, now: datetime) -> list[Lot]:
    return growing.log_harvest(
        asked["crop"],
        harvested_on=asked["harvested_on"],
        grades=cast("Sequence[Weighed]", asked["grades"]),
        flush=asked.get("flush"),
        flush_ended=asked["flush_ended"],
        confirmed=asked["confirmed"],
        by=by,
        now=now,
        today=today(now),
    )


def _lots(made: Sequence[Lot]) -> list[dict[str, Any]]:
    lots = Lot.objects.filter(pk__in=[lot.pk for lot in made]).select_related("strain", "batch").order_by("pk")
    return show(list(lots))
