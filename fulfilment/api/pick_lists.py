"""``/pick-lists``: what to take from which lot for which line, stop by stop, and what was taken already."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import pages
from fulfilment.api.fields import Day, Flag, Id, Instant, Shape, Text
from fulfilment.api.keys import actor_of
from fulfilment.api.packing import PACKERS
from fulfilment.api.views import Endpoint
from fulfilment.models import PickList
from fulfilment.read import packing as reading
from fulfilment.read.scope import visible
from fulfilment.services import rows

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rest_framework.request import Request


class PickListShape(Shape):
    """A list's head; its rows come with the one list."""

    id = Id()
    on = Day()
    way = Text()
    round = Id(allow_null=True)
    name = Text()
    made_at = Instant()
    done_at = Instant(allow_null=True)


class PickRowShape(Shape):
    """So much of this lot for this line; ``lot`` is empty for a coming harvest."""

    line = Text()
    product = Text()
    is_kit = Flag()
    lot = Text()
    lot_product = Text()
    best_before = Day(allow_null=True)
    on_hold = Flag()
    amount = serializers.IntegerField()
    picked = serializers.IntegerField()
    position = serializers.IntegerField()


class PickStanding(Shape):
    """A pick that was not undone."""

    pick = Id()
    lot = Id()
    amount = serializers.IntegerField()
    by = Text()


class PickLine(Shape):
    """A line with its rows and picks; amounts in grams, or pieces for kits."""

    line = Text()
    product = Text()
    is_kit = Flag()
    ordered = serializers.IntegerField()
    promised = serializers.IntegerField()
    picked = serializers.IntegerField()
    rows = PickRowShape(many=True)
    picks = PickStanding(many=True)


class PickStop(Shape):
    """One shipment on the list; ``name`` and ``town`` are on its address."""

    shipment = Id()
    state = Text()
    position = serializers.IntegerField()
    name = Text()
    town = Text()
    instructions = Text()
    tolerance_pct = serializers.IntegerField()
    gift = Flag()
    collects_grounds = Flag()
    crates_out = serializers.IntegerField()
    lines = PickLine(many=True)


class ListShape(Shape):
    """One list; ``round_id`` and ``round_name`` are empty for parcels and collections."""

    id = Id()
    on = Day()
    way = Text()
    round_id = Text()
    round_name = Text()
    closed = Flag()
    done = Flag()
    version = serializers.IntegerField()
    stops = PickStop(many=True)


_WORDS = {"public_id": "id"}

LISTS = inline_serializer(
    "PickLists", {"items": PickListShape(many=True), "next": serializers.URLField(allow_null=True)}
)


class PickLists(Endpoint):
    scopes = {"GET": PACKERS}

    @extend_schema(operation_id="pick_lists_list", parameters=[*pages.PARAMETERS, pages.ON], responses=LISTS)
    def get(self, request: Request) -> Response:
        """Pick lists, newest first; ``on`` asks for one day's."""
        pages.known(request, "on")
        lists = visible(PickList, actor_of(request)).select_related("round")
        on = pages.day(request)
        return pages.page(request, lists if on is None else lists.filter(on=on), show=_show_lists)


class OnePickList(Endpoint):
    scopes = {"GET": PACKERS}

    @extend_schema(operation_id="pick_lists_read", responses=ListShape)
    def get(self, request: Request, code: str) -> Response:
        """One list: its stops in order, under each the lines and the rows to take from which lot."""
        pages.known(request)
        found = rows.find_in(visible(PickList, actor_of(request)), code)
        told = asdict(reading.pick_list(found.public_id))
        return Response({_WORDS.get(name, name): value for name, value in told.items()})


def _show_lists(lists: Sequence[PickList]) -> list[dict[str, Any]]:
    return [
        {
            "id": each.public_id, "on": each.on, "way": each.way, "round": each.round.public_id if each.round else None,
            "name": each.round.name if each.round else each.way, "made_at": each.made_at, "done_at": each.done_at,
        }
        for each in lists
    ]  # fmt: skip
