"""What happens to lots besides being picked, and holds on whatever must be stopped."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rest_framework import serializers

from fulfilment.api.actions import Asking, action, made
from fulfilment.api.fields import Flag, Grams, Id, Shape, Text
from fulfilment.models import Lot
from fulfilment.services import holds, stock

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


class HoldAsked(Shape):
    kind = serializers.ChoiceField(choices=["intake", "spawn_delivery", "input_delivery", "batch", "lot", "kit"])
    id = Id()
    reason = Text(max_length=200)


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


@action("holds_place", scopes=KEEPERS, shape=HoldAsked)
def place(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Stop everything under it at once, until a named person releases or destroys it."""
    return made(holds.hold(asked["kind"], asked["id"], reason=asked["reason"], **who.signed))


@action("holds_release", scopes=frozenset({"office", "grower"}), status=200)
def release(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """It was looked into and is good."""
    return made(holds.release(who.path["code"], **who.signed))


@action("holds_destroy", scopes=frozenset({"office", "grower"}), status=200)
def destroy(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """What is in store under it is thrown away."""
    return made(holds.destroy(who.path["code"], **who.signed_today))


def _moved(entry: Any) -> dict[str, Any]:
    return {"lot": entry.lot.public_id, "moved": entry.quantity, "left": entry.lot.quantity}
