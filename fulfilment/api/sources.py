"""Where bags come from: donors and their intakes, suppliers and their deliveries."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from django.db.models import Sum
from django.db.models.functions import Coalesce
from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import pages
from fulfilment.api.actions import Asking, action, made
from fulfilment.api.fields import Day, Flag, Grams, Id, Shape, Text, Units
from fulfilment.api.keys import actor_of
from fulfilment.api.views import Endpoint
from fulfilment.models import Donor, InputDelivery, Intake, SpawnDelivery, Supplier
from fulfilment.read.scope import visible
from fulfilment.services import growing

if TYPE_CHECKING:
    from rest_framework.request import Request

GROWERS = frozenset({"office", "grower"})


class PersonAsked(Shape):
    name = Text(max_length=120)
    email = Text(required=False, default="", allow_blank=True)
    phone = Text(required=False, default="", allow_blank=True)


class DonorAsked(PersonAsked):
    kitchen = Id(required=False, default="", allow_blank=True, help_text="Where it buys mushrooms too.")


class IntakeAsked(Shape):
    donor = Id()
    grams = Grams()
    collected_on = Day()
    hours_since_brewing = serializers.IntegerField(min_value=0)
    accepted = Flag(required=False, default=True)
    refused_because = Text(required=False, default="", allow_blank=True)
    allergens = Text(required=False, default="", allow_blank=True)


class SpawnAsked(Shape):
    supplier = Id()
    strain = Id()
    grams = Grams()
    received_on = Day()
    supplier_lot = Text(required=False, default="", allow_blank=True)
    allergens = Text(required=False, default="", allow_blank=True)


class InputAsked(Shape):
    supplier = Id()
    kind = serializers.ChoiceField(choices=["straw", "lime", "bags", "bran", "other"])
    amount = Units(help_text="Grams; pieces for bags.")
    received_on = Day()
    supplier_lot = Text(required=False, default="", allow_blank=True)
    allergens = Text(required=False, default="", allow_blank=True)


class PersonShape(Shape):
    id = Id()
    name = Text()
    email = Text()
    phone = Text()


class DonorShape(PersonShape):
    kitchen = Id(allow_null=True)


class IntakeShape(Shape):
    """``used_g`` is what batches have of it."""

    id = Id()
    donor = Id()
    collected_on = Day()
    grams = serializers.IntegerField()
    used_g = serializers.IntegerField()
    hours_since_brewing = serializers.IntegerField()
    accepted = Flag()
    refused_because = Text()
    allergens = Text()


class SpawnShape(Shape):
    """``used_g`` is what batches have of it."""

    id = Id()
    supplier = Id()
    strain = Id()
    received_on = Day()
    grams = serializers.IntegerField()
    used_g = serializers.IntegerField()
    supplier_lot = Text()
    allergens = Text()


class InputShape(Shape):
    """Grams; pieces for bags."""

    id = Id()
    supplier = Id()
    kind = Text()
    received_on = Day()
    amount = serializers.IntegerField()
    used = serializers.IntegerField()
    supplier_lot = Text()
    allergens = Text()


def _listed(name: str, shape: type[Shape]) -> serializers.Serializer[Any]:
    return inline_serializer(name, {"items": shape(many=True), "next": serializers.URLField(allow_null=True)})


class Donors(Endpoint):
    scopes = {"GET": GROWERS}

    @extend_schema(operation_id="donors_list", parameters=pages.PARAMETERS, responses=_listed("Donors", DonorShape))
    def get(self, request: Request) -> Response:
        """Who gives grounds, newest first."""
        pages.known(request)
        return pages.page(request, visible(Donor, actor_of(request)).select_related("kitchen"), show=_donors)


class Suppliers(Endpoint):
    scopes = {"GET": GROWERS}

    @extend_schema(
        operation_id="suppliers_list", parameters=pages.PARAMETERS, responses=_listed("Suppliers", PersonShape)
    )
    def get(self, request: Request) -> Response:
        """Who sells spawn, straw, lime or bags, newest first."""
        pages.known(request)
        return pages.page(
            request, visible(Supplier, actor_of(request)), show=lambda found: [_person(each) for each in found]
        )


class Intakes(Endpoint):
    scopes = {"GET": GROWERS}

    @extend_schema(operation_id="intakes_list", parameters=pages.PARAMETERS, responses=_listed("Intakes", IntakeShape))
    def get(self, request: Request) -> Response:
        """Grounds as they came, newest first, with how much of each is in bags."""
        pages.known(request)
        found = visible(Intake, actor_of(request)).select_related("donor")
        return pages.page(request, found.annotate(used=Coalesce(Sum("into_batches__grams"), 0)), show=_intakes)


class SpawnDeliveries(Endpoint):
    scopes = {"GET": GROWERS}

    @extend_schema(
        operation_id="spawn_deliveries_list",
        parameters=pages.PARAMETERS,
        responses=_listed("SpawnDeliveries", SpawnShape),
    )
    def get(self, request: Request) -> Response:
        """Spawn as it came, newest first, with how much of each is in bags."""
        pages.known(request)
        found = visible(SpawnDelivery, actor_of(request)).select_related("supplier", "strain")
        return pages.page(request, found.annotate(used=Coalesce(Sum("into_batches__grams"), 0)), show=_spawn)


class InputDeliveries(Endpoint):
    scopes = {"GET": GROWERS}

    @extend_schema(
        operation_id="input_deliveries_list",
        parameters=pages.PARAMETERS,
        responses=_listed("InputDeliveries", InputShape),
    )
    def get(self, request: Request) -> Response:
        """Straw, lime, bags and the like as they came, newest first."""
        pages.known(request)
        found = visible(InputDelivery, actor_of(request)).select_related("supplier")
        return pages.page(request, found.annotate(used=Coalesce(Sum("into_batches__amount"), 0)), show=_inputs)


@action("donors_add", scopes=GROWERS, shape=DonorAsked)
def add_donor(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Add somebody who gives grounds."""
    return made(growing.add_donor(**asked, **who.signed))


@action("suppliers_add", scopes=GROWERS, shape=PersonAsked)
def add_supplier(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Add somebody who sells spawn, straw, lime or bags."""
    return made(growing.add_supplier(**asked, **who.signed))


@action("intakes_log", scopes=GROWERS, shape=IntakeAsked)
def log_intake(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Log grounds collected from a donor, or refused and why."""
    donor, rest = _split(asked, "donor")
    return made(growing.log_intake(donor, **rest, **who.signed_today))


@action("spawn_deliveries_log", scopes=GROWERS, shape=SpawnAsked)
def log_spawn(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Log spawn received."""
    supplier, rest = _split(asked, "supplier")
    return made(growing.log_spawn(supplier, **rest, **who.signed_today))


@action("input_deliveries_log", scopes=GROWERS, shape=InputAsked)
def log_input(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Log straw, lime, bags or another delivery."""
    supplier, rest = _split(asked, "supplier")
    rest["amount_received"] = rest.pop("amount")
    return made(growing.log_input(supplier, **rest, **who.signed_today))


def _split(asked: Mapping[str, Any], name: str) -> tuple[Any, dict[str, Any]]:
    return asked[name], {key: value for key, value in asked.items() if key != name}


def _person(row: Donor | Supplier) -> dict[str, Any]:
    return {"id": row.public_id, "name": row.name, "email": row.email, "phone": row.phone}


def _donors(found: Sequence[Donor]) -> list[dict[str, Any]]:
    return [_person(each) | {"kitchen": each.kitchen.public_id if each.kitchen else None} for each in found]


def _intakes(found: Sequence[Any]) -> list[dict[str, Any]]:
    return [
        {
            "id": each.public_id,
            "donor": each.donor.public_id,
            "collected_on": each.collected_on,
            "grams": each.grams,
            "used_g": each.used,
            "hours_since_brewing": each.hours_since_brewing,
            "accepted": each.accepted,
            "refused_because": each.refused_because,
            "allergens": each.allergens,
        }
        for each in found
    ]


def _spawn(found: Sequence[Any]) -> list[dict[str, Any]]:
    return [
        {
            "id": each.public_id,
            "supplier": each.supplier.public_id,
            "strain": each.strain.public_id,
            "received_on": each.received_on,
            "grams": each.grams,
            "used_g": each.used,
            "supplier_lot": each.supplier_lot,
            "allergens": each.allergens,
        }
        for each in found
    ]


def _inputs(found: Sequence[Any]) -> list[dict[str, Any]]:
    return [
        {
            "id": each.public_id,
            "supplier": each.supplier.public_id,
            "kind": each.kind,
            "received_on": each.received_on,
            "amount": each.amount,
            "used": each.used,
            "supplier_lot": each.supplier_lot,
            "allergens": each.allergens,
        }
        for each in found
    ]
