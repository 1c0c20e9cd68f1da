"""``/lots``: what is in store and what was, each by the code on its label."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import pages
from fulfilment.api.fields import Day, Flag, Id, Shape, Text
from fulfilment.api.keys import actor_of
from fulfilment.api.views import Endpoint
from fulfilment.core.problems import Invalid
from fulfilment.models import Lot
from fulfilment.read.holds import held_lot_ids
from fulfilment.read.scope import STAFF, visible
from fulfilment.services import rows

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rest_framework.request import Request


class LotShape(Shape):
    """Grams for fresh, units for kits; the other is null."""

    id = Id()
    kind = Text()
    strain = Id()
    grade = Text()
    batch = Id()
    ready_on = Day()
    best_before_on = Day()
    hard_stop = Flag(help_text="Use by: nothing is picked past the date.")
    quantity_g = serializers.IntegerField(allow_null=True)
    units = serializers.IntegerField(allow_null=True)
    held = Flag()


LOTS = inline_serializer("Lots", {"items": LotShape(many=True), "next": serializers.URLField(allow_null=True)})


class Lots(Endpoint):
    scopes = {"GET": STAFF}

    @extend_schema(
        operation_id="lots_list",
        parameters=[
            *pages.PARAMETERS,
            pages.choice("in_store", "true", "false", words="Only what is there, or is gone."),
        ],
        responses=LOTS,
    )
    def get(self, request: Request) -> Response:
        """Lots, newest first."""
        pages.known(request, "in_store")
        lots = visible(Lot, actor_of(request))
        match request.query_params.get("in_store"):
            case "true":
                lots = lots.filter(quantity__gt=0)
            case "false":
                lots = lots.filter(quantity=0)
            case None:
                pass
            case _:
                raise Invalid("This is true or false.", where="in_store")
        return pages.page(request, lots.select_related("strain", "batch"), show=show)


class OneLot(Endpoint):
    scopes = {"GET": STAFF}

    @extend_schema(operation_id="lots_read", responses=LotShape)
    def get(self, request: Request, code: str) -> Response:
        """One lot by its code."""
        pages.known(request)
        lot = rows.find_in(visible(Lot, actor_of(request)).select_related("strain", "batch"), code)
        return Response(show([lot])[0])


def show(lots: Sequence[Lot]) -> list[dict[str, Any]]:
    """Lots with their strain and batch already read, as the API tells them."""
    held = held_lot_ids()
    return [
        {
            "id": lot.public_id,
            "kind": lot.kind,
            "strain": lot.strain.public_id,
            "grade": lot.grade,
            "batch": lot.batch.public_id,
            "ready_on": lot.ready_on.isoformat(),
            "best_before_on": lot.best_before.isoformat(),
            "hard_stop": lot.hard_stop,
            "quantity_g": lot.quantity if lot.kind == Lot.Kind.FRESH else None,
            "units": lot.quantity if lot.kind == Lot.Kind.KITS else None,
            "held": lot.pk in held,
        }
        for lot in lots
    ]
