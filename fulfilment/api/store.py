"""What happens to lots besides being picked, and holds on whatever must be stopped."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import pages
from fulfilment.api.actions import Asking, action, made
from fulfilment.api.crops import GROWERS
from fulfilment.api.fields import Flag, Grams, Id, Instant, Shape, Text
from fulfilment.api.keys import actor_of
from fulfilment.api.views import Endpoint
from fulfilment.core.problems import Invalid
from fulfilment.models import Hold, Lot
from fulfilment.read.holds import KINDS, stands_on
from fulfilment.read.scope import STAFF, visible
from fulfilment.services import growing, holds, rows, stock

if TYPE_CHECKING:
    from rest_framework.request import Request

KEEPERS = frozenset({"office", "grower", "packing"})


class Moved(Shape):
    """The lot after the entry, in grams or pieces."""

    lot = Id()
    moved = serializers.IntegerField()
    left = serializers.IntegerField()


class WasteAsked(Shape):
    quantity = serializers.IntegerField()
    reason = Text(required=False, default="", allow_blank=True)
    kits = serializers.ListField(child=Id(), required=False, default=list)


class TakeAsked(WasteAsked):
    kind = serializers.ChoiceField(choices=["sample", "own_use", "given_away", "sold_at_gate"])
    confirmed = Flag(required=False, default=False)


class DryAsked(Shape):
    lost_g = Grams(required=False, allow_null=True, default=None)
    counted_g = serializers.IntegerField(required=False, allow_null=True, default=None)


class CorrectAsked(Shape):
    to_quantity = serializers.IntegerField()
    reason = Text(max_length=200)


class HarvestCorrectionAsked(Shape):
    """What was really harvested; 0 where nothing of it was.  ``confirmed`` answers the question that an unlikely weight
    is met with.
    """

    weighed_g = serializers.IntegerField()
    trimmed_g = serializers.IntegerField(required=False, allow_null=True, default=None)
    reason = Text(max_length=200)
    confirmed = Flag(required=False, default=False)


class LeftInLot(Shape):
    """The lot as it is now."""

    lot = Id()
    left = serializers.IntegerField()


class HoldAsked(Shape):
    kind = serializers.ChoiceField(choices=["intake", "spawn_delivery", "input_delivery", "batch", "lot", "kit"])
    id = Id()
    reason = Text(max_length=200)


class HoldShape(Shape):
    """``on`` is what it stands on; ``outcome`` is null while it is in force."""

    id = Id()
    kind = Text()
    on = Id()
    reason = Text()
    placed_at = Instant()
    placed_by = Text()
    ended_at = Instant(allow_null=True)
    ended_by = Text(allow_null=True)
    outcome = Text(allow_null=True)


HOLDS = inline_serializer("Holds", {"items": HoldShape(many=True), "next": serializers.URLField(allow_null=True)})


class Holds(Endpoint):
    scopes = {"GET": STAFF}

    @extend_schema(
        operation_id="holds_list",
        parameters=[*pages.PARAMETERS, pages.choice("in_force", "true", "false", words="Only those, or those ended.")],
        responses=HOLDS,
    )
    def get(self, request: Request) -> Response:
        """Holds, newest first."""
        pages.known(request, "in_force")
        found = visible(Hold, actor_of(request)).select_related(*KINDS)
        match request.query_params.get("in_force"):
            case "true" | "false" as wanted:
                found = found.filter(ended_at__isnull=wanted == "true")
            case None:
                pass
            case _:
                raise Invalid("This is true or false.", where="in_force")
        return pages.page(request, found, show=_holds)


class OneHold(Endpoint):
    scopes = {"GET": STAFF}

    @extend_schema(operation_id="holds_read", responses=HoldShape)
    def get(self, request: Request, code: str) -> Response:
        """One hold."""
        pages.known(request)
        return Response(_holds([rows.find_in(visible(Hold, actor_of(request)).select_related(*KINDS), code)])[0])


@action("lots_waste", scopes=KEEPERS, shape=WasteAsked, answer=Moved)
def waste(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Thrown away."""
    return _moved(stock.waste(who.own(Lot), **asked, **who.signed_today))


@action("lots_take", scopes=KEEPERS, shape=TakeAsked, answer=Moved)
def take(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """A sample, own use, given away, sold at the gate; asks once before it takes from a planned order."""
    return _moved(stock.take(who.own(Lot), **asked, **who.signed_today))


@action("lots_dry_out", scopes=KEEPERS, shape=DryAsked, answer=Moved)
def dry_out(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """So many grams lighter, or weighed again at so many."""
    return _moved(stock.dry_out(who.own(Lot), **asked, **who.signed))


@action("lots_correct", scopes=KEEPERS, shape=CorrectAsked, answer=Moved)
def correct(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """The book is wrong: what the lot really holds, and how one knows."""
    return _moved(stock.correct(who.own(Lot), **asked, **who.signed))


@action("lots_correct_harvest", scopes=GROWERS, shape=HarvestCorrectionAsked, answer=LeftInLot)
def correct_harvest(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """The harvest behind this lot was written down wrong: lot, forecast and what is learned follow."""
    lot = growing.correct_harvest(who.own(Lot), **asked, **who.signed)
    return {"lot": lot.public_id, "left": lot.quantity}


@action("holds_place", scopes=KEEPERS, shape=HoldAsked)
def place(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Stop everything under it at once, until a named person releases or destroys it."""
    return made(holds.hold(asked["kind"], asked["id"], reason=asked["reason"], **who.signed))


@action("holds_release", scopes=frozenset({"office", "grower"}), status=200)
def release(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """It was looked into and is good."""
    return made(holds.release(who.own(Hold), **who.signed))


@action("holds_destroy", scopes=frozenset({"office", "grower"}), status=200)
def destroy(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """What is in store under it is thrown away."""
    return made(holds.destroy(who.own(Hold), **who.signed_today))


def _moved(entry: Any) -> dict[str, Any]:
    return {"lot": entry.lot.public_id, "moved": entry.quantity, "left": entry.lot.quantity}


def _holds(found: Sequence[Hold]) -> list[dict[str, Any]]:
    return [
        {
            "id": each.public_id,
            "kind": stands_on(each),
            "on": getattr(each, stands_on(each)).public_id,
            "reason": each.reason,
            "placed_at": each.placed_at,
            "placed_by": each.placed_by,
            "ended_at": each.ended_at,
            "ended_by": each.ended_by or None,
            "outcome": each.outcome or None,
        }
        for each in found
    ]
