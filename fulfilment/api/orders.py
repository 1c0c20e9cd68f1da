"""``/orders`` and ``/promise-checks``: asked, placed, read, changed, cancelled.

A kitchen's key orders for its own kitchen; a shop's for buyers; the office for everybody.  A promise that cannot be
made is no error: the order stands with what could be promised, and says when the full amount could come.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

from django.db import transaction
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import etags, pages
from fulfilment.api.fields import Changed, Day, Flag, Id, Shape, Text, read
from fulfilment.api.keys import actor_of, uses
from fulfilment.api.once import PARAMETER, once
from fulfilment.api.order_shapes import (
    OFFERS,
    ORDERS,
    OrderInFull,
    OrderShape,
    in_full,
    one,
    show,
    show_offers,
    show_order,
)
from fulfilment.api.views import Endpoint
from fulfilment.core import codes
from fulfilment.core.problems import Forbidden, Invalid, Missing
from fulfilment.models import Address, Buyer, Kitchen, Order
from fulfilment.read.orders import finding
from fulfilment.read.orders.states import ADVANCE
from fulfilment.read.orders.whole import wholes
from fulfilment.read.scope import STAFF, visible
from fulfilment.services import ordering, rows
from fulfilment.services.ordering import Amendments, Asked, Wish

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rest_framework.request import Request

    from fulfilment.read.scope import Actor

CUSTOMERS = frozenset({"office", "kitchen", "shop"})
READERS = CUSTOMERS | {"packing"}
STATES: Final = (*ADVANCE, "cancelled")
MOST_ADDRESSES: Final = 10_000
FILTERS: Final = [
    pages.ON,
    pages.day_named("from", "The first delivery day."),
    pages.day_named("until", "The last delivery day."),
    pages.choice("state", *STATES, words="That of the least advanced shipment."),
    OpenApiParameter("kitchen", str, description="A kitchen's id."),
    OpenApiParameter("buyer", str, description="A buyer's id."),
    OpenApiParameter("standing_order", str, description="The standing order it comes from."),
    OpenApiParameter("purchase", str, description="The purchase it is part of."),
    OpenApiParameter("reference", str, description="The customer's own number, exactly."),
]


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
    """``address`` is the number of one of the customer's addresses, the first where it is left out; ``start_on`` the
    day on which a gift is to be started.  ``below_chance`` and ``because`` (after the cut-off) are for the office.
    """

    reference = Text(required=False, default="", allow_blank=True, max_length=60)
    way = serializers.ChoiceField(choices=["round", "carrier", "collected"], required=False)
    address = serializers.IntegerField(required=False, min_value=1, max_value=MOST_ADDRESSES)
    note = Text(required=False, default="", allow_blank=True, max_length=300)
    gift = Flag(required=False, default=False)
    greeting = Text(required=False, default="", allow_blank=True, max_length=300)
    start_on = Day(required=False, allow_null=True, default=None)
    below_chance = Flag(required=False, default=False)
    because = Text(required=False, default="", allow_blank=True, max_length=200)


class OrderChanged(Changed):
    """What is left out stays as it is, and null empties a text.  ``lines`` is the whole list: an amount is changed,
    what is not named is dropped, what is new is added.  ``because`` is the office's reason after the cut-off.
    """

    reference = Text(required=False, allow_null=True, allow_blank=True, max_length=60)
    note = Text(required=False, allow_null=True, allow_blank=True, max_length=300)
    greeting = Text(required=False, allow_null=True, allow_blank=True, max_length=300)
    way = serializers.ChoiceField(choices=["round", "carrier", "collected"], required=False)
    address = serializers.IntegerField(required=False, min_value=1, max_value=MOST_ADDRESSES)
    lines = LineAsked(many=True, allow_empty=False, required=False)
    because = Text(required=False, default="", allow_null=True, allow_blank=True, max_length=200)


class LinesAdded(Shape):
    """Products that are not on the order yet; ``because`` is the office's reason after the cut-off."""

    lines = LineAsked(many=True, allow_empty=False)
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
        return Response({"lines": show_offers(offers, actor_of(request))})


class Orders(Endpoint):
    scopes = {"GET": READERS, "POST": CUSTOMERS}

    @extend_schema(operation_id="orders_list", parameters=[*pages.PARAMETERS, *FILTERS], responses=ORDERS)
    def get(self, request: Request) -> Response:
        """Orders with their lines, newest first: all, or those of some delivery days, a state, a customer."""
        pages.known(request, *(each.name for each in FILTERS))
        actor = actor_of(request)
        given, state = _wanted(request), pages.chosen(request, "state", STATES)
        return pages.page_of(
            request,
            lambda before, size: finding.page(actor, given, state=state, before=before, size=size),
            key=int,
            show=lambda found: show(found, actor),
        )

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
        wish = Wish(
            on=asked["on"], reference=asked["reference"], way=asked.get("way", ""),
            address=address_of(asked, kitchen=kitchen, buyer=buyer), note=asked["note"], gift=asked["gift"],
            greeting=asked["greeting"], start_on=asked["start_on"], below_chance=asked["below_chance"],
            because=asked["because"],
        )  # fmt: skip
        made = ordering.accept(lines_of(asked), wish, kitchen=kitchen, buyer=buyer, by=actor.name, now=now)
        told = show_order(ordering.as_read(made), staff=actor.may(STAFF))
        return Response(told, status=201, headers={"Location": f"/api/v1/orders/{made.order.public_id}"})


class OneOrder(Endpoint):
    scopes = {"GET": READERS, "PATCH": CUSTOMERS}

    @extend_schema(operation_id="orders_read", responses=OrderInFull)
    def get(self, request: Request, code: str) -> Response:
        """One order with its lines, promises and why, where it goes and where it is."""
        pages.known(request)
        actor = actor_of(request)
        return _in_full(rows.find_by(lambda tidy: finding.key_of(actor, tidy), Order, code), actor)

    @extend_schema(
        operation_id="orders_change", parameters=[etags.PARAMETER], request=OrderChanged, responses=OrderInFull
    )
    def patch(self, request: Request, code: str) -> Response:
        """Change an order: its lines, where and how it goes, what is said with it.

        What stays keeps its promise, less keeps its place in the row, more is asked anew behind everybody.
        """
        asked = read(OrderChanged, request.data)
        actor, now = actor_of(request), datetime.now(UTC)
        if asked["because"]:
            office_only(actor)
        changes = amendments(asked)
        with transaction.atomic():
            own = rows.find_in(visible(Order, actor), code)
            if "address" in asked:
                changes["address"] = _address(asked["address"], kitchen=own.kitchen_id, buyer=own.buyer_id)
            etags.match(request, ordering.hold(own.public_id, changes.get("lines", ()), now=now))
            ordering.amend(own.public_id, changes, because=asked["because"], by=actor.name, now=now)
        uses.write(on=now.date())
        return _in_full(own.pk, actor)


class Cancellation(Endpoint):
    scopes = {"POST": CUSTOMERS}

    @extend_schema(operation_id="orders_cancel", parameters=[PARAMETER], request=Reason, responses={200: OrderShape})
    @once
    def post(self, request: Request, code: str, *, now: datetime) -> Response:
        """Cancel what is not yet sent; what was promised is free at once."""
        asked, actor, order = _asked_of(request, code, Reason)
        return Response(one(ordering.cancel(order.public_id, because=asked["because"], by=actor.name, now=now), actor))


class LineAmount(Endpoint):
    scopes = {"POST": CUSTOMERS}

    @extend_schema(
        operation_id="order_lines_change", parameters=[PARAMETER], request=AmountAsked, responses={200: OrderShape}
    )
    @once
    def post(self, request: Request, code: str, number: int, *, now: datetime) -> Response:
        """Another amount for a line: less keeps its place in the row, more is asked anew behind everybody."""
        asked, actor, order = _asked_of(request, code, AmountAsked)
        _check_number(order, number)
        ordering.change_line(
            order.public_id, number=number, to=amount_of(asked), because=asked["because"], by=actor.name, now=now
        )
        return Response(one(order, actor))


class Lines(Endpoint):
    scopes = {"POST": CUSTOMERS}

    @extend_schema(
        operation_id="order_lines_add", parameters=[PARAMETER], request=LinesAdded, responses={201: OrderShape}
    )
    @once
    def post(self, request: Request, code: str, *, now: datetime) -> Response:
        """Add products to an order that stands; each is promised behind everybody who ordered before."""
        asked, actor, order = _asked_of(request, code, LinesAdded)
        ordering.add_lines(order.public_id, lines_of(asked), because=asked["because"], by=actor.name, now=now)
        return Response(one(order, actor), status=201)


class LineCancellation(Endpoint):
    scopes = {"POST": CUSTOMERS}

    @extend_schema(
        operation_id="order_lines_cancel", parameters=[PARAMETER], request=Reason, responses={200: OrderShape}
    )
    @once
    def post(self, request: Request, code: str, number: int, *, now: datetime) -> Response:
        """Drop one line; what was promised of it is free at once, and the last line takes its order with it."""
        asked, actor, order = _asked_of(request, code, Reason)
        _check_number(order, number)
        ordering.drop_line(order.public_id, number=number, because=asked["because"], by=actor.name, now=now)
        return Response(one(order, actor))


def _in_full(order: int, actor: Actor) -> Response:
    (whole,) = wholes([order])
    return Response(in_full(whole, actor), headers={"ETag": etags.tag(whole.order)})


def _asked_of(request: Request, code: str, shape: type[Shape]) -> tuple[Mapping[str, Any], Actor, Order]:
    """What is asked of an order that stands, by whom, and the order; a reason for after the cut-off is the office's."""
    asked, actor = read(shape, request.data), actor_of(request)
    if asked["because"]:
        office_only(actor)
    return asked, actor, rows.find_in(visible(Order, actor), code)


def _check_number(order: Order, number: int) -> None:
    if not order.lines.filter(number=number).exists():
        # The number is in the address, so what is missing is the address itself.
        raise Missing(f"Order {order.public_id} has no line {number}.", line=f"{order.public_id}/{number}")


def amendments(asked: Mapping[str, Any]) -> Amendments:
    """What a merge patch wants changed."""
    changes: Amendments = {}
    for name in ("reference", "note", "greeting"):
        if name in asked:
            changes[name] = asked[name]
    if "way" in asked:
        changes["way"] = asked["way"]
    if "lines" in asked:
        changes["lines"] = lines_of(asked)
    return changes


def address_of(asked: Mapping[str, Any], *, kitchen: str, buyer: str) -> int | None:
    """The row that the number of an address means; None where none is asked for."""
    if "address" not in asked:
        return None
    if kitchen:
        return _address(asked["address"], kitchen=rows.find(Kitchen, kitchen).pk, buyer=None)
    return _address(asked["address"], kitchen=None, buyer=rows.find(Buyer, buyer).pk)


def _address(number: int, *, kitchen: int | None, buyer: int | None) -> int:
    """Addresses are counted as they were added, so a number means the same one for good."""
    found = Address.objects.filter(kitchen=kitchen, buyer=buyer).order_by("pk").values_list("pk", flat=True)
    there = list(found[number - 1 : number])
    if not there:
        raise Missing(f"There is no address {number} of this customer.", where="address")
    return there[0]


def _wanted(request: Request) -> dict[str, str]:
    """What orders are asked for by, each as it is looked up."""
    given = {name: request.query_params[name] for name in finding.FILTERS if name in request.query_params}
    for name in ("on", "from", "until"):
        if (day := pages.day(request, name)) is not None:
            given[name] = day.isoformat()
    for name in given.keys() & {"kitchen", "buyer", "standing_order", "purchase"}:
        given[name] = codes.tidy(given[name])
    return given


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
    return actor.kitchen or Kitchen.objects.get(pk=actor.kitchen_id).public_id, ""


def office_only(actor: Actor) -> None:
    """Raises for anybody else."""
    if "office" not in actor.scopes:
        raise Forbidden("Only the office promises below the asked chance or acts after the cut-off.")
