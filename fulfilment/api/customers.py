"""``/kitchens``: who orders, on which terms, to which address, and what they take instead."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, cast

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import etags, pages
from fulfilment.api.actions import Asking, Made, action, made
from fulfilment.api.fields import Changed, Flag, Id, Price, Shape, Text, read
from fulfilment.api.keys import actor_of
from fulfilment.api.products import minor_of
from fulfilment.api.views import Endpoint
from fulfilment.core.problems import Invalid
from fulfilment.core.units import Money
from fulfilment.models import Address, Kitchen
from fulfilment.read.farm import farm
from fulfilment.read.scope import visible
from fulfilment.services import customers, packing, rows

if TYPE_CHECKING:
    from django.db.models import QuerySet
    from rest_framework.request import Request

    from fulfilment.services.customers import Place

OFFICE = frozenset({"office"})


class PlaceAsked(Shape):
    name = Text(required=False)
    street = Text(max_length=160)
    postcode = Text(required=False, default="", allow_blank=True)
    town = Text(max_length=80)
    country = Text(required=False, max_length=2)
    latitude = serializers.FloatField(required=False, allow_null=True)
    longitude = serializers.FloatField(required=False, allow_null=True)
    instructions = Text(required=False, default="", allow_blank=True)


class KitchenAsked(Shape):
    name = Text(max_length=120)
    email = Text(max_length=254)
    address = PlaceAsked()
    phone = Text(required=False, allow_blank=True)
    tier = serializers.IntegerField(required=False)
    delivery_weekdays = serializers.ListField(child=serializers.IntegerField(), required=False)
    max_age_days = serializers.IntegerField(required=False)
    chance_pct = serializers.IntegerField(required=False)
    tolerance_pct = serializers.IntegerField(required=False)
    round_name = Text(required=False, max_length=60)


class KitchenChanged(Changed):
    """What is left out stays as it is; null takes the telephone number away, and the weekdays: every delivery day."""

    name = Text(required=False, max_length=120)
    email = Text(required=False, max_length=254)
    phone = Text(required=False, allow_null=True, allow_blank=True)
    tier = serializers.IntegerField(required=False)
    delivery_weekdays = serializers.ListField(child=serializers.IntegerField(), required=False, allow_null=True)
    max_age_days = serializers.IntegerField(required=False)
    chance_pct = serializers.IntegerField(required=False)
    tolerance_pct = serializers.IntegerField(required=False)
    round_name = Text(required=False, max_length=60)
    active = Flag(required=False)


class SubstituteAsked(Shape):
    strain = Id()
    grade = Text()
    instead_strain = Id()
    instead_grade = Text()


class SubstitutesAsked(Shape):
    """The whole list, best liked first; it replaces the one before."""

    substitutes = SubstituteAsked(many=True)


class AgreedPriceShape(Shape):
    """Per kilo, or per kit."""

    product = Id()
    price = Price()


class PricesAsked(Shape):
    """The whole list; it replaces the one before.  Of what it does not name the kitchen pays everybody's price."""

    prices = AgreedPriceShape(many=True)


class CratesAsked(Shape):
    back = serializers.IntegerField()
    confirmed = Flag(required=False, default=False)


class KitchenShape(Shape):
    id = Id()
    name = Text()
    email = Text()
    phone = Text()
    tier = serializers.IntegerField(allow_null=True, help_text="Told to staff only.")
    delivery_weekdays = serializers.ListField(
        child=serializers.IntegerField(), help_text="Monday is 0; empty: every day on which the farm delivers."
    )
    max_age_days = serializers.IntegerField()
    chance_pct = serializers.IntegerField()
    tolerance_pct = serializers.IntegerField()
    round_name = Text(help_text="The round that brings it.")
    crates_out = serializers.IntegerField()
    active = serializers.BooleanField()


class AddressShape(Shape):
    """``number`` is how an order names it: they are counted as they were added, the first one 1."""

    number = serializers.IntegerField()
    name = Text()
    street = Text()
    postcode = Text()
    town = Text()
    country = Text()
    instructions = Text()


ADDRESSES = inline_serializer("Addresses", {"items": AddressShape(many=True)})
SUBSTITUTES = inline_serializer("Substitutes", {"items": SubstituteAsked(many=True)})
PRICES = inline_serializer("AgreedPrices", {"items": AgreedPriceShape(many=True)})
KITCHENS = inline_serializer(
    "Kitchens", {"items": KitchenShape(many=True), "next": serializers.URLField(allow_null=True)}
)


class Kitchens(Endpoint):
    scopes = {"GET": frozenset({"office", "packing", "kitchen"})}

    @extend_schema(operation_id="kitchens_list", parameters=pages.PARAMETERS, responses=KITCHENS)
    def get(self, request: Request) -> Response:
        """Kitchens and their terms; a kitchen's key sees its own."""
        pages.known(request)
        actor = actor_of(request)
        staff = actor.may(frozenset({"office", "packing"}))
        return pages.page(
            request, visible(Kitchen, actor), show=lambda found: [_show(each, staff=staff) for each in found]
        )


class OneKitchen(Endpoint):
    scopes = {"GET": frozenset({"office", "packing", "kitchen"}), "PATCH": OFFICE}

    @extend_schema(operation_id="kitchens_read", responses=KitchenShape)
    def get(self, request: Request, code: str) -> Response:
        """One kitchen."""
        pages.known(request)
        actor = actor_of(request)
        found = rows.find_in(visible(Kitchen, actor), code)
        staff = actor.may(frozenset({"office", "packing"}))
        return Response(_show(found, staff=staff), headers={"ETag": etags.tag(found)})

    @extend_schema(operation_id="kitchens_change", parameters=[etags.PARAMETER], request=KitchenChanged, responses=Made)
    def patch(self, request: Request, code: str) -> Response:
        """Other terms; another mail address ends the links that were sent to the old one."""
        asked = dict(read(KitchenChanged, request.data))
        if asked.get("delivery_weekdays", ()) is None:
            asked["delivery_weekdays"] = []
        return etags.change(
            request, Kitchen, code, lambda own, who: customers.change_kitchen(own, **asked, **who.signed)
        )


class KitchenAddresses(Endpoint):
    scopes = {"GET": frozenset({"office", "packing", "kitchen"})}

    @extend_schema(operation_id="kitchen_addresses_list", responses=ADDRESSES)
    def get(self, request: Request, code: str) -> Response:
        """Where a kitchen's deliveries can go, the first one first."""
        pages.known(request)
        found = rows.find_in(visible(Kitchen, actor_of(request)), code)
        return Response({"items": numbered(found.addresses.order_by("pk"))})


class Substitutes(Endpoint):
    scopes = {"GET": frozenset({"office", "packing", "kitchen"})}

    @extend_schema(operation_id="kitchens_substitutes", responses=SUBSTITUTES)
    def get(self, request: Request, code: str) -> Response:
        """What this kitchen takes instead, best liked first."""
        pages.known(request)
        found = rows.find_in(visible(Kitchen, actor_of(request)), code)
        agreed = found.substitutes.select_related("strain", "instead_strain").order_by("position")
        return Response(
            {
                "items": [
                    {
                        "strain": each.strain.public_id,
                        "grade": each.grade,
                        "instead_strain": each.instead_strain.public_id,
                        "instead_grade": each.instead_grade,
                    }
                    for each in agreed
                ]
            }
        )


class AgreedPrices(Endpoint):
    scopes = {"GET": frozenset({"office", "kitchen"})}

    @extend_schema(operation_id="kitchens_prices", responses=PRICES)
    def get(self, request: Request, code: str) -> Response:
        """What this kitchen pays where another price was agreed with it than everybody's."""
        pages.known(request)
        found = rows.find_in(visible(Kitchen, actor_of(request)), code)
        agreed = found.agreed_prices.select_related("product").order_by("product__name", "pk")
        currency = farm().currency
        return Response(
            {
                "items": [
                    {
                        "product": each.product.public_id,
                        "price": {"amount": Money(each.price_minor, currency).decimal, "currency": currency},
                    }
                    for each in agreed
                ]
            }
        )


@action("kitchens_add", scopes=OFFICE, shape=KitchenAsked)
def add_kitchen(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Add a kitchen with its first address and its terms."""
    return made(customers.add_kitchen(**asked, **who.signed))


@action("kitchen_addresses_add", scopes=OFFICE, shape=PlaceAsked)
def add_kitchen_address(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Add one more address; the answer names the kitchen."""
    own = who.own(Kitchen)
    customers.add_address(place(asked), kitchen=own, **who.signed)
    return {"id": own}


@action("kitchens_set_substitutes", scopes=OFFICE, shape=SubstitutesAsked, status=200)
def set_substitutes(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """What this kitchen takes instead, best liked first."""
    wanted = [
        (each["strain"], each["grade"], each["instead_strain"], each["instead_grade"]) for each in asked["substitutes"]
    ]
    own = who.own(Kitchen)
    customers.set_substitutes(own, wanted, **who.signed)
    return {"id": own}


@action("kitchens_set_prices", scopes=OFFICE, shape=PricesAsked, status=200)
def set_prices(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Agree prices with this kitchen; lines already placed keep theirs."""
    wanted = [
        (each["product"], minor_of(each["price"], where=f"prices.{place}.price"))
        for place, each in enumerate(asked["prices"])
    ]
    if len(dict(wanted)) < len(wanted):
        raise Invalid("A product is named twice: give it one price.", code="named_twice", where="prices")
    own = who.own(Kitchen)
    customers.set_prices(own, dict(wanted), **who.signed)
    return {"id": own}


@action("kitchens_take_crates", scopes=frozenset({"office", "packing"}), shape=CratesAsked, status=200)
def take_crates(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Empty crates that came back outside a delivery."""
    return made(packing.take_crates(who.own(Kitchen), back=asked["back"], confirmed=asked["confirmed"], **who.signed))


def numbered(addresses: QuerySet[Address]) -> list[dict[str, Any]]:
    """A customer's addresses with the numbers that orders name them by."""
    names = [str(name) for name in AddressShape().fields if str(name) != "number"]
    return [{"number": number, **each} for number, each in enumerate(addresses.values(*names), start=1)]


def place(asked: Mapping[str, Any]) -> Place:
    """An address as the services want it."""
    return cast("Place", dict(asked))


def _show(kitchen: Kitchen, *, staff: bool) -> dict[str, Any]:
    return {
        "id": kitchen.public_id,
        "name": kitchen.name,
        "email": kitchen.email,
        "phone": kitchen.phone,
        "tier": kitchen.tier if staff else None,
        "delivery_weekdays": kitchen.delivery_weekdays,
        "max_age_days": kitchen.max_age_days,
        "chance_pct": kitchen.chance_pct,
        "tolerance_pct": kitchen.tolerance_pct,
        "round_name": kitchen.round_name,
        "crates_out": kitchen.crates_out,
        "active": kitchen.active,
    }
