"""From grounds to crops: donors, suppliers, intakes, deliveries, rooms, batches, crops, observations, readings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import pages
from fulfilment.api.actions import Asking, action, made
from fulfilment.api.fields import Day, Flag, Grams, Id, Instant, Shape, Text, Units
from fulfilment.api.keys import actor_of
from fulfilment.api.views import Endpoint
from fulfilment.models import Batch, Crop, Forecast
from fulfilment.read.scope import visible
from fulfilment.services import farm, growing, kits

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


class RoomAsked(Shape):
    name = Text(max_length=60)
    kind = serializers.ChoiceField(choices=["incubation", "fruiting", "cold"])
    set_point_c = serializers.FloatField()


class ReadingAsked(Shape):
    room = Id()
    celsius = serializers.FloatField()
    at = Instant()


class ReadingMade(Shape):
    room = Id()
    celsius = serializers.FloatField()


class UsedAsked(Shape):
    """So much of this intake or delivery; grams, pieces for bags."""

    id = Id()
    amount = Units()


class BatchAsked(Shape):
    strain = Id()
    mixed_on = Day()
    bags = Units()
    dry_g_per_bag = Grams()
    wet_g_per_bag = Grams()
    spawn_pct = serializers.IntegerField()
    room = Id()
    intakes = UsedAsked(many=True)
    spawn = UsedAsked(many=True)
    inputs = UsedAsked(many=True, required=False, default=list)
    heat_treatment = Text(required=False, default="", allow_blank=True)
    recipe = Text(required=False, default="", allow_blank=True)
    kits_wanted = serializers.IntegerField(required=False, default=0)
    confirmed = Flag(required=False, default=False)


class CropAsked(Shape):
    bags = Units()
    room = Id()
    opened_on = Day()
    confirmed = Flag(required=False, default=False)


class ObservationAsked(Shape):
    kind = Text(max_length=20)
    seen_on = Day()
    bags = serializers.IntegerField(required=False, allow_null=True, default=None)
    cause = Text(required=False, default="", allow_blank=True)
    celsius = serializers.FloatField(required=False, allow_null=True, default=None)
    flush = serializers.IntegerField(required=False, allow_null=True, default=None)
    note = Text(required=False, default="", allow_blank=True)


class Seen(Shape):
    kind = Text()
    seen_on = Day()
    flush = serializers.IntegerField(allow_null=True)


class SealAsked(Shape):
    bags = Units()
    sealed_on = Day()


class CropShape(Shape):
    """A crop where it stands; ``expected`` is what the newest forecast says of it, null before there is one."""

    id = Id()
    batch = Id()
    strain = Id()
    room = Text()
    opened_on = Day()
    bags = serializers.IntegerField(help_text="Alive.")
    flush = serializers.IntegerField()
    stage = Text()
    stage_since = Day()
    expected = serializers.DictField(allow_null=True)


class BatchShape(Shape):
    id = Id()
    strain = Id()
    mixed_on = Day()
    bags = serializers.IntegerField()
    bags_left = serializers.IntegerField(help_text="Neither lost, opened nor sealed.")
    kit_quota = serializers.IntegerField()
    kits_ready_on = Day(allow_null=True)
    colonised_on = Day(allow_null=True)
    opens_on = Day(allow_null=True, help_text="When the plan proposes to open it.")


CROPS = inline_serializer("Crops", {"items": CropShape(many=True), "next": serializers.URLField(allow_null=True)})
BATCHES = inline_serializer("Batches", {"items": BatchShape(many=True), "next": serializers.URLField(allow_null=True)})


class Crops(Endpoint):
    scopes = {"GET": GROWERS}

    @extend_schema(operation_id="crops_list", parameters=pages.PARAMETERS, responses=CROPS)
    def get(self, request: Request) -> Response:
        """Crops that are not finished, with what comes next of each, newest first."""
        pages.known(request)
        crops = visible(Crop, actor_of(request)).filter(finished_on__isnull=True)
        return pages.page(request, crops.select_related("batch__strain", "room"), show=_show_crops)


class Batches(Endpoint):
    scopes = {"GET": GROWERS}

    @extend_schema(operation_id="batches_list", parameters=pages.PARAMETERS, responses=BATCHES)
    def get(self, request: Request) -> Response:
        """Batches, newest first."""
        pages.known(request)
        return pages.page(request, visible(Batch, actor_of(request)).select_related("strain"), show=_show_batches)


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


@action("rooms_add", scopes=GROWERS, shape=RoomAsked)
def add_room(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Add an incubation, fruiting or cold room with the temperature it is kept at."""
    return made(farm.add_room(**asked, **who.signed))


@action("readings_log", scopes=GROWERS, shape=ReadingAsked, answer=ReadingMade)
def log_reading(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Log a room's temperature at an instant."""
    reading = growing.log_reading(asked["room"], celsius=asked["celsius"], at=asked["at"], **who.signed)
    return {"room": reading.room.public_id, "celsius": reading.celsius_tenths / 10}


@action("batches_mix", scopes=GROWERS, shape=BatchAsked)
def mix_batch(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Bags mixed on one day from known intakes and deliveries."""
    strain, rest = _split(asked, "strain")
    for name in ("intakes", "spawn", "inputs"):
        rest[name] = [(each["id"], each["amount"]) for each in rest[name]]
    return made(growing.mix_batch(strain, **rest, **who.signed_today))


@action("batches_open_crop", scopes=GROWERS, shape=CropAsked)
def open_crop(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Open bags of a batch for fruiting.  Wear a mask where bags are opened and picked, and air the room."""
    return made(growing.open_crop(who.own(Batch), **asked, **who.signed_today))


@action("batches_observe", scopes=GROWERS, shape=ObservationAsked, answer=Seen)
def observe_batch(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Log something seen on a batch: run a quarter, half, full, core temperature, bags lost."""
    return _seen(growing.log_observation(batch=who.own(Batch), **asked, **who.signed_today))


@action("crops_observe", scopes=GROWERS, shape=ObservationAsked, answer=Seen)
def observe_crop(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Log something seen or done on a crop: pins, flush ended, rewatered, bags lost, finished."""
    return _seen(growing.log_observation(crop=who.own(Crop), **asked, **who.signed_today))


@action("batches_seal_kits", scopes=GROWERS | {"packing"}, shape=SealAsked)
def seal(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Seal grown-through bags as kits; they make a lot."""
    return made(kits.seal(who.path["code"], **asked, **who.signed_today))


def _split(asked: Mapping[str, Any], name: str) -> tuple[Any, dict[str, Any]]:
    return asked[name], {key: value for key, value in asked.items() if key != name}


def _seen(observation: Any) -> dict[str, Any]:
    return {"kind": observation.kind, "seen_on": observation.seen_on, "flush": observation.flush}


def _show_crops(found: Sequence[Crop]) -> list[dict[str, Any]]:
    newest = Forecast.objects.order_by("-pk").first()
    outlooks = newest.outlooks if newest is not None else {}
    return [
        {
            "id": crop.public_id,
            "batch": crop.batch.public_id,
            "strain": crop.batch.strain.public_id,
            "room": crop.room.name,
            "opened_on": crop.opened_on,
            "bags": crop.bags_alive,
            "flush": crop.flush,
            "stage": crop.stage,
            "stage_since": crop.stage_since,
            "expected": outlooks.get(f"crop:{crop.pk}"),
        }
        for crop in found
    ]


def _show_batches(found: Sequence[Batch]) -> list[dict[str, Any]]:
    return [
        {
            "id": batch.public_id,
            "strain": batch.strain.public_id,
            "mixed_on": batch.mixed_on,
            "bags": batch.bags,
            "bags_left": batch.bags_left,
            "kit_quota": batch.kit_quota,
            "kits_ready_on": batch.kits_ready_on,
            "colonised_on": batch.colonised_on,
            "opens_on": batch.opens_on,
        }
        for batch in found
    ]
