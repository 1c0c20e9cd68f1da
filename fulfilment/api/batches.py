"""``/batches``: mixed, seen, opened for fruiting, sealed as kits; what went into each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import expected, pages
from fulfilment.api.actions import Asking, action, made
from fulfilment.api.crops import GROWERS, ObservationAsked, Observed, Seen, observed, seen, written
from fulfilment.api.expected import OutlookShape
from fulfilment.api.fields import Day, Flag, Grams, Id, Shape, Text, Units
from fulfilment.api.keys import actor_of
from fulfilment.api.views import Endpoint
from fulfilment.models import Batch
from fulfilment.read.scope import visible
from fulfilment.services import growing, kits, rows

if TYPE_CHECKING:
    from rest_framework.request import Request


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


class SealAsked(Shape):
    bags = Units()
    sealed_on = Day()


class BatchShape(Shape):
    """A batch where it stands; ``expected`` is what comes next of the bags left and why, null when none is."""

    id = Id()
    strain = Id()
    mixed_on = Day()
    bags = serializers.IntegerField()
    bags_left = serializers.IntegerField(help_text="Neither lost, opened nor sealed.")
    kit_quota = serializers.IntegerField()
    kits_ready_on = Day(allow_null=True)
    colonised_on = Day(allow_null=True)
    opens_on = Day(allow_null=True, help_text="When the plan proposes to open it.")
    expected = OutlookShape(allow_null=True)


class BatchStory(BatchShape):
    """A batch with what went into it and all that happened to it, oldest first."""

    room = Text()
    recipe = Text()
    heat_treatment = Text()
    dry_g_per_bag = serializers.IntegerField()
    wet_g_per_bag = serializers.IntegerField()
    spawn_pct = serializers.IntegerField()
    intakes = UsedAsked(many=True)
    spawn = UsedAsked(many=True)
    inputs = UsedAsked(many=True)
    crops = serializers.ListField(child=Id())
    observations = Observed(many=True)


BATCHES = inline_serializer("Batches", {"items": BatchShape(many=True), "next": serializers.URLField(allow_null=True)})


class Batches(Endpoint):
    scopes = {"GET": GROWERS}

    @extend_schema(operation_id="batches_list", parameters=pages.PARAMETERS, responses=BATCHES)
    def get(self, request: Request) -> Response:
        """Batches, newest first."""
        pages.known(request)
        return pages.page(
            request, visible(Batch, actor_of(request)).select_related("strain", "room"), show=_show_batches
        )


class OneBatch(Endpoint):
    scopes = {"GET": GROWERS}

    @extend_schema(operation_id="batches_read", responses=BatchStory)
    def get(self, request: Request, code: str) -> Response:
        """One batch with what went into it and what was seen on it."""
        pages.known(request)
        batches = visible(Batch, actor_of(request)).select_related("strain", "room")
        found = rows.find_in(
            batches.prefetch_related(
                "observations", "crops", "from_intakes__intake", "from_spawn__spawn_delivery",
                "from_inputs__input_delivery",
            ),
            code,
        )  # fmt: skip
        return Response(
            _show_batches([found])[0]
            | {
                "room": found.room.name,
                "recipe": found.recipe,
                "heat_treatment": found.heat_treatment,
                "dry_g_per_bag": found.dry_g_per_bag,
                "wet_g_per_bag": found.wet_g_per_bag,
                "spawn_pct": found.spawn_pct,
                "intakes": [{"id": e.intake.public_id, "amount": e.grams} for e in found.from_intakes.all()],
                "spawn": [{"id": e.spawn_delivery.public_id, "amount": e.grams} for e in found.from_spawn.all()],
                "inputs": [{"id": e.input_delivery.public_id, "amount": e.amount} for e in found.from_inputs.all()],
                "crops": [each.public_id for each in found.crops.all()],
                "observations": [observed(each) for each in sorted(found.observations.all(), key=written)],
            }
        )


@action("batches_mix", scopes=GROWERS, shape=BatchAsked)
def mix_batch(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Bags mixed on one day from known intakes and deliveries."""
    rest = {name: value for name, value in asked.items() if name != "strain"}
    for name in ("intakes", "spawn", "inputs"):
        rest[name] = [(each["id"], each["amount"]) for each in rest[name]]
    return made(growing.mix_batch(asked["strain"], **rest, **who.signed_today))


@action("batches_open_crop", scopes=GROWERS, shape=CropAsked)
def open_crop(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Open bags of a batch for fruiting.  Wear a mask where bags are opened and picked, and air the room."""
    return made(growing.open_crop(who.own(Batch), **asked, **who.signed_today))


@action("batches_observe", scopes=GROWERS, shape=ObservationAsked, answer=Seen)
def observe_batch(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Log something seen on a batch: run a quarter, half, full, core temperature, bags lost."""
    return seen(growing.log_observation(batch=who.own(Batch), **asked, **who.signed_today))


@action("batches_seal_kits", scopes=GROWERS | {"packing"}, shape=SealAsked)
def seal(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Seal grown-through bags as kits; they make a lot."""
    # Packers seal too, though what grows is not theirs to read.
    batch = rows.find(Batch, who.path["code"])
    return made(kits.seal(batch.public_id, **asked, **who.signed_today))


def _show_batches(found: Sequence[Batch]) -> list[dict[str, Any]]:
    coming = expected.of_batches(found)
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
            "expected": coming[batch.pk],
        }
        for batch in found
    ]
