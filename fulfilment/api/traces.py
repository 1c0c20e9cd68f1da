"""``/traces``: a code in, the whole path out, back to grounds and spawn and forward to whoever has it."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import pages
from fulfilment.api.fields import Day, Flag, Id, Shape, Text
from fulfilment.api.keys import actor_of
from fulfilment.api.views import Endpoint
from fulfilment.core import codes
from fulfilment.read.scope import STAFF
from fulfilment.read.trace import trace

if TYPE_CHECKING:
    from rest_framework.request import Request

CONTACTS = frozenset({"office"})


class PersonTraced(Shape):
    """``name``, ``email`` and ``phone`` are told to the office only, and null to others."""

    kind = Text()
    id = Id()
    name = Text(allow_null=True)
    email = Text(allow_null=True)
    phone = Text(allow_null=True)


class UsedTraced(Shape):
    batch = Id()
    amount = serializers.IntegerField()


class SourceTraced(Shape):
    """An intake or a delivery with what the batches of this trace have of it."""

    kind = Text()
    id = Id()
    what = Text()
    on = Day()
    amount = serializers.IntegerField()
    supplier_lot = Text()
    allergens = Text()
    giver = PersonTraced()
    used = UsedTraced(many=True)


class BatchTraced(Shape):
    id = Id()
    strain = Text()
    mixed_on = Day()
    room = Text()
    bags = serializers.IntegerField()
    held = Flag()


class LotTraced(Shape):
    """``ledger`` sums the lot's entries by kind, signed, in grams or pieces; together they are ``in_store``."""

    id = Id()
    kind = Text()
    strain = Text()
    grade = Text()
    batch = Id()
    crop = Id(allow_null=True)
    flush = serializers.IntegerField(allow_null=True)
    ready_on = Day()
    best_before_on = Day()
    in_store = serializers.IntegerField()
    held = Flag()
    ledger = serializers.DictField(child=serializers.IntegerField())


class TakenTraced(Shape):
    lot = Id()
    amount = serializers.IntegerField()


class LineTraced(Shape):
    """``taken`` is what the line has of the lots of this trace."""

    id = Text()
    product = Text()
    on = Day()
    shipment = Id()
    state = Text()
    delivery_note = serializers.IntegerField(allow_null=True)
    customer = PersonTraced()
    picked = serializers.IntegerField()
    refused = serializers.IntegerField()
    taken = TakenTraced(many=True)


class KitTraced(Shape):
    id = Id()
    lot = Id()
    state = Text()
    line = Text(allow_null=True)
    held = Flag()
    holder = PersonTraced(allow_null=True)


class TraceShape(Shape):
    """Back: ``sources``, ``batches``, ``lots``.  Forward: ``lots``, ``lines``, ``kits``."""

    id = Text()
    kind = Text()
    sources = SourceTraced(many=True)
    batches = BatchTraced(many=True)
    lots = LotTraced(many=True)
    lines = LineTraced(many=True)
    kits = KitTraced(many=True)


class Traces(Endpoint):
    scopes = {"GET": STAFF}

    @extend_schema(operation_id="traces_read", responses=TraceShape)
    def get(self, request: Request, code: str) -> Response:
        """Both ways from a lot, intake, delivery, batch, crop, kit or order."""
        return _told(request, codes.tidy(code) or code)


class LineTraces(Endpoint):
    scopes = {"GET": STAFF}

    @extend_schema(operation_id="traces_read_line", responses=TraceShape)
    def get(self, request: Request, code: str, number: int) -> Response:
        """Both ways from one line of an order."""
        return _told(request, f"{codes.tidy(code) or code}/{number}")


def _told(request: Request, code: str) -> Response:
    pages.known(request)
    return Response(_show(asdict(trace(code)), contacts=actor_of(request).may(CONTACTS)))


def _show(part: Any, *, contacts: bool) -> Any:
    """The dataclasses in the API's words: a code is an id, a ledger an object, a contact only for whom it is for."""
    if isinstance(part, list | tuple):
        return [_show(each, contacts=contacts) for each in part]
    if not isinstance(part, dict):
        return part
    told = {_WORDS.get(name, name): _show(value, contacts=contacts) for name, value in part.items()}
    if "ledger" in part:
        told["ledger"] = dict(part["ledger"])
    if "phone" in part and not contacts:
        told |= {"name": None, "email": None, "phone": None}
    return told


_WORDS = {"code": "id", "best_before": "best_before_on"}
