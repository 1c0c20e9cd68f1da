"""``/standing-orders``: begun, read with the dates to come, changed for a date, paused, ended."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import pages
from fulfilment.api.actions import Asking, Made, action, made
from fulfilment.api.fields import Day, Id, Shape, Text, read
from fulfilment.api.keys import actor_of
from fulfilment.api.once import PARAMETER, once
from fulfilment.api.orders import LineAsked, customer_of, lines_of, office_only
from fulfilment.api.views import Endpoint
from fulfilment.core.calendar import describe
from fulfilment.models import StandingOrder
from fulfilment.read.farm import farm, today
from fulfilment.read.scope import visible
from fulfilment.services import rows, standing

if TYPE_CHECKING:
    from django.db.models import QuerySet
    from rest_framework.request import Request

    from fulfilment.read.scope import Actor

WHO = frozenset({"office", "kitchen"})
DATES_SHOWN = timedelta(days=60)


class StandingAsked(Shape):
    """``rule`` is an RFC 5545 recurrence in days, such as ``FREQ=WEEKLY;BYDAY=TU,FR``."""

    kitchen = Id(required=False)
    rule = Text(max_length=500)
    starts_on = Day()
    ends_on = Day(required=False, allow_null=True)
    way = serializers.ChoiceField(choices=["round", "carrier", "collected"], required=False, default="round")
    lines = LineAsked(many=True, allow_empty=False)


class ChangeAsked(Shape):
    """``skip``, ``as_usual`` and ``amounts`` are of one date (``on``), ``pause`` is ``on`` to ``last_on``."""

    kind = serializers.ChoiceField(choices=["skip", "amounts", "pause", "as_usual"])
    on = Day()
    last_on = Day(required=False)
    amounts = serializers.DictField(child=serializers.IntegerField(min_value=0), required=False, default=dict)
    because = Text(required=False, default="", allow_blank=True, max_length=200)


class EndAsked(Shape):
    last_on = Day()


class StandingLineShape(Shape):
    product = Id()
    name = Text()
    amount = serializers.IntegerField()
    at_least = serializers.IntegerField()


class StandingShape(Shape):
    """``dates`` are the rule's in the coming sixty days, whatever was changed; ``orders`` those made already."""

    id = Id()
    kitchen = Id()
    rule = Text()
    words = Text()
    starts_on = Day()
    ends_on = Day(allow_null=True)
    lines = StandingLineShape(many=True)
    dates = serializers.ListField(child=Day())
    orders = serializers.ListField(child=Id())


STANDING = inline_serializer(
    "StandingOrders", {"items": StandingShape(many=True), "next": serializers.URLField(allow_null=True)}
)


class StandingOrders(Endpoint):
    scopes = {"GET": WHO, "POST": WHO}

    @extend_schema(operation_id="standing_orders_list", parameters=pages.PARAMETERS, responses=STANDING)
    def get(self, request: Request) -> Response:
        """Standing orders, newest first."""
        pages.known(request)
        return pages.page(request, _standing(actor_of(request)), show=show)

    @extend_schema(
        operation_id="standing_orders_begin",
        parameters=[PARAMETER],
        request=StandingAsked,
        responses={201: StandingShape},
    )
    @once
    def post(self, request: Request, *, now: datetime) -> Response:
        """Begin a standing order; its dates in the coming weeks become orders at once."""
        asked = read(StandingAsked, request.data)
        actor = actor_of(request)
        kitchen, _ = customer_of(asked, actor)
        begun = standing.begin(
            kitchen, lines=lines_of(asked), rule=asked["rule"], starts_on=asked["starts_on"],
            ends_on=asked.get("ends_on"), way=asked["way"], by=actor.name, now=now,
        )  # fmt: skip
        return Response(show([rows.find_in(_standing(actor), begun.public_id)])[0], status=201)


class OneStandingOrder(Endpoint):
    scopes = {"GET": WHO}

    @extend_schema(operation_id="standing_orders_read", responses=StandingShape)
    def get(self, request: Request, code: str) -> Response:
        """One standing order with its dates to come."""
        pages.known(request)
        return Response(show([rows.find_in(_standing(actor_of(request)), code)])[0])


@action("standing_orders_change", scopes=WHO, shape=ChangeAsked)
def change(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Skip a date, order other amounts on it, pause from a day to a day, or take that back."""
    if asked["because"]:
        office_only(who.actor)
    order, on, signed = who.own(StandingOrder), asked["on"], who.signed | {"because": asked["because"]}
    match asked["kind"]:
        case "skip":
            return made(standing.skip(order, on=on, **signed))
        case "pause":
            return made(standing.pause(order, first=on, last=asked.get("last_on", on), **signed))
        case "amounts":
            return made(standing.change(order, on=on, amounts=asked["amounts"], **signed))
        case _:
            return made(standing.as_usual(order, on=on, **signed))


@action("standing_orders_end", scopes=WHO, shape=EndAsked, answer=Made, status=200)
def end(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """The last date it delivers; orders made for later dates are cancelled."""
    return made(standing.end(who.own(StandingOrder), last_on=asked["last_on"], **who.signed))


def _standing(actor: Actor) -> QuerySet[StandingOrder]:
    return visible(StandingOrder, actor).select_related("kitchen").prefetch_related("lines__product", "orders")


def show(orders: Sequence[StandingOrder]) -> list[dict[str, Any]]:
    """Standing orders whose lines and orders are already read."""
    first = today(datetime.now(UTC)) if orders else None
    ahead = timedelta(days=max(DATES_SHOWN.days, farm().roll_days)) if orders else DATES_SHOWN
    return [
        {
            "id": order.public_id,
            "kitchen": order.kitchen.public_id,
            "rule": order.rule,
            "words": describe(order.rule),
            "starts_on": order.starts_on,
            "ends_on": order.ends_on,
            "lines": [
                {
                    "product": line.product.public_id,
                    "name": line.product.name,
                    "amount": line.amount,
                    "at_least": line.at_least,
                }
                for line in order.lines.all()
            ],
            "dates": standing.coming(order, first=first, last=first + ahead) if first else [],
            "orders": [each.public_id for each in order.orders.all() if first and each.on >= first],
        }
        for order in orders
    ]
