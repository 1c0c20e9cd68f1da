"""``/buyers``: who pays for kits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import etags, pages
from fulfilment.api.actions import Asking, Made, action, made
from fulfilment.api.customers import ADDRESSES, PlaceAsked, numbered, place
from fulfilment.api.fields import Changed, Id, Shape, Text, read
from fulfilment.api.keys import actor_of
from fulfilment.api.views import Endpoint
from fulfilment.models import Buyer
from fulfilment.read.farm import farm
from fulfilment.read.scope import visible
from fulfilment.services import customers, rows

if TYPE_CHECKING:
    from rest_framework.request import Request

SELLERS = frozenset({"office", "shop"})


class BuyerAsked(Shape):
    name = Text(max_length=120)
    email = Text(max_length=254)
    phone = Text(required=False, allow_blank=True)
    zone = Text(required=False, max_length=60, help_text="The farm's, unless said.")
    address = PlaceAsked()


class BuyerChanged(Changed):
    """What is left out stays as it is; null takes the telephone number away, and for the zone means the farm's."""

    name = Text(required=False, max_length=120)
    email = Text(required=False, max_length=254)
    phone = Text(required=False, allow_null=True, allow_blank=True)
    zone = Text(required=False, allow_null=True, max_length=60)


class BuyerShape(Shape):
    id = Id()
    name = Text()
    email = Text()
    phone = Text()
    zone = Text()


BUYERS = inline_serializer("Buyers", {"items": BuyerShape(many=True), "next": serializers.URLField(allow_null=True)})


class Buyers(Endpoint):
    scopes = {"GET": SELLERS}

    @extend_schema(operation_id="buyers_list", parameters=pages.PARAMETERS, responses=BUYERS)
    def get(self, request: Request) -> Response:
        """Buyers, newest first, but for those who asked to be forgotten."""
        pages.known(request)
        return pages.page(request, visible(Buyer, actor_of(request)).filter(erased_at__isnull=True), show=_show)


class OneBuyer(Endpoint):
    scopes = {"GET": SELLERS, "PATCH": SELLERS}

    @extend_schema(operation_id="buyers_read", responses=BuyerShape)
    def get(self, request: Request, code: str) -> Response:
        """One buyer."""
        pages.known(request)
        found = _living(request, code)
        return Response(_show([found])[0], headers={"ETag": etags.tag(found)})

    @extend_schema(operation_id="buyers_change", parameters=[etags.PARAMETER], request=BuyerChanged, responses=Made)
    def patch(self, request: Request, code: str) -> Response:
        """Another name, mail address, telephone number or zone; links that were sent to an old address end."""
        asked = dict(read(BuyerChanged, request.data))
        if asked.get("zone", "") is None:
            asked["zone"] = farm().zone
        _living(request, code)
        return etags.change(request, Buyer, code, lambda own, who: customers.change_buyer(own, **asked, **who.signed))


class BuyerAddresses(Endpoint):
    scopes = {"GET": SELLERS}

    @extend_schema(operation_id="buyer_addresses_list", responses=ADDRESSES)
    def get(self, request: Request, code: str) -> Response:
        """Where a buyer's kits can go: the buyer's own address first, then those of receivers."""
        pages.known(request)
        return Response({"items": numbered(_living(request, code).addresses.order_by("pk"))})


@action("buyer_addresses_add", scopes=SELLERS, shape=PlaceAsked)
def add_buyer_address(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Add one more address, a receiver's for example; the answer names the buyer."""
    own = who.own(Buyer)
    customers.add_address(place(asked), buyer=own, **who.signed)
    return {"id": own}


def _living(request: Request, code: str) -> Buyer:
    return rows.find_in(visible(Buyer, actor_of(request)).filter(erased_at__isnull=True), code)


@action("buyers_add", scopes=frozenset({"office", "shop"}), shape=BuyerAsked)
def add_buyer(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Add somebody who buys kits."""
    return made(customers.add_buyer(**{"zone": farm().zone, **asked}, **who.signed))


def _show(found: Sequence[Buyer]) -> list[dict[str, Any]]:
    names = ("name", "email", "phone", "zone")
    return [{"id": each.public_id, **{name: getattr(each, name) for name in names}} for each in found]
