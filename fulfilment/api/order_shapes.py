"""Orders as the API tells them: lines with their five amounts, each promise, each account."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, Final

from drf_spectacular.utils import inline_serializer
from rest_framework import serializers

from fulfilment.api.fields import Day, Flag, Id, Instant, Price, Shape, Text
from fulfilment.core.promises import words
from fulfilment.core.units import Goods, decimal
from fulfilment.models import Strain
from fulfilment.read.orders import why
from fulfilment.read.orders.whole import ways, wholes
from fulfilment.read.scope import STAFF

if TYPE_CHECKING:
    from fulfilment.models import Order
    from fulfilment.read.orders.whole import LineTold, PartTold, Whole
    from fulfilment.read.scope import Actor
    from fulfilment.services.ordering import Offer


class PartShape(Shape):
    """So much of a strain and grade, harvested between two days; ``substitute``: not what was ordered."""

    strain = Id()
    grade = Text()
    amount = serializers.IntegerField()
    first_harvest_on = Day()
    last_harvest_on = Day()
    substitute = Flag()


class PromiseShape(Shape):
    """What was said of a line.  ``chance`` is a whole percent, ``words`` what a customer is told instead; ``says`` is
    why, as a sentence, and ``why`` the code and the numbers it was made from.  ``largest`` is the most that can be
    counted on at the asked chance, ``first_full_on`` the first delivery day on which all of it can.
    """

    status = serializers.ChoiceField(choices=["full", "partial", "declined"])
    amount = serializers.IntegerField()
    chance = serializers.IntegerField()
    words = Text()
    asked_chance = serializers.IntegerField()
    largest = serializers.IntegerField()
    first_full_on = Day(allow_null=True)
    why = serializers.DictField()
    says = Text()
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
    at_least = serializers.IntegerField()
    account = serializers.DictField(help_text="Why it gets what it gets, by the last plan: a code and its numbers.")
    says = Text(help_text="The same as a sentence; empty before the first plan.")


class OrderShape(Shape):
    """``standing_on`` is the date of the standing order that it was made for, where it comes from one."""

    id = Id()
    kitchen = Id(allow_null=True)
    buyer = Id(allow_null=True)
    standing_order = Id(allow_null=True)
    standing_on = Day(allow_null=True)
    purchase = Id(allow_null=True)
    on = Day()
    reference = Text()
    state = Text()
    shipments = serializers.ListField(child=Id())
    cut_off_at = Instant(allow_null=True)
    placed_at = Instant()
    gift = Flag()
    start_on = Day(allow_null=True)
    lines = LineShape(many=True)


class GoesTo(Shape):
    """``number`` counts the customer's addresses, the first one 1."""

    number = serializers.IntegerField()
    name = Text()
    street = Text()
    postcode = Text()
    town = Text()
    country = Text()
    instructions = Text()


class LinkShape(Shape):
    """Where the carrier tells of a parcel, and what a link to it may say."""

    address = serializers.URLField()
    text = Text()


class ParcelShape(Shape):
    shipment = Id()
    carrier = Text()
    tracking = Text()
    link = LinkShape(allow_null=True)
    handed_at = Instant()


class OrderInFull(OrderShape):
    """An order with what is personal of it: told when it is read, and kept in no stored answer."""

    note = Text()
    greeting = Text()
    way = Text()
    address = GoesTo()
    parcels = ParcelShape(many=True)


class OfferShape(Shape):
    product = Id()
    wanted = serializers.IntegerField()
    promise = PromiseShape()


ORDERS = inline_serializer("Orders", {"items": OrderShape(many=True), "next": serializers.URLField(allow_null=True)})
OFFERS = inline_serializer("PromiseCheck", {"lines": OfferShape(many=True)})

GOES_TO: Final = ("number", "name", "street", "postcode", "town", "country", "instructions")


def one(order: Order, actor: Actor) -> dict[str, Any]:
    """An order that was just written, read again."""
    return show([order.pk], actor)[0]


def in_full(whole: Whole, actor: Actor) -> dict[str, Any]:
    """An order with what is personal of it."""
    found = ways(whole)
    return {
        **show_order(whole, staff=actor.may(STAFF)),
        "note": whole.order.note,
        "greeting": whole.order.greeting,
        "way": found[0].way,
        "address": {name: getattr(found[0], name) for name in GOES_TO},
        "parcels": [
            {
                "shipment": way.shipment,
                "carrier": way.carrier,
                "tracking": way.tracking,
                "link": {"address": way.link, "text": f"{way.carrier} {way.tracking}".strip()} if way.link else None,
                "handed_at": way.handed_at,
            }
            for way in sorted((way for way in found if way.parcel is not None), key=lambda way: way.parcel or 0)
        ],
    }


def show(orders: Sequence[int], actor: Actor) -> list[dict[str, Any]]:
    """The orders with these keys as the API tells them."""
    staff = actor.may(STAFF)
    return [show_order(whole, staff=staff) for whole in wholes(orders)]


def show_order(whole: Whole, *, staff: bool) -> dict[str, Any]:
    order, lines = whole.order, whole.lines
    return {
        "id": order.code,
        "kitchen": order.kitchen,
        "buyer": order.buyer,
        "standing_order": order.standing_order,
        "standing_on": order.standing_on,
        "purchase": order.purchase,
        "on": order.on,
        "reference": order.reference,
        "state": whole.state,
        "shipments": sorted({line.shipment for line in lines}),
        "cut_off_at": min((line.cut_off_at for line in lines), default=None),
        "placed_at": order.placed_at,
        "gift": order.gift,
        "start_on": order.start_on,
        "lines": [
            _line(line, whole.parts.get(line.promise or 0, ()), currency=order.currency, staff=staff) for line in lines
        ],
    }


def _line(line: LineTold, parts: Sequence[PartTold], *, currency: str, staff: bool) -> dict[str, Any]:
    return {
        "number": line.number,
        "product": line.product,
        "name": line.name,
        "unit": "units" if line.is_kit else "g",
        "price": {"amount": decimal(line.price_minor), "currency": currency},
        "ordered": line.ordered,
        "promised": line.promised,
        "chance": line.chance_pct,
        "allocated": line.allocated,
        "picked": line.picked,
        "refused": line.refused,
        "accepted": line.accepted,
        "cancelled": not line.live,
        "promise": None if line.promise is None else _promise(line, parts, staff=staff),
        "doubt": _doubt(line),
        "at_least": line.at_least,
        "account": why.numbers_of(line.account, staff=staff) if line.account else {},
        "says": why.account(line.account, staff=staff) if line.account else "",
    }


def _promise(line: LineTold, parts: Sequence[PartTold], *, staff: bool) -> dict[str, Any]:
    return {
        "status": line.status,
        "amount": line.amount,
        "chance": line.promise_pct,
        "words": words(line.promise_pct),
        "asked_chance": line.asked_pct,
        "largest": line.largest,
        "first_full_on": line.first_full_on,
        "why": line.why,
        "says": why.reason(str(line.why.get("code", "")), line.why, is_kit=line.is_kit, staff=staff),
        "parts": [
            {
                "strain": part.strain, "grade": part.grade, "amount": part.amount,
                "first_harvest_on": part.first_on, "last_harvest_on": part.last_on,
                "substitute": (part.strain_id, part.grade) != (line.strain_id, line.grade),
            }
            for part in parts
        ],
    }  # fmt: skip


def _doubt(line: LineTold) -> dict[str, Any] | None:
    """The open doubt of a line that is still to come."""
    if line.doubt is None or not line.live or line.picked or not line.promised:
        return None
    return {
        "id": line.doubt,
        "told_at": line.doubt_told_at,
        "chance": line.doubt_pct,
        "words": words(line.doubt_pct),
        "sure": line.doubt_sure,
    }


def show_offers(offers: Sequence[Offer], actor: Actor) -> list[dict[str, Any]]:
    """Answers that were not written down, each in the shape of a promise."""
    parts = (part for offer in offers for part in offer.answer.parts)
    strains = _strains({part.goods.strain_id for part in parts})
    return [
        {
            "product": offer.product.public_id,
            "wanted": offer.wanted,
            "promise": _answer(offer, strains=strains, staff=actor.may(STAFF)),
        }
        for offer in offers
    ]


def _answer(offer: Offer, *, strains: dict[int, str], staff: bool) -> dict[str, Any]:
    given, ordered = offer.answer, Goods(offer.product.strain_id, offer.product.grade)
    code, numbers = given.why
    return {
        "status": given.status,
        "amount": given.amount,
        "chance": given.chance,
        "words": words(given.chance),
        "asked_chance": offer.asked_pct,
        "largest": given.largest,
        "first_full_on": given.first_full_on,
        "why": {"code": code, **numbers},
        "says": why.reason(code, numbers, is_kit=offer.product.is_kit, staff=staff),
        "parts": [
            {
                "strain": strains[part.goods.strain_id], "grade": part.goods.grade, "amount": part.amount,
                "first_harvest_on": part.first, "last_harvest_on": part.last, "substitute": part.goods != ordered,
            }
            for part in given.parts
        ],
    }  # fmt: skip


def _strains(pks: Iterable[int]) -> dict[int, str]:
    return dict(Strain.objects.filter(pk__in=pks).values_list("pk", "public_id"))
