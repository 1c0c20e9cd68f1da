"""``/kits``: where each stands, what its holder or staff report of it, and joining by the code on the box."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import OpenApiParameter, extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import pages
from fulfilment.api.actions import Asking, Made, action, made
from fulfilment.api.fields import Day, Flag, Id, Instant, Shape, Text, read
from fulfilment.api.keys import actor_of
from fulfilment.api.throttles import PerAddress
from fulfilment.api.views import Endpoint
from fulfilment.core import codes
from fulfilment.models import Kit
from fulfilment.read import kits as reading
from fulfilment.read.scope import EVERYBODY, STAFF, visible
from fulfilment.services import kits, rows

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rest_framework.request import Request

CARERS = STAFF | {"shop"}
ORDER = OpenApiParameter("order", str, description="Those picked for this order.")


class EventAsked(Shape):
    """What was seen or done, and on which day; ``trouble`` says which where that is the kind."""

    kind = serializers.ChoiceField(choices=[word.value for word in kits.REPORTED])
    on = Day()
    cycle = serializers.IntegerField(
        required=False, allow_null=True, default=None, help_text="The flush; told from the day, unless said."
    )
    trouble = serializers.ChoiceField(choices=kits.TROUBLES, required=False, default="", allow_blank=True)
    note = Text(required=False, default="", allow_blank=True, max_length=300)


class KitRoomAsked(Shape):
    """The room as a word, as degrees, or both; what is left out stays as it is."""

    warmth = serializers.ChoiceField(choices=["cool", "normal", "warm"], required=False)
    celsius = serializers.FloatField(required=False)


class ReplacementAsked(Shape):
    """Why, and the day; without one it is today."""

    reason = Text(max_length=200)
    on = Day(required=False)


class JoinAsked(Shape):
    code = Id()
    email = Text(max_length=254)
    name = Text(required=False, default="", allow_blank=True)
    zone = Text(max_length=60)
    warmth = serializers.ChoiceField(choices=["cool", "normal", "warm"], required=False, default="normal")


class ExpectedShape(Shape):
    """One day where it was reported, else the range it is expected in."""

    anchor = Text()
    cycle = serializers.IntegerField(help_text="The flush.")
    first = Day()
    likely = Day()
    last = Day()


class KitShape(Shape):
    """Where a kit stands; never whose it is.  ``order`` is the one that it was picked for."""

    id = Id()
    order = Id(allow_null=True)
    strain = Text()
    stage = Text()
    flush = serializers.IntegerField()
    paused = Flag()
    trouble = Text()
    start_by_on = Day()
    warmth = Text()
    expected = ExpectedShape(many=True)


class KitEventShape(Shape):
    """What happened to it, on its holder's local day; ``flush`` counts from 1."""

    kind = Text()
    on = Day()
    flush = serializers.IntegerField()
    trouble = Text()
    at = Instant()


EVENTS = inline_serializer("KitEvents", {"items": KitEventShape(many=True)})
KITS = inline_serializer("Kits", {"items": KitShape(many=True), "next": serializers.URLField(allow_null=True)})


class Kits(Endpoint):
    scopes = {"GET": CARERS}

    @extend_schema(operation_id="kits_list", parameters=[*pages.PARAMETERS, ORDER], responses=KITS)
    def get(self, request: Request) -> Response:
        """Kits with where each stands and the days that are expected, newest first; never whose they are."""
        pages.known(request, ORDER.name)
        kits = visible(Kit, actor_of(request)).select_related(*reading.WITH)
        if (order := request.query_params.get(ORDER.name)) is not None:
            kits = kits.filter(line__order__public_id=codes.tidy(order) or "-")
        return pages.page(request, kits, show=_show)


class OneKit(Endpoint):
    scopes = {"GET": CARERS}

    @extend_schema(operation_id="kits_read", responses=KitShape)
    def get(self, request: Request, code: str) -> Response:
        """One kit."""
        pages.known(request)
        found = rows.find_in(visible(Kit, actor_of(request)).select_related(*reading.WITH), code)
        return Response(_show([found])[0])


class KitEvents(Endpoint):
    scopes = {"GET": CARERS}

    @extend_schema(operation_id="kit_events_list", responses=EVENTS)
    def get(self, request: Request, code: str) -> Response:
        """What happened to a kit, oldest first; what its holder wrote of it is told to nobody here."""
        pages.known(request)
        found = rows.find_in(visible(Kit, actor_of(request)), code)
        return Response(
            {
                "items": [
                    {"kind": each.kind, "on": each.on, "flush": each.cycle, "trouble": each.trouble, "at": each.at}
                    for each in found.events.order_by("pk")
                ]
            }
        )


@action("kits_report", scopes=CARERS, shape=EventAsked)
def report(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """What happened to a kit, reported for its holder; the mails to come follow it."""
    return made(kits.record(who.own(Kit), **asked, **who.signed))


@action("kits_set_room", scopes=CARERS, shape=KitRoomAsked)
def set_room(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """How warm the kit's room is; the days that are expected and the mails to come follow it."""
    return made(kits.set_room(who.own(Kit), **asked, **who.signed))


@action("kits_replace", scopes=frozenset({"office"}), shape=ReplacementAsked)
def replace(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Replace a kit: its care ends here; the one that goes instead is a new order."""
    return made(kits.replace(who.own(Kit), reason=asked["reason"], on=asked.get("on") or who.today, **who.signed))


class KitJoinings(Endpoint):
    """Open to whoever holds the box: no key, and few tries a minute.  Joining again changes nothing but the room, so
    it needs no Idempotency-Key either.
    """

    scopes = {"POST": EVERYBODY}
    authentication_classes = ()
    permission_classes = ()
    throttle_classes = (PerAddress,)

    @extend_schema(operation_id="kit_joinings_join", request=JoinAsked, responses={201: Made}, auth=[])
    def post(self, request: Request) -> Response:
        """Whoever has the kit joins by the code on the box and is told what it needs; nobody's address is shown."""
        asked = read(JoinAsked, request.data)
        rest = {name: value for name, value in asked.items() if name != "code"}
        return Response(made(kits.join(asked["code"], **rest, now=datetime.now(UTC))), status=201)


def _show(found: Sequence[Kit]) -> list[dict[str, Any]]:
    by_id = {view.public_id: view for view in reading.view(found)}
    orders = {kit.public_id: kit.line.order.public_id for kit in found if kit.line is not None}
    return [
        {
            "id": view.public_id,
            "order": orders.get(view.public_id),
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
