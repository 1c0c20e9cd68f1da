"""``/kit-availability`` and ``/purchases``: what a shop can sell, and what a buyer bought at once.

A purchase has one order for each receiver, each with its own days, greeting and address, and one payment.  No money
moves here: the shop tells what was paid and given back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

from drf_spectacular.utils import OpenApiParameter, extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import etags, pages
from fulfilment.api.actions import Asking, action
from fulfilment.api.customers import PlaceAsked, place
from fulfilment.api.fields import Day, Flag, Id, Instant, Price, Shape, Text
from fulfilment.api.keys import actor_of
from fulfilment.api.order_shapes import OrderShape, show_order
from fulfilment.api.orders import MOST_ADDRESSES, address_of, lines_of, office_only
from fulfilment.api.products import minor_of
from fulfilment.api.views import Endpoint
from fulfilment.core import codes
from fulfilment.core.problems import Invalid
from fulfilment.core.units import KIT, Money
from fulfilment.models import Buyer, Order, Product, Purchase
from fulfilment.read.billing import cost_of
from fulfilment.read.farm import farm, today
from fulfilment.read.orders.whole import Whole, wholes
from fulfilment.read.scope import STAFF, visible
from fulfilment.services import ordering, purchases, rows
from fulfilment.services.purchases import Receiver

if TYPE_CHECKING:
    from django.db.models import QuerySet
    from rest_framework.request import Request

    from fulfilment.read.scope import Actor

SELLERS: Final = frozenset({"office", "shop"})
PAYMENTS: Final = tuple(Purchase.Payment.values)
FURTHEST: Final = timedelta(days=62)


class UnitsAsked(Shape):
    """A kit and how many of it."""

    product = Id()
    units = serializers.IntegerField()


class ReceiverAsked(Shape):
    """What one person gets.  It goes on the first delivery day from ``ships_from`` to ``ships_until`` (the same day
    where that is left out) on which all of it can be promised, to the ``recipient``, to one of the buyer's addresses by
    its number, or to the buyer.  A gift has no price in the box, its care mails wait for whoever enters the code, and
    it may have a ``greeting`` and a day of its own on which to start it (``start_on``).
    """

    lines = UnitsAsked(many=True, allow_empty=False)
    ships_from = Day()
    ships_until = Day(required=False)
    recipient = PlaceAsked(required=False)
    address = serializers.IntegerField(required=False, min_value=1, max_value=MOST_ADDRESSES)
    way = serializers.ChoiceField(choices=["round", "carrier", "collected"], required=False, default="carrier")
    note = Text(required=False, default="", allow_blank=True, max_length=300)
    gift = Flag(required=False, default=False)
    greeting = Text(required=False, default="", allow_blank=True, max_length=300)
    start_on = Day(required=False, allow_null=True, default=None)


class PurchaseAsked(Shape):
    """``reference`` is the shop's own number; ``payment`` what is known of the money so far."""

    buyer = Id()
    reference = Text(required=False, default="", allow_blank=True, max_length=60)
    payment = serializers.ChoiceField(choices=PAYMENTS, required=False, default="unpaid")
    receivers = ReceiverAsked(many=True, allow_empty=False)


class PaymentTold(Shape):
    """``refund`` is what was given back in all; it and ``note`` go with ``part_refunded`` and ``refunded``."""

    payment = serializers.ChoiceField(choices=PAYMENTS)
    refund = Price(required=False)
    note = Text(required=False, default="", allow_blank=True, max_length=300)


class PurchaseCancelled(Shape):
    """``note`` is what the shop says of the refund; ``because`` the office's reason after a cut-off."""

    note = Text(required=False, default="", allow_blank=True, max_length=300)
    because = Text(required=False, default="", allow_blank=True, max_length=200)


class PurchaseShape(Shape):
    """A purchase with its orders.  ``payment`` moves from unpaid to authorised and paid, and from there to refunds."""

    id = Id()
    buyer = Id()
    reference = Text()
    placed_at = Instant()
    cancelled_at = Instant(allow_null=True)
    payment = serializers.ChoiceField(choices=PAYMENTS)
    payment_told_at = Instant(allow_null=True)
    refund = Price()
    total = Price(help_text="What its orders cost, without carriage; cancelled lines left out.")
    orders = OrderShape(many=True)


class PurchaseInFull(PurchaseShape):
    """A purchase with what the shop wrote of its refund; told when it is read, and kept in no stored answer."""

    refund_note = Text()


class AvailableShape(Shape):
    """So many can be promised for that delivery day until ``cut_off_at``, if nobody orders meanwhile.  Each day stands
    by itself: kits sold for one day are gone from the others.
    """

    product = Id()
    on = Day()
    cut_off_at = Instant()
    units = serializers.IntegerField()


AVAILABLE: Final = inline_serializer("KitAvailability", {"items": AvailableShape(many=True)})
PURCHASES: Final = inline_serializer(
    "Purchases", {"items": PurchaseShape(many=True), "next": serializers.URLField(allow_null=True)}
)
SPAN: Final = [
    pages.day_named("from", "The first delivery day, today unless said."),
    pages.day_named("until", "The last one, two weeks later unless said, and at most 62 days later."),
    OpenApiParameter("product", str, description="One kit only, by its id."),
]
FILTERS: Final = [
    pages.choice("payment", *PAYMENTS, words="As the shop told it last."),
    OpenApiParameter("buyer", str, description="A buyer's id."),
    OpenApiParameter("reference", str, description="The shop's own number, exactly."),
]


class KitAvailability(Endpoint):
    scopes = {"GET": SELLERS}

    @extend_schema(operation_id="kit_availability_list", parameters=SPAN, responses=AVAILABLE)
    def get(self, request: Request) -> Response:
        """How many of each kit can be promised, by the day it would be sent."""
        pages.known(request, *(each.name for each in SPAN))
        now, actor = datetime.now(UTC), actor_of(request)
        first = max(pages.day(request, "from") or today(now), today(now))
        ordering.check_ahead(first, today=today(now), where="from")
        last = pages.day(request, "until") or first + timedelta(days=14)
        if last < first:
            raise Invalid("This span ends before it begins.", code="ends_before_start", where="until")
        kits = visible(Product, actor).filter(grade=KIT, active=True).order_by("name", "pk")
        if (code := request.query_params.get("product")) is not None:
            kits = kits.filter(pk=rows.find_in(kits, code, where="product").pk)
        found = ordering.available(list(kits), first=first, last=min(last, first + FURTHEST), now=now)
        return Response(
            {
                "items": [
                    {
                        "product": each.product.public_id,
                        "on": each.on,
                        "cut_off_at": each.cut_off_at,
                        "units": each.units,
                    }
                    for each in found
                ]
            }
        )


class Purchases(Endpoint):
    scopes = {"GET": SELLERS}

    @extend_schema(operation_id="purchases_list", parameters=[*pages.PARAMETERS, *FILTERS], responses=PURCHASES)
    def get(self, request: Request) -> Response:
        """Purchases with their orders, newest first."""
        pages.known(request, *(each.name for each in FILTERS))
        actor, given = actor_of(request), request.query_params
        found = _purchases(actor)
        payment = pages.chosen(request, "payment", PAYMENTS)
        if payment is not None:
            found = found.filter(payment=payment)
        if "buyer" in given:
            found = found.filter(buyer__public_id=codes.tidy(given["buyer"]) or "-")
        if "reference" in given:
            found = found.filter(reference=given["reference"])
        return pages.page(request, found, show=lambda some: _show(some, actor))


class OnePurchase(Endpoint):
    scopes = {"GET": SELLERS}

    @extend_schema(operation_id="purchases_read", responses=PurchaseInFull)
    def get(self, request: Request, code: str) -> Response:
        """One purchase with its orders."""
        pages.known(request)
        actor = actor_of(request)
        found = rows.find_in(_purchases(actor), code)
        body = {**_show([found], actor)[0], "refund_note": found.refund_note}
        return Response(body, headers={"ETag": etags.tag(found)})


@action("purchases_place", scopes=SELLERS, shape=PurchaseAsked, answer=PurchaseShape)
def buy(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Place what a buyer bought at once: an order for each receiver, all of them or none."""
    buyer = rows.find_in(visible(Buyer, who.actor), asked["buyer"], where="buyer").public_id
    made = purchases.place(
        buyer, [_receiver(each, buyer, number) for number, each in enumerate(asked["receivers"])],
        reference=asked["reference"], payment=asked["payment"], **who.signed,
    )  # fmt: skip
    return _one(made, who.actor)


@action("purchases_tell_payment", scopes=SELLERS, shape=PaymentTold, answer=PurchaseShape, status=200)
def tell_payment(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Tell what was paid, or given back; it is shown and moves no money."""
    back = minor_of(asked["refund"], where="refund") if "refund" in asked else 0
    told = purchases.tell_payment(
        who.own(Purchase), payment=asked["payment"], refund_minor=back, note=asked["note"], **who.signed
    )
    return _one(told, who.actor)


@action("purchases_cancel", scopes=SELLERS, shape=PurchaseCancelled, answer=PurchaseShape, status=200)
def cancel(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Cancel all of it that has not left yet; what was promised is free at once."""
    if asked["because"]:
        office_only(who.actor)
    gone = purchases.cancel(who.own(Purchase), note=asked["note"], because=asked["because"], **who.signed)
    return _one(gone, who.actor)


def _receiver(asked: Mapping[str, Any], buyer: str, number: int) -> Receiver:
    if "recipient" in asked and "address" in asked:
        raise Invalid(
            "Give a recipient or the number of an address, not both.", code="one_of_two",
            where=f"receivers.{number}.recipient",
        )  # fmt: skip
    return Receiver(
        lines=lines_of({"lines": [{**line, "at_least": 0} for line in asked["lines"]]}),
        ships_from=asked["ships_from"],
        ships_until=asked.get("ships_until", asked["ships_from"]),
        place=place(asked["recipient"]) if "recipient" in asked else None,
        address=address_of(asked, kitchen="", buyer=buyer),
        **{name: asked[name] for name in ("way", "note", "gift", "greeting", "start_on")},
    )


def _purchases(actor: Actor) -> QuerySet[Purchase]:
    return visible(Purchase, actor).select_related("buyer")


def _one(made: Purchase, actor: Actor) -> dict[str, Any]:
    return _show([rows.find_in(_purchases(actor), made.public_id)], actor)[0]


def _show(found: Sequence[Purchase], actor: Actor) -> list[dict[str, Any]]:
    currency, staff = farm().currency, actor.may(STAFF)
    orders = Order.objects.filter(purchase__in=[each.pk for each in found]).order_by("pk")
    bought: dict[str | None, list[Whole]] = {each.public_id: [] for each in found}
    for whole in wholes(list(orders.values_list("pk", flat=True))):
        bought[whole.order.purchase].append(whole)

    def money(minor: int) -> dict[str, str]:
        return {"amount": Money(minor, currency).decimal, "currency": currency}

    return [
        {
            "id": each.public_id,
            "buyer": each.buyer.public_id,
            "reference": each.reference,
            "placed_at": each.placed_at,
            "cancelled_at": each.cancelled_at,
            "payment": each.payment,
            "payment_told_at": each.payment_told_at,
            "refund": money(each.refund_minor),
            "total": money(cost_of(line for whole in bought[each.public_id] for line in whole.lines)),
            "orders": [show_order(whole, staff=staff) for whole in bought[each.public_id]],
        }
        for each in found
    ]
