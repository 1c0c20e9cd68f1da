"""``/picks``, ``/rounds``, ``/shipments``: from store to the door, for hand-helds and scales."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import pages
from fulfilment.api.actions import Asking, action, made
from fulfilment.api.fields import Day, Flag, Grams, Id, Instant, Shape, Text
from fulfilment.api.keys import actor_of
from fulfilment.api.orders import amount_of
from fulfilment.api.views import Endpoint
from fulfilment.core.problems import Invalid
from fulfilment.models import Pick, Round, Shipment
from fulfilment.read.scope import visible
from fulfilment.services import packing, rows

if TYPE_CHECKING:
    from rest_framework.request import Request

PACKERS = frozenset({"office", "packing"})


class PickAsked(Shape):
    """What was taken from which lot for which line (``K7Q2-M4XJ/1``): net grams, or what a scale shows with its tare,
    or units for kits.
    """

    line = Text(max_length=20)
    lot = Id()
    gross_g = Grams(required=False, help_text="As the scale shows it, crate and all; with tare_g.")
    tare_g = Grams(required=False, at_least=0, help_text="The empty crate.")
    amount_g = serializers.IntegerField(required=False)
    units = serializers.IntegerField(required=False)
    kits = serializers.ListField(child=Id(), required=False, default=list, max_length=200)
    reason = Text(required=False, default="", allow_blank=True, max_length=200)
    confirmed = Flag(required=False, default=False)


class PickMade(Shape):
    id = Id()
    line = Text()
    lot = Id()
    amount = serializers.IntegerField()
    picked = serializers.IntegerField(help_text="What the line has now.")
    promised = serializers.IntegerField()


class UndoAsked(Shape):
    reason = Text(required=False, default="", allow_blank=True, max_length=200)


class CloseAsked(Shape):
    """Crates out by shipment id."""

    crates = serializers.DictField(child=serializers.IntegerField(min_value=0), required=False, default=dict)


class ParcelAsked(Shape):
    """``confirmed`` answers the question that a parcel which lacks something is met with."""

    carrier = Text(max_length=60)
    tracking = Text(required=False, default="", allow_blank=True, max_length=60)
    link = Text(required=False, default="", allow_blank=True, max_length=300, help_text="https, where it is followed.")
    confirmed = Flag(required=False, default=False)


class CollectionAsked(Shape):
    """``confirmed`` answers the question that goods of which something is lacking are met with."""

    confirmed = Flag(required=False, default=False)


class RefusedAsked(Shape):
    line = Text(max_length=20)
    amount = serializers.IntegerField(min_value=1)
    reason = Text(max_length=200)


class DeliveryAsked(Shape):
    refused = RefusedAsked(many=True, required=False, default=list)
    crates_back = serializers.IntegerField(required=False, default=0, min_value=0)
    confirmed = Flag(required=False, default=False)


class RoundShape(Shape):
    id = Id()
    on = Day()
    name = Text()
    closed_at = Instant(allow_null=True)
    stops = serializers.ListField(child=Id(), help_text="Shipments in the order of the way.")


class ShipmentShape(Shape):
    id = Id()
    on = Day()
    way = Text()
    state = Text()
    frozen = Flag()
    cut_off_at = Instant()
    sent_at = Instant(allow_null=True)
    delivered_at = Instant(allow_null=True)
    delivery_note = serializers.IntegerField(allow_null=True)
    orders = serializers.ListField(child=Id())


ROUNDS = inline_serializer("Rounds", {"items": RoundShape(many=True), "next": serializers.URLField(allow_null=True)})


@action("picks_make", scopes=PACKERS, shape=PickAsked, answer=PickMade)
def pick(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Record a pick as it is, short or heavy.  What is unlikely is asked once: repeat with ``confirmed``."""
    asked = _weighed(asked)
    taken = packing.pick(
        asked["line"],
        lot=asked["lot"],
        amount=amount_of(asked),
        kit_numbers=asked["kits"],
        reason=asked["reason"],
        confirmed=asked["confirmed"],
        **who.signed_today,
    )
    return _show_pick(taken)


@action("picks_undo", scopes=PACKERS, shape=UndoAsked, answer=PickMade)
def undo(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Put a pick back, once, as long as it has not left the farm."""
    return _show_pick(packing.undo_pick(who.own(Pick), reason=asked["reason"], **who.signed_today))


class Rounds(Endpoint):
    scopes = {"GET": PACKERS}

    @extend_schema(operation_id="rounds_list", parameters=[*pages.PARAMETERS, pages.ON], responses=ROUNDS)
    def get(self, request: Request) -> Response:
        """Rounds with their stops, newest first."""
        pages.known(request, "on")
        rounds = visible(Round, actor_of(request)).prefetch_related("stops__shipment")
        on = pages.day(request)
        return pages.page(request, rounds if on is None else rounds.filter(on=on), show=_show_rounds)


@action("rounds_close", scopes=PACKERS, shape=CloseAsked, status=200)
def close(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """The round leaves: each packed stop is sent with its delivery note."""
    return made(packing.close_round(who.own(Round), crates=asked["crates"], **who.signed_today))


class OneShipment(Endpoint):
    scopes = {"GET": PACKERS | {"kitchen", "shop"}}

    @extend_schema(operation_id="shipments_read", responses=ShipmentShape)
    def get(self, request: Request, code: str) -> Response:
        """One delivery: how far it is, and its delivery note's number."""
        pages.known(request)
        found = rows.find_in(visible(Shipment, actor_of(request)).select_related("delivery_note"), code)
        note = getattr(found, "delivery_note", None)
        return Response(
            {
                "id": found.public_id,
                "on": found.on,
                "way": found.way,
                "state": found.state,
                "frozen": datetime.now(UTC) >= found.cut_off_at,
                "cut_off_at": found.cut_off_at,
                "sent_at": found.sent_at,
                "delivered_at": found.delivered_at,
                "delivery_note": note.number if note is not None else None,
                "orders": sorted(set(found.lines.values_list("order__public_id", flat=True))),
            }
        )


@action("shipments_hand_parcel", scopes=PACKERS, shape=ParcelAsked, status=200)
def hand_parcel(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Hand a packed parcel to the carrier; its kits' care begins.  One that lacks something is asked about once."""
    parcel = packing.hand_parcel(who.own(Shipment), **asked, **who.signed_today)
    return made(parcel.shipment)


@action("shipments_deliver", scopes=PACKERS, shape=DeliveryAsked, status=200)
def deliver(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """At the door: what was refused and why, and empty crates taken back."""
    refused = [(each["line"], each["amount"], each["reason"]) for each in asked["refused"]]
    return made(
        packing.deliver(
            who.own(Shipment),
            refused=refused,
            crates_back=asked["crates_back"],
            confirmed=asked["confirmed"],
            **who.signed_today,
        )
    )


@action("shipments_collect", scopes=PACKERS, shape=CollectionAsked, status=200)
def collect(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """The customer fetched it.  What lacks something is asked about once: repeat with ``confirmed``."""
    return made(packing.collect(who.own(Shipment), confirmed=asked["confirmed"], **who.signed_today))


def _weighed(asked: Mapping[str, Any]) -> Mapping[str, Any]:
    """With the net weight, where a scale gave gross and tare; given all three, they must agree."""
    gross, tare = asked.get("gross_g"), asked.get("tare_g")
    if gross is None and tare is None:
        if asked.get("amount_g") is None and asked.get("units") is None:
            raise Invalid(
                "Say what was taken: amount_g, or gross_g with tare_g as a scale shows them, or units for kits.",
                code="missing",
                where="amount_g",
            )
        return asked
    if gross is None or tare is None:
        raise Invalid(
            "A scale's weight is gross_g and tare_g together, tare 0 where there is none.",
            code="missing",
            where="gross_g" if gross is None else "tare_g",
        )
    if tare >= gross:
        raise Invalid(
            f"The scale shows {gross} g and the empty crate weighs {tare} g: nothing would be left. Weigh again.",
            code="tare_above_gross",
            where="tare_g",
        )
    net = asked.get("amount_g", gross - tare)
    if net != gross - tare:
        raise Invalid(
            f"{gross} g less {tare} g is {gross - tare} g, not {net} g: leave one of the three out, or correct it.",
            code="net_differs",
            where="amount_g",
        )
    return {**asked, "amount_g": net}


def _show_pick(taken: Pick) -> dict[str, Any]:
    line = taken.line
    line.refresh_from_db(fields=["picked", "promised"])
    return {
        "id": taken.public_id, "line": f"{line.order.public_id}/{line.number}", "lot": taken.lot.public_id,
        "amount": taken.amount, "picked": line.picked, "promised": line.promised,
    }  # fmt: skip


def _show_rounds(rounds: Any) -> list[dict[str, Any]]:
    return [
        {
            "id": each.public_id, "on": each.on, "name": each.name, "closed_at": each.closed_at,
            "stops": [s.shipment.public_id for s in sorted(each.stops.all(), key=lambda stop: stop.position)],
        }
        for each in rounds
    ]  # fmt: skip
