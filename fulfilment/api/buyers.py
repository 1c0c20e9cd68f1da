"""``/buyers``: who pays for kits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import pages
from fulfilment.api.actions import Asking, action, made
from fulfilment.api.customers import PlaceAsked
from fulfilment.api.fields import Id, Shape, Text
from fulfilment.api.keys import actor_of
from fulfilment.api.views import Endpoint
from fulfilment.models import Buyer
from fulfilment.read.scope import visible
from fulfilment.services import customers, rows

if TYPE_CHECKING:
    from rest_framework.request import Request

SELLERS = frozenset({"office", "shop"})


class BuyerAsked(Shape):
    name = Text(max_length=120)
    email = Text(max_length=254)
    phone = Text(required=False, allow_blank=True)
    zone = Text(required=False, max_length=60)
    address = PlaceAsked()


class BuyerShape(Shape):
    id = Id()
    name = Text()
    email = Text()
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
    scopes = {"GET": SELLERS}

    @extend_schema(operation_id="buyers_read", responses=BuyerShape)
    def get(self, request: Request, code: str) -> Response:
        """One buyer."""
        pages.known(request)
        buyers = visible(Buyer, actor_of(request)).filter(erased_at__isnull=True)
        return Response(_show([rows.find_in(buyers, code)])[0])


@action("buyers_add", scopes=frozenset({"office", "shop"}), shape=BuyerAsked)
def add_buyer(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Add somebody who buys kits."""
    return made(customers.add_buyer(**asked, **who.signed))


def _show(found: Sequence[Buyer]) -> list[dict[str, Any]]:
    return [{"id": each.public_id, "name": each.name, "email": each.email, "zone": each.zone} for each in found]
