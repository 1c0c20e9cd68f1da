"""``/rooms``, ``/readings``, ``/reading-lists``: where things grow, and how warm it was."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from django.db.models import OuterRef, Subquery
from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import many, pages
from fulfilment.api.actions import Asking, action, made
from fulfilment.api.crops import GROWERS
from fulfilment.api.fields import Id, Instant, Shape, Text
from fulfilment.api.keys import actor_of
from fulfilment.api.many import MOST
from fulfilment.api.views import Endpoint
from fulfilment.models import Reading, Room
from fulfilment.read.scope import visible
from fulfilment.services import farm, growing

if TYPE_CHECKING:
    from rest_framework.request import Request


class RoomAsked(Shape):
    name = Text(max_length=60)
    kind = serializers.ChoiceField(choices=["incubation", "fruiting", "cold"])
    set_point_c = serializers.FloatField()


class ReadingAsked(Shape):
    room = Id()
    celsius = serializers.FloatField()
    at = Instant()


class ReadingMade(Shape):
    room = Id()
    celsius = serializers.FloatField()


class ReadingListAsked(Shape):
    """What a logger kept: readings of one or several rooms."""

    items = ReadingAsked(many=True, allow_empty=False, max_length=MOST)  # type: ignore[call-arg]  # the list's, by ``many``


class RoomShape(Shape):
    """``celsius`` is the newest reading, null before there is one."""

    id = Id()
    name = Text()
    kind = Text()
    set_point_c = serializers.FloatField()
    celsius = serializers.FloatField(allow_null=True)
    read_at = Instant(allow_null=True)


READINGS = inline_serializer("ReadingListLogged", {"items": ReadingMade(many=True)})
ROOMS = inline_serializer("Rooms", {"items": RoomShape(many=True), "next": serializers.URLField(allow_null=True)})


class Rooms(Endpoint):
    scopes = {"GET": GROWERS}

    @extend_schema(operation_id="rooms_list", parameters=pages.PARAMETERS, responses=ROOMS)
    def get(self, request: Request) -> Response:
        """Rooms with the temperature they are kept at and the one last read."""
        pages.known(request)
        newest = Reading.objects.filter(room=OuterRef("pk")).order_by("-at")
        rooms = visible(Room, actor_of(request)).annotate(
            tenths=Subquery(newest.values("celsius_tenths")[:1]), read_at=Subquery(newest.values("at")[:1])
        )
        return pages.page(request, rooms, show=_rooms)


@action("rooms_add", scopes=GROWERS, shape=RoomAsked)
def add_room(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Add an incubation, fruiting or cold room with the temperature it is kept at."""
    return made(farm.add_room(**asked, **who.signed))


@action("readings_log", scopes=GROWERS, shape=ReadingAsked, answer=ReadingMade)
def log_reading(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Log a room's temperature at an instant."""
    return _log(asked, who)


@action("reading_lists_log", scopes=GROWERS, shape=ReadingListAsked, answer=READINGS)
def log_readings(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Log up to 100 readings at once, all or none; what is wrong with any is told by its place in the list."""
    return {"items": many.each(asked["items"], lambda reading: _log(reading, who))}


def _log(asked: Mapping[str, Any], who: Asking) -> dict[str, Any]:
    reading = growing.log_reading(asked["room"], celsius=asked["celsius"], at=asked["at"], **who.signed)
    return {"room": reading.room.public_id, "celsius": reading.celsius_tenths / 10}


def _rooms(found: Sequence[Any]) -> list[dict[str, Any]]:
    return [
        {
            "id": room.public_id,
            "name": room.name,
            "kind": room.kind,
            "set_point_c": room.set_point_tenths / 10,
            "celsius": None if room.tenths is None else room.tenths / 10,
            "read_at": room.read_at,
        }
        for room in found
    ]
