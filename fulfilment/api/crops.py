"""``/crops``: where each stands, what is expected of it, and what was seen on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import expected, pages
from fulfilment.api.actions import Asking, action
from fulfilment.api.expected import OutlookShape
from fulfilment.api.fields import Day, Id, Shape, Text
from fulfilment.api.keys import actor_of
from fulfilment.api.views import Endpoint
from fulfilment.models import Crop, Observation
from fulfilment.read.growing import harvested
from fulfilment.read.scope import visible
from fulfilment.services import growing, rows

if TYPE_CHECKING:
    from rest_framework.request import Request

GROWERS = frozenset({"office", "grower"})


class ObservationAsked(Shape):
    kind = Text(max_length=20)
    seen_on = Day()
    bags = serializers.IntegerField(required=False, allow_null=True, default=None)
    cause = Text(required=False, default="", allow_blank=True)
    celsius = serializers.FloatField(required=False, allow_null=True, default=None)
    flush = serializers.IntegerField(required=False, allow_null=True, default=None)
    note = Text(required=False, default="", allow_blank=True)


class Seen(Shape):
    kind = Text()
    seen_on = Day()
    flush = serializers.IntegerField(allow_null=True)


class CropShape(Shape):
    """A crop where it stands; ``expected`` is what comes next and why, null when it is finished."""

    id = Id()
    batch = Id()
    strain = Id()
    room = Text()
    opened_on = Day()
    bags = serializers.IntegerField(help_text="Alive.")
    flush = serializers.IntegerField()
    stage = Text()
    stage_since = Day()
    expected = OutlookShape(allow_null=True)


class Observed(Shape):
    """``bags`` and ``cause`` are of lost bags, ``celsius`` of a core temperature."""

    kind = Text()
    seen_on = Day()
    flush = serializers.IntegerField(allow_null=True)
    bags = serializers.IntegerField(allow_null=True)
    cause = Text()
    celsius = serializers.FloatField(allow_null=True)
    note = Text()


class Taken(Shape):
    """One grade of a harvest, as it stands after what was put right: 0 where nothing of it was harvested."""

    flush = serializers.IntegerField()
    harvested_on = Day()
    grade = Text()
    weighed_g = serializers.IntegerField()
    trimmed_g = serializers.IntegerField()
    lot = Id()


class CropStory(CropShape):
    """A crop with all that happened to it, oldest first."""

    finished_on = Day(allow_null=True)
    observations = Observed(many=True)
    harvests = Taken(many=True)


CROPS = inline_serializer("Crops", {"items": CropShape(many=True), "next": serializers.URLField(allow_null=True)})


class Crops(Endpoint):
    scopes = {"GET": GROWERS}

    @extend_schema(operation_id="crops_list", parameters=pages.PARAMETERS, responses=CROPS)
    def get(self, request: Request) -> Response:
        """Crops that are not finished, with what comes next of each, newest first."""
        pages.known(request)
        crops = visible(Crop, actor_of(request)).filter(finished_on__isnull=True)
        return pages.page(request, crops.select_related("batch__strain", "room"), show=_show_crops)


class OneCrop(Endpoint):
    scopes = {"GET": GROWERS}

    @extend_schema(operation_id="crops_read", responses=CropStory)
    def get(self, request: Request, code: str) -> Response:
        """One crop with what was seen on it and taken off it, finished or not."""
        pages.known(request)
        crops = visible(Crop, actor_of(request)).select_related("batch__strain", "room")
        found = rows.find_in(crops.prefetch_related("observations"), code)
        return Response(
            _show_crops([found])[0]
            | {
                "finished_on": found.finished_on,
                "observations": [observed(each) for each in sorted(found.observations.all(), key=written)],
                "harvests": _taken_off(found),
            }
        )


@action("crops_observe", scopes=GROWERS, shape=ObservationAsked, answer=Seen)
def observe_crop(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Log something seen or done on a crop: pins, flush ended, rewatered, bags lost, finished."""
    return seen(growing.log_observation(crop=who.own(Crop), **asked, **who.signed_today))


def _taken_off(crop: Crop) -> list[dict[str, Any]]:
    return [
        {
            "flush": each.flush,
            "harvested_on": each.harvested_on,
            "grade": each.grade,
            "weighed_g": each.weighed,
            "trimmed_g": each.trimmed,
            "lot": each.lot.public_id,
        }
        for each in harvested().filter(crop=crop).select_related("lot").order_by("pk")
    ]


def seen(observation: Any) -> dict[str, Any]:
    return {"kind": observation.kind, "seen_on": observation.seen_on, "flush": observation.flush}


def written(row: Any) -> int:
    return int(row.pk)


def observed(seen: Observation) -> dict[str, Any]:
    return {
        "kind": seen.kind,
        "seen_on": seen.seen_on,
        "flush": seen.flush,
        "bags": seen.bags,
        "cause": seen.cause,
        "celsius": None if seen.celsius_tenths is None else seen.celsius_tenths / 10,
        "note": seen.note,
    }


def _show_crops(found: Sequence[Crop]) -> list[dict[str, Any]]:
    coming = expected.of_crops(found)
    return [
        {
            "id": crop.public_id,
            "batch": crop.batch.public_id,
            "strain": crop.batch.strain.public_id,
            "room": crop.room.name,
            "opened_on": crop.opened_on,
            "bags": crop.bags_alive,
            "flush": crop.flush,
            "stage": crop.stage,
            "stage_since": crop.stage_since,
            "expected": coming[crop.pk],
        }
        for crop in found
    ]
