"""Orders as the API tells them: lines with their five amounts, each promise, each account."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, Final

from django.db.models import Prefetch
from drf_spectacular.utils import inline_serializer
from rest_framework import serializers

from fulfilment.api.fields import Day, Flag, Id, Instant, Price, Shape, Text
from fulfilment.core.promises import words
from fulfilment.core.units import Money
from fulfilment.models import Doubt, Line, Order, Strain
from fulfilment.read.farm import farm
from fulfilment.services import rows

if TYPE_CHECKING:
    from django.db.models import QuerySet

    from fulfilment.core.promises import Answer
    from fulfilment.services.ordering import Offer


class PartShape(Shape):
    strain = Id()
    grade = Text()
    amount = serializers.IntegerField()
    first_harvest_on = Day()
    last_harvest_on = Day()


class PromiseShape(Shape):
    """What was said of a line.  ``chance`` is a whole percent, ``words`` what a customer is told instead."""

    status = serializers.ChoiceField(choices=["full", "partial", "declined"])
    amount = serializers.IntegerField()
    chance = serializers.IntegerField()
    words = Text()
    asked_chance = serializers.IntegerField()
    largest = serializers.IntegerField()
    first_full_on = Day(allow_null=True)
    why = serializers.DictField()
    parts = PartShape(many=True)


class DoubtShape(Shape):
    """A kitchen's promise that has become less sure than it was made.

    ``chance`` is that of all that was promised, ``sure`` what of it can be counted on at the chance asked.
    """

    id = Id()
    told_at = Instant()
    chance = serializers.IntegerField()
    words = Text()
    sure = serializers.IntegerField()


class LineShape(Shape):
    """A line with its amounts, each in the product's own unit: grams for fresh, pieces for kits."""

    number = serializers.IntegerField()
    product = Id()
    name = Text()
    unit = serializers.ChoiceField(choices=["g", "units"])
    price = Price()
    ordered = serializers.IntegerField()
    promised = serializers.IntegerField()
    chance = serializers.IntegerField(allow_null=True)
    allocated = serializers.IntegerField()
    picked = serializers.IntegerField()
    refused = serializers.IntegerField()
    accepted = serializers.IntegerField()
    cancelled = Flag()
    promise = PromiseShape(allow_null=True)
    doubt = DoubtShape(allow_null=True, help_text="Null: as sure as it was promised.")
    account = serializers.DictField(help_text="Why it gets what it gets, by the last plan.")


class OrderShape(Shape):
    id = Id()
    kitchen = Id(allow_null=True)
    buyer = Id(allow_null=True)
    standing_order = Id(allow_null=True)
    on = Day()
    reference = Text()
    state = Text()
    shipments = serializers.ListField(child=Id())
    cut_off_at = Instant(allow_null=True)
    placed_at = Instant()
    gift = Flag()
    lines = LineShape(many=True)


class OfferShape(Shape):
    product = Id()
    wanted = serializers.IntegerField()
    promise = PromiseShape()


ORDERS = inline_serializer("Orders", {"items": OrderShape(many=True), "next": serializers.URLField(allow_null=True)})
OFFERS = inline_serializer("PromiseCheck", {"lines": OfferShape(many=True)})

_ADVANCE: Final = ("placed", "packed", "sent", "delivered")


def with_lines(orders: QuerySet[Order]) -> QuerySet[Order]:
    """The orders with all that :func:`show` tells, in a fixed number of statements."""
    lines = (
        Line.objects.select_related("product", "shipment", "promise")
        .prefetch_related(
            "promise__parts__book__strain", Prefetch("doubts", Doubt.objects.filter(sure_at__isnull=True))
        )
        .order_by("number")
    )
    return orders.select_related("kitchen", "buyer", "standing_order").prefetch_related(
        Prefetch("lines", queryset=lines)
    )


def one(order: Order) -> dict[str, Any]:
    """An order that was just written, read again."""
    return show([rows.find_in(with_lines(Order.objects.all()), order.public_id)])[0]


def show(orders: Sequence[Order]) -> list[dict[str, Any]]:
    """Orders whose lines, promises and shipments are already read, as the API tells them."""
    currency = farm().currency
    return [
        {
            "id": order.public_id,
            "kitchen": order.kitchen.public_id if order.kitchen else None,
            "buyer": order.buyer.public_id if order.buyer else None,
            "standing_order": order.standing_order.public_id if order.standing_order else None,
            "on": order.on.isoformat(),
            "reference": order.reference,
            "state": state_of(order),
            "shipments": sorted({line.shipment.public_id for line in order.lines.all()}),
            "cut_off_at": min((line.shipment.cut_off_at for line in order.lines.all()), default=None),
            "placed_at": order.placed_at,
            "gift": order.gift,
            "lines": [show_line(line, currency=currency) for line in order.lines.all()],
        }
        for order in orders
    ]


def state_of(order: Order) -> str:
    """The state of the least advanced live shipment."""
    if order.cancelled_at is not None:
        return "cancelled"
    live = {line.shipment.state for line in order.lines.all() if line.cancelled_at is None}
    return next((state for state in _ADVANCE if state in live), "cancelled")


def show_line(line: Line, *, currency: str) -> dict[str, Any]:
    return {
        "number": line.number,
        "product": line.product.public_id,
        "name": line.product.name,
        "unit": "units" if line.product.is_kit else "g",
        "price": {"amount": Money(line.price_minor, currency).decimal, "currency": currency},
        "ordered": line.ordered,
        "promised": line.promised,
        "chance": line.chance_pct,
        "allocated": line.allocated,
        "picked": line.picked,
        "refused": line.refused,
        "accepted": line.accepted,
        "cancelled": line.cancelled_at is not None,
        "promise": _promise(line),
        "doubt": _doubt(line),
        "account": line.account,
    }


def show_offers(offers: Sequence[Offer]) -> list[dict[str, Any]]:
    """Answers that were not written down, each in the shape of a promise."""
    parts = (part for offer in offers for part in offer.answer.parts)
    strains = _strains({part.goods.strain_id for part in parts})
    return [
        {
            "product": offer.product.public_id,
            "wanted": offer.wanted,
            "promise": _answer(offer.answer, asked_pct=offer.asked_pct, strains=strains),
        }
        for offer in offers
    ]


def _answer(given: Answer, *, asked_pct: int, strains: dict[int, str]) -> dict[str, Any]:
    code, numbers = given.why
    return {
        "status": given.status,
        "amount": given.amount,
        "chance": given.chance,
        "words": words(given.chance),
        "asked_chance": asked_pct,
        "largest": given.largest,
        "first_full_on": given.first_full_on,
        "why": {"code": code, **numbers},
        "parts": [
            {
                "strain": strains[part.goods.strain_id], "grade": part.goods.grade, "amount": part.amount,
                "first_harvest_on": part.first, "last_harvest_on": part.last,
            }
            for part in given.parts
        ],
    }  # fmt: skip


def _strains(pks: Iterable[int]) -> dict[int, str]:
    return dict(Strain.objects.filter(pk__in=pks).values_list("pk", "public_id"))


def _doubt(line: Line) -> dict[str, Any] | None:
    """The open doubt of a line that is still to come; ``doubts`` are the open ones."""
    if line.cancelled_at is not None or line.picked or not line.promised:
        return None
    for each in line.doubts.all():
        return {
            "id": each.public_id,
            "told_at": each.told_at,
            "chance": each.chance_pct,
            "words": words(each.chance_pct),
            "sure": each.sure,
        }
    return None


def _promise(line: Line) -> dict[str, Any] | None:
    made = line.promise
    if made is None:
        return None
    return {
        "status": made.status,
        "amount": made.amount,
        "chance": made.chance_pct,
        "words": words(made.chance_pct),
        "asked_chance": made.asked_pct,
        "largest": made.largest,
        "first_full_on": made.first_full_on,
        "why": made.why,
        "parts": [
            {
                "strain": part.book.strain.public_id, "grade": part.book.grade, "amount": part.amount,
                "first_harvest_on": part.first_on, "last_harvest_on": part.last_on,
            }
            for part in made.parts.all()
        ],
    }  # fmt: skip
