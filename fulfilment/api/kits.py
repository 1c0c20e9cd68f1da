"""``/kits``: where each stands, what its holder or staff report of it, and joining by the code on the box."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import pages
from fulfilment.api.actions import Asking, action, made
from fulfilment.api.fields import Day, Id, Shape, Text
from fulfilment.api.keys import actor_of
from fulfilment.api.views import Endpoint
from fulfilment.models import Kit
from fulfilment.read import kits as reading
from fulfilment.read.scope import STAFF, visible
from fulfilment.services import kits, rows

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rest_framework.request import Request

CARERS = STAFF | {"shop"}


class EventAsked(Shape):
    """``kind`` is started, pins, harvested_first, harvested_all, rewatered, paused, resumed, trouble, finished …"""

    kind = Text(max_length=20)
    on = Day()
    cycle = serializers.IntegerField(required=False, allow_null=True, default=None)
    trouble = Text(required=False, default="", allow_blank=True)
    note = Text(required=False, default="", allow_blank=True, max_length=300)


class JoinAsked(Shape):
    code = Id()
    email = Text(max_length=254)
    name = Text(required=False, default="", allow_blank=True)
    zone = Text(max_length=60)
    warmth = serializers.ChoiceField(choices=["cool", "normal", "warm"], required=False, default="normal")


KIT = inline_serializer(
    "Kit",
    {
        "id": Id(),
        "strain": Text(),
        "stage": Text(),
        "flush": serializers.IntegerField(),
        "paused": serializers.BooleanField(),
        "trouble": Text(),
        "start_by_on": Day(),
        "warmth": Text(),
        "expected": serializers.ListField(child=serializers.DictField()),
    },
)
KITS = inline_serializer("Kits", {"items": KIT, "next": serializers.URLField(allow_null=True)})


class Kits(Endpoint):
    scopes = {"GET": CARERS}

    @extend_schema(operation_id="kits_list", parameters=pages.PARAMETERS, responses=OpenApiTypes.OBJECT)
    def get(self, request: Request) -> Response:
        """Kits with where each stands and the days that are expected, newest first; never whose they are."""
        pages.known(request)
        return pages.page(request, visible(Kit, actor_of(request)).select_related(*reading.WITH), show=_show)


class OneKit(Endpoint):
    scopes = {"GET": CARERS}

    @extend_schema(operation_id="kits_read", responses=KIT)
    def get(self, request: Request, code: str) -> Response:
        """One kit."""
        pages.known(request)
        found = rows.find_in(visible(Kit, actor_of(request)).select_related(*reading.WITH), code)
        return Response(_show([found])[0])


@action("kits_report", scopes=CARERS, shape=EventAsked)
def report(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """What happened to a kit, reported for its holder; the mails to come follow it."""
    return made(kits.record(who.own(Kit), **asked, **who.signed))


@action("kit_joinings_join", scopes=CARERS, shape=JoinAsked)
def join(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Whoever has the kit joins by the code on the box and is told what it needs."""
    code, rest = asked["code"], {key: value for key, value in asked.items() if key != "code"}
    return made(kits.join(code, **rest, now=datetime.now(UTC)))


def _show(found: Sequence[Kit]) -> list[dict[str, Any]]:
    by_id = {view.public_id: view for view in reading.view(found)}
    return [
        {
            "id": view.public_id,
            "strain": view.strain,
            "stage": view.stage,
            "flush": view.cycle,
            "paused": view.paused,
            "trouble": view.trouble,
            "start_by_on": view.start_by,
            "warmth": view.warmth,
            "expected": [
                {name: value for name, value in asdict(milestone).items() if name != "reported_at"}
                for milestone in view.milestones
            ],
        }
        for view in (by_id[kit.public_id] for kit in found)
    ]
