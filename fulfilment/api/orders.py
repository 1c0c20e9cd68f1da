"""``/orders`` and ``/promise-checks``: asked, placed, read, changed, cancelled.

A kitchen's key orders for its own kitchen; a shop's for buyers; the office for everybody.  A promise that cannot be
made is no error: the order stands with what could be promised, and says when the full amount could come.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import pages
from fulfilment.api.fields import Day, Flag, Id, Shape, Text, read
from fulfilment.api.keys import actor_of
from fulfilment.api.once import PARAMETER, once
from fulfilment.api.order_shapes import OFFERS, ORDERS, OrderShape, one, show, show_offers, with_lines
from fulfilment.api.views import Endpoint
from fulfilment.core.problems import Forbidden, Invalid, Missing
from fulfilment.models import Buyer, Kitchen, Order
from fulfilment.read.scope import visible
from fulfilment.services import ordering, rows
from fulfilment.services.ordering import Asked

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rest_framework.request import Request

    from fulfilment.read.scope import Actor

CUSTOMERS = frozenset({"office", "kitchen", "shop"})
READERS = CUSTOMERS | {"packing"}


class LineAsked(Shape):
    """A product and how much of it: grams for fresh, units for kits; ``at_least`` is all or nothing below it."""

    product = Id()
    amount_g = serializers.IntegerField(required=False)
    units = serializers.IntegerField(required=False)
    at_least = serializers.IntegerField(required=False, default=0, min_value=0)


class OrderAsked(Shape):
    """What is wanted on one date.  ``kitchen`` may be left out by a kitchen's own key."""

    kitchen = Id(required=False)
    buyer = Id(required=False)
    on = Day()
    lines = LineAsked(many=True, allow_empty=False)


class OrderPlaced(OrderAsked):
    """``below_chance`` and ``because`` (an order after the cut-off) are for the office."""

    reference = Text(required=False, default="", allow_blank=True, max_length=60)
    way = serializers.ChoiceField(choices=["round", "carrier", "collected"], required=False)
    gift = Flag(required=False, default=False)
    greeting = Text(required=False, default="", allow_blank=True, max_length=300)
    below_chance = Flag(required=False, default=False)
    because = Text(required=False, default="", allow_blank=True, max_length=200)


class AmountAsked(Shape):
    """Another amount for a line; ``because`` is the office's reason after the cut-off."""

    amount_g = serializers.IntegerField(required=False)
    units = serializers.IntegerField(required=False)
    because = Text(required=False, default="", allow_blank=True, max_length=200)


class Reason(Shape):
    """Why; needed after the cut-off, and then only the office may."""

    because = Text(required=False, default="", allow_blank=True, max_length=200)


class PromiseChecks(Endpoint):
    scopes = {"POST": CUSTOMERS}

    @extend_schema(operation_id="promise_checks_ask", request=OrderAsked, responses=OFFERS)
    def post(self, request: Request) -> Response:
        """What an order would be promised if it were placed now; nothing is kept."""
        asked = read(OrderAsked, request.data)
        kitchen, buyer = customer_of(asked, actor_of(request))
        offers = ordering.check(lines_of(asked), kitchen=kitchen, buyer=buyer, on=asked["on"], now=datetime.now(UTC))
        return Response({"lines": show_offers(offers)})


class Orders(Endpoint):
    scopes = {"GET": READERS, "POST": CUSTOMERS}

    @extend_schema(operation_id="orders_list", parameters=[*pages.PARAMETERS, pages.ON], responses=ORDERS)
    def get(self, request: Request) -> Response:
        """Orders with their lines, newest first; ``on`` asks for one delivery day's."""
        pages.known(request, "on")
        orders, on = visible(Order, actor_of(request)), pages.day(request)
        return pages.page(request, with_lines(orders if on is None else orders.filter(on=on)), show=show)

    @extend_schema(
        operation_id="orders_place", parameters=[PARAMETER], request=OrderPlaced, responses={201: OrderShape}
    )
    @once
    def post(self, request: Request, *, now: datetime) -> Response:
        """Place an order; each line is told at once how much it can count on and how surely."""
        asked = read(OrderPlaced, request.data)
        actor = actor_of(request)
        if asked["below_chance"] or asked["because"]:
            office_only(actor)
        kitchen, buyer = customer_of(asked, actor)
        made = ordering.place(
            lines_of(asked), kitchen=kitchen, buyer=buyer, on=asked["on"], reference=asked["reference"],
            way=asked.get("way", ""), gift=asked["gift"], greeting=asked["greeting"],
            below_chance=asked["below_chance"], because=asked["because"], by=actor.name, now=now,
        )  # fmt: skip
        return Response(one(made), status=201, headers={"Location": f"/api/v1/orders/{made.public_id}"})


class OneOrder(Endpoint):
    scopes = {"GET": READERS}

    @extend_schema(operation_id="orders_read", responses=OrderShape)
    def get(self, request: Request, code: str) -> Response:
        """One order with its lines, promises and what the last plan gives it."""
        pages.known(request)
        return Response(show([rows.find_in(with_lines(visible(Order, actor_of(request))), code)])[0])


class Cancellation(Endpoint):
    scopes = {"POST": CUSTOMERS}

    @extend_schema(operation_id="orders_cancel", parameters=[PARAMETER], request=Reason, responses={200: OrderShape})
    @once
    def post(self, request: Request, code: str, *, now: datetime) -> Response:
        """Cancel what is not yet sent; what was promised is free at once."""
        asked = read(Reason, request.data)
        actor = actor_of(request)
        if asked["because"]:
            office_only(actor)
        order = rows.find_in(visible(Order, actor), code)
        return Response(one(ordering.cancel(order.public_id, because=asked["because"], by=actor.name, now=now)))


class LineAmount(Endpoint):
    scopes = {"POST": CUSTOMERS}

    @extend_schema(
        operation_id="order_lines_change", parameters=[PARAMETER], request=AmountAsked, responses={200: OrderShape}
    )
    @once
    def post(self, request: Request, code: str, number: int, *, now: datetime) -> Response:
        """Another amount for a line: less keeps its place in the row, more is asked anew behind everybody."""
        asked = read(AmountAsked, request.data)
        actor = actor_of(request)
        if asked["because"]:
            office_only(actor)
        order = rows.find_in(visible(Order, actor), code)
        if not order.lines.filter(number=number).exists():
            # The number is in the address, so what is missing is the address itself.
            raise Missing(f"Order {order.public_id} has no line {number}.", line=f"{order.public_id}/{number}")
        ordering.change_line(
            order.public_id, number=number, to=amount_of(asked), because=asked["because"], by=actor.name, now=now
        )
        return Response(one(order))


def lines_of(asked: Mapping[str, Any]) -> list[Asked]:
    """The lines as the service wants them."""
    found = []
    for place, line in enumerate(asked["lines"]):
        try:
            found.append(Asked(line["product"], amount_of(line), line["at_least"]))
        except Invalid as problem:
            raise problem.at(f"lines.{place}") from None
    return found


def amount_of(asked: Mapping[str, Any]) -> int:
    """Grams or units, whichever was given."""
    given = [asked[name] for name in ("amount_g", "units") if asked.get(name) is not None]
    if len(given) != 1:
        raise Invalid(
            "Give amount_g for fresh mushrooms or units for kits, one of the two.", code="one_of_two", where="amount_g"
        )
    return int(given[0])


def customer_of(asked: Mapping[str, Any], actor: Actor) -> tuple[str, str]:
    """(kitchen id, buyer id): whom the actor may order for; a stranger does not exist."""
    if asked.get("buyer"):
        if asked.get("kitchen"):
            raise Invalid("An order is for a kitchen or for a buyer, not both.", code="one_of_two", where="buyer")
        if not actor.may(frozenset({"office", "shop"})):
            raise Forbidden("Kit orders for buyers need the scope shop or office.")
        return "", rows.find_in(visible(Buyer, actor), asked["buyer"], where="buyer").public_id
    if asked.get("kitchen"):
        return rows.find_in(visible(Kitchen, actor), asked["kitchen"], where="kitchen").public_id, ""
    if actor.kitchen_id is None:
        raise Invalid("Say for whom: kitchen or buyer.", code="missing", where="kitchen")
    return Kitchen.objects.get(pk=actor.kitchen_id).public_id, ""


def office_only(actor: Actor) -> None:
    """Raises for anybody else."""
    if "office" not in actor.scopes:
        raise Forbidden("Only the office promises below the asked chance or acts after the cut-off.")
