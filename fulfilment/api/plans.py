"""``/plans``: what the last plan gives each line, from where, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import pages
from fulfilment.api.fields import Day, Id, Instant, Shape, Text
from fulfilment.api.keys import actor_of
from fulfilment.api.views import Endpoint
from fulfilment.core.problems import Missing
from fulfilment.models import Line, Plan, Shipment
from fulfilment.read.scope import STAFF, visible
from fulfilment.read.tonight import why

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rest_framework.request import Request


class PlanShape(Shape):
    id = Id()
    made_at = Instant()
    cause = Text()
    figures = serializers.DictField()


class SourceShape(Shape):
    """A lot in store, or what is expected of a coming harvest; the other is null."""

    strain = Id()
    grade = Text()
    lot = Id(allow_null=True)
    coming_on = Day(allow_null=True)
    amount = serializers.IntegerField()


class PlanLineShape(Shape):
    """A line that is not sent yet.  ``why`` is for staff, and empty where it gets all it ordered."""

    line = Text()
    on = Day()
    product = Id()
    unit = serializers.ChoiceField(choices=["g", "units"])
    ordered = serializers.IntegerField()
    promised = serializers.IntegerField()
    chance = serializers.IntegerField(allow_null=True)
    picked = serializers.IntegerField()
    allocated = serializers.IntegerField()
    sources = SourceShape(many=True)
    why = Text()
    account = serializers.DictField(help_text="The same for programs: a code and its numbers.")


LINES = inline_serializer(
    "PlanLines", {"items": PlanLineShape(many=True), "next": serializers.URLField(allow_null=True)}
)


class LatestPlan(Endpoint):
    scopes = {"GET": STAFF}

    @extend_schema(operation_id="plans_latest", responses=PlanShape)
    def get(self, request: Request) -> Response:
        """The newest plan's figures."""
        pages.known(request)
        made = Plan.objects.order_by("-pk").first()
        if made is None:
            raise Missing("There is no plan yet: the first night makes one.")
        return Response({"id": made.public_id, "made_at": made.made_at, "cause": made.cause, "figures": made.figures})


class PlanLines(Endpoint):
    scopes = {"GET": frozenset({"office", "packing"})}

    @extend_schema(operation_id="plans_latest_lines", parameters=[*pages.PARAMETERS, pages.ON], responses=LINES)
    def get(self, request: Request) -> Response:
        """What the plan gives each line that is not sent yet, from where, and why; newest first."""
        pages.known(request, "on")
        lines = visible(Line, actor_of(request)).filter(
            cancelled_at__isnull=True, shipment__state__in=[Shipment.State.PLACED, Shipment.State.PACKED]
        )
        on = pages.day(request)
        found = lines.select_related("order", "product", "shipment").prefetch_related(
            "allocations__strain", "allocations__lot"
        )
        return pages.page(request, found if on is None else found.filter(shipment__on=on), show=_lines)


def _lines(found: Sequence[Line]) -> list[dict[str, Any]]:
    return [
        {
            "line": str(line),
            "on": line.shipment.on,
            "product": line.product.public_id,
            "unit": "units" if line.product.is_kit else "g",
            "ordered": line.ordered,
            "promised": line.promised,
            "chance": line.chance_pct,
            "picked": line.picked,
            "allocated": line.allocated,
            "sources": [
                {
                    "strain": each.strain.public_id,
                    "grade": each.grade,
                    "lot": each.lot.public_id if each.lot else None,
                    "coming_on": each.coming_on,
                    "amount": each.amount,
                }
                for each in sorted(line.allocations.all(), key=lambda each: each.pk)
            ],
            "why": why(line.account, is_kit=line.product.is_kit),
            "account": line.account,
        }
        for line in found
    ]
