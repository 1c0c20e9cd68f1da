"""``/strains`` and ``/products``: what is grown and how long it keeps, what is sold in which pack at which price."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import etags, pages
from fulfilment.api.actions import Asking, Made, action, made
from fulfilment.api.fields import Changed, Flag, Id, Price, Shape, Text, read
from fulfilment.api.keys import actor_of
from fulfilment.api.views import Endpoint
from fulfilment.core.problems import Invalid
from fulfilment.core.units import KIT, Money
from fulfilment.models import Product, Strain
from fulfilment.read.farm import farm
from fulfilment.read.scope import EVERYBODY, visible
from fulfilment.services import farm as services
from fulfilment.services import ordering, rows

if TYPE_CHECKING:
    from rest_framework.request import Request

    from fulfilment.read.scope import Actor

OFFICE = frozenset({"office"})
KINDS: Final = ("fresh", "kits")
KIND: Final = pages.choice("kind", *KINDS, words="Fresh mushrooms or kits only.")


class GradeKept(Shape):
    """How long a grade keeps once harvested; ``use_by``: past it nothing is picked, whoever asks."""

    grade = Text(max_length=20)
    best_before_days = serializers.IntegerField()
    use_by = Flag(required=False, default=False)


class StrainShape(Shape):
    """``kit_weeks`` count from the day a bag was grown through to the kit's start-by date."""

    id = Id()
    name = Text()
    species = Text(allow_blank=True)
    hardy = Flag()
    kit_weeks = serializers.IntegerField()
    grades = GradeKept(many=True)


class StrainAsked(Shape):
    """``profile`` names how it grows, in the farm and as a kit, to begin with; the farm's own logs teach better."""

    name = Text(max_length=60)
    profile = serializers.ChoiceField(choices=sorted(services.KNOWN_GROWTH))
    species = Text(required=False, default="", allow_blank=True, max_length=80)
    hardy = Flag(required=False, default=True)
    cold_wait_days = serializers.IntegerField(required=False, default=14)
    kit_weeks = serializers.IntegerField(required=False, default=8)


class ProductShape(Shape):
    """``pack`` is grams of one pack (order whole packs), 1 for kits; the price is per kilo, or per kit, and a kitchen's
    own where one was agreed with it.
    """

    id = Id()
    name = Text()
    strain = Id()
    grade = Text()
    unit = serializers.ChoiceField(choices=["g", "units"])
    pack = serializers.IntegerField()
    price = Price()
    active = serializers.BooleanField()


class ProductAsked(Shape):
    """``price`` is per kilo, or per kit, in the farm's currency."""

    strain = Id()
    grade = Text(max_length=20)
    pack = serializers.IntegerField()
    price = Price()
    name = Text(max_length=80)


class ProductChanged(Changed):
    """What is left out stays as it is, and nothing of it can be emptied; lines already placed keep their price."""

    name = Text(required=False, max_length=80)
    price = Price(required=False)
    active = Flag(required=False)


STRAINS = inline_serializer("Strains", {"items": StrainShape(many=True), "next": serializers.URLField(allow_null=True)})
PRODUCTS = inline_serializer(
    "Products", {"items": ProductShape(many=True), "next": serializers.URLField(allow_null=True)}
)


class Strains(Endpoint):
    scopes = {"GET": EVERYBODY}

    @extend_schema(operation_id="strains_list", parameters=pages.PARAMETERS, responses=STRAINS)
    def get(self, request: Request) -> Response:
        """What is grown, with its grades, newest first."""
        pages.known(request)
        return pages.page(request, visible(Strain, actor_of(request)).prefetch_related("keeping"), show=_strains)


class OneStrain(Endpoint):
    scopes = {"GET": EVERYBODY}

    @extend_schema(operation_id="strains_read", responses=StrainShape)
    def get(self, request: Request, code: str) -> Response:
        """One strain."""
        pages.known(request)
        return Response(_strains([rows.find_in(visible(Strain, actor_of(request)), code)])[0])


@action("strains_register", scopes=OFFICE, shape=StrainAsked)
def register_strain(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Register a strain to grow."""
    rest = {name: value for name, value in asked.items() if name != "profile"}
    return made(services.register_strain(growth=asked["profile"], kit=asked["profile"], **rest, **who.signed))


@action("strains_keep", scopes=OFFICE, shape=GradeKept)
def keep(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Say how long a grade keeps; lots already made keep the date they were made with."""
    return made(services.keep(who.own(Strain), **asked, **who.signed).strain)


class Products(Endpoint):
    scopes = {"GET": EVERYBODY}

    @extend_schema(operation_id="products_list", parameters=[*pages.PARAMETERS, KIND], responses=PRODUCTS)
    def get(self, request: Request) -> Response:
        """What can be ordered, with its pack and price."""
        pages.known(request, KIND.name)
        actor = actor_of(request)
        products = visible(Product, actor).select_related("strain")
        kind = pages.chosen(request, KIND.name, KINDS)
        if kind is not None:
            products = products.filter(grade=KIT) if kind == "kits" else products.exclude(grade=KIT)
        return pages.page(request, products, show=lambda found: _products(found, actor))


class OneProduct(Endpoint):
    scopes = {"GET": EVERYBODY, "PATCH": OFFICE}

    @extend_schema(operation_id="products_read", responses=ProductShape)
    def get(self, request: Request, code: str) -> Response:
        """One product, with its entity tag."""
        pages.known(request)
        actor = actor_of(request)
        found = rows.find_in(visible(Product, actor).select_related("strain"), code)
        return Response(_products([found], actor)[0], headers={"ETag": etags.tag(found)})

    @extend_schema(operation_id="products_change", parameters=[etags.PARAMETER], request=ProductChanged, responses=Made)
    def patch(self, request: Request, code: str) -> Response:
        """Another name or price for lines to come, or no lines at all any more."""
        asked = dict(read(ProductChanged, request.data))
        if "price" in asked:
            asked["price_minor"] = minor_of(asked.pop("price"))
        return etags.change(
            request, Product, code, lambda own, who: services.change_product(own, **asked, **who.signed)
        )


@action("products_add", scopes=OFFICE, shape=ProductAsked)
def add_product(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Add something to order: a grade in packs of so many grams, or single kits (grade ``kit``, pack 1)."""
    rest = {name: value for name, value in asked.items() if name not in ("strain", "price")}
    return made(services.add_product(asked["strain"], price_minor=minor_of(asked["price"]), **rest, **who.signed))


def minor_of(price: Money, *, where: str = "price") -> int:
    """The price in minor units of the farm's currency."""
    currency = farm().currency
    if price.currency != currency:
        raise Invalid(
            f"The farm sells in {currency}: give the price in {currency}.", code="wrong_currency", where=where
        )
    return price.amount


def _strains(found: Sequence[Strain]) -> list[dict[str, Any]]:
    return [
        {
            "id": each.public_id,
            "name": each.name,
            "species": each.species,
            "hardy": each.hardy,
            "kit_weeks": each.kit_weeks,
            "grades": [
                {"grade": kept.grade, "best_before_days": kept.best_before_days, "use_by": kept.use_by}
                for kept in each.keeping.all()
            ],
        }
        for each in found
    ]


def _products(found: Sequence[Product], actor: Actor) -> list[dict[str, Any]]:
    currency = farm().currency
    prices = ordering.prices(actor.kitchen_id, found)
    return [
        {
            "id": each.public_id,
            "name": each.name,
            "strain": each.strain.public_id,
            "grade": each.grade,
            "unit": "units" if each.is_kit else "g",
            "pack": each.pack,
            "price": {"amount": Money(prices[each.pk], currency).decimal, "currency": currency},
            "active": each.active,
        }
        for each in found
    ]
