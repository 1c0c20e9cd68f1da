"""``/plans``: what the last plan gives each line, from where, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import pages
from fulfilment.api.fields import Day, Id, Instant, Price, Shape, Text
from fulfilment.api.keys import actor_of
from fulfilment.api.views import Endpoint
from fulfilment.core.problems import Missing
from fulfilment.core.units import Money
from fulfilment.models import Line, Plan, Shipment
from fulfilment.read import worths
from fulfilment.read.farm import farm
from fulfilment.read.scope import STAFF, visible
from fulfilment.read.tonight import why

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rest_framework.request import Request


class BagsShape(Shape):
    """What becomes of a batch's bags that are not used yet, and what one of them would bring opened instead of sealed:
    a kit order at less than ``fresh_value`` is worth refusing.  ``fresh_g`` is what one bag more is expected to give
    within the forecast, ``fresh_sold_g`` what of that is ordered; null where nothing is known.
    """

    batch = Id()
    seal = serializers.IntegerField(help_text="Bags to seal as kits.")
    open = serializers.IntegerField(help_text="Bags to open for fruiting.")
    opens_on = Day(allow_null=True)
    fresh_value = Price(allow_null=True)
    fresh_g = serializers.IntegerField(allow_null=True)
    fresh_sold_g = serializers.IntegerField(allow_null=True)


class CheapShape(Shape):
    """A kit on sale for less than the fresh value of a bag that is to be sealed for it."""

    product = Id()
    price = Price()
    batch = Id()
    fresh_value = Price()


class PlanShape(Shape):
    """``figures`` are counts of lines and grams.  What moved since the plan before: ``resourced`` (from another
    source) and ``changed`` (more or less in all), and each ``…_weighted`` by 0.8 for every day ahead.
    """

    id = Id()
    made_at = Instant()
    cause = Text()
    figures = serializers.DictField()
    bags = BagsShape(many=True)
    kits_under_value = CheapShape(many=True)


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
        """The newest plan: its figures, what becomes of each batch's bags, and which kits sell for too little."""
        pages.known(request)
        made = Plan.objects.order_by("-pk").first()
        if made is None:
            raise Missing("There is no plan yet: the first night makes one.")
        return Response(
            {
                "id": made.public_id,
                "made_at": made.made_at,
                "cause": made.cause,
                "figures": made.figures,
                "bags": _bags(made),
                "kits_under_value": [
                    {
                        "product": each.product,
                        "price": _money(each.price),
                        "batch": each.batch,
                        "fresh_value": _money(each.fresh),
                    }
                    for each in worths.cheap_kits(worths.bag_plans())
                ],
            }
        )


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


def _bags(made: Plan) -> list[dict[str, Any]]:
    currency = farm().currency
    return [
        {
            **{name: each[name] for name in ("batch", "seal", "open", "opens_on", "fresh_g", "fresh_sold_g")},
            "fresh_value": _money(Money(minor, currency)) if (minor := each["fresh_minor"]) is not None else None,
        }
        for each in made.bags or ()
    ]


def _money(money: Money) -> dict[str, str]:
    return {"amount": money.decimal, "currency": money.currency}


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
