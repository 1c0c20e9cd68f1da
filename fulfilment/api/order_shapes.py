"""Orders as the API tells them: lines with their five amounts, each promise, each account."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, Final

from django.db.models import Exists, OuterRef, Prefetch
from drf_spectacular.utils import inline_serializer
from rest_framework import serializers

from fulfilment.api.fields import Day, Flag, Id, Instant, Price, Shape, Text
from fulfilment.core.promises import words
from fulfilment.core.units import Goods, Money
from fulfilment.models import Address, Doubt, Line, Order, Parcel, Strain
from fulfilment.read.farm import farm
from fulfilment.read.orders import why
from fulfilment.read.scope import STAFF
from fulfilment.services import rows

if TYPE_CHECKING:
    from django.db.models import QuerySet

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

GOES_TO: Final = ("name", "street", "postcode", "town", "country", "instructions")
ADVANCE: Final = ("placed", "packed", "sent", "delivered")


def with_lines(orders: QuerySet[Order]) -> QuerySet[Order]:
    """The orders with all that :func:`show` tells, in a fixed number of statements."""
    lines = (
        Line.objects.select_related("product", "shipment", "promise")
        .prefetch_related(
            "promise__parts__book__strain", Prefetch("doubts", Doubt.objects.filter(sure_at__isnull=True))
        )
        .order_by("number")
    )
    return orders.select_related("kitchen", "buyer", "standing_order", "purchase").prefetch_related(
        Prefetch("lines", queryset=lines)
    )


def one(order: Order, actor: Actor) -> dict[str, Any]:
    """An order that was just written, read again."""
    return show([rows.find_in(with_lines(Order.objects.all()), order.public_id)], actor)[0]


def in_full(order: Order, actor: Actor) -> dict[str, Any]:
    """An order with what is personal of it."""
    lines = list(order.lines.all())
    shipment = next((line.shipment for line in lines if line.cancelled_at is None), lines[0].shipment)
    place = shipment.address
    owner = Address.objects.filter(kitchen=place.kitchen_id, buyer=place.buyer_id)
    parcels = Parcel.objects.filter(shipment__lines__order=order).select_related("shipment").distinct()
    return {
        **show([order], actor)[0],
        "note": order.note,
        "greeting": order.greeting,
        "way": shipment.way,
        "address": {
            "number": owner.filter(pk__lte=place.pk).count(),
            **{name: getattr(place, name) for name in GOES_TO},
        },
        "parcels": [
            {
                "shipment": each.shipment.public_id,
                "carrier": each.carrier,
                "tracking": each.tracking,
                "link": {"address": each.link, "text": f"{each.carrier} {each.tracking}".strip()}
                if each.link
                else None,
                "handed_at": each.handed_at,
            }
            for each in parcels.order_by("pk")
        ],
    }


def show(orders: Sequence[Order], actor: Actor) -> list[dict[str, Any]]:
    """Orders whose lines, promises and shipments are already read, as the API tells them."""
    currency, staff = farm().currency, actor.may(STAFF)
    return [
        {
            "id": order.public_id,
            "kitchen": order.kitchen.public_id if order.kitchen else None,
            "buyer": order.buyer.public_id if order.buyer else None,
            "standing_order": order.standing_order.public_id if order.standing_order else None,
            "standing_on": order.standing_on,
            "purchase": order.purchase.public_id if order.purchase else None,
            "on": order.on.isoformat(),
            "reference": order.reference,
            "state": state_of(order),
            "shipments": sorted({line.shipment.public_id for line in order.lines.all()}),
            "cut_off_at": min((line.shipment.cut_off_at for line in order.lines.all()), default=None),
            "placed_at": order.placed_at,
            "gift": order.gift,
            "start_on": order.start_on,
            "lines": [show_line(line, currency=currency, staff=staff) for line in order.lines.all()],
        }
        for order in orders
    ]


def in_state(orders: QuerySet[Order], state: str) -> QuerySet[Order]:
    """The orders whose state (:func:`state_of`) this is."""
    live = Line.objects.filter(order=OuterRef("pk"), cancelled_at__isnull=True)
    standing = orders.filter(cancelled_at__isnull=True).filter(Exists(live.filter(shipment__state__in=ADVANCE)))
    if state == "cancelled":
        return orders.exclude(pk__in=standing.values("pk"))
    before = ADVANCE[: ADVANCE.index(state)]
    found = standing.filter(Exists(live.filter(shipment__state=state)))
    return found.exclude(Exists(live.filter(shipment__state__in=before))) if before else found


def state_of(order: Order) -> str:
    """The state of the least advanced live shipment."""
    if order.cancelled_at is not None:
        return "cancelled"
    live = {line.shipment.state for line in order.lines.all() if line.cancelled_at is None}
    return next((state for state in ADVANCE if state in live), "cancelled")


def show_line(line: Line, *, currency: str, staff: bool) -> dict[str, Any]:
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
        "promise": _promise(line, staff=staff),
        "doubt": _doubt(line),
        "at_least": line.at_least,
        "account": why.numbers_of(line.account, staff=staff),
        "says": why.account(line.account, staff=staff) if line.account else "",
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


def _promise(line: Line, *, staff: bool) -> dict[str, Any] | None:
    made = line.promise
    if made is None:
        return None
    ordered = (line.product.strain_id, line.product.grade)
    return {
        "status": made.status,
        "amount": made.amount,
        "chance": made.chance_pct,
        "words": words(made.chance_pct),
        "asked_chance": made.asked_pct,
        "largest": made.largest,
        "first_full_on": made.first_full_on,
        "why": made.why,
        "says": why.reason(str(made.why.get("code", "")), made.why, is_kit=line.product.is_kit, staff=staff),
        "parts": [
            {
                "strain": part.book.strain.public_id, "grade": part.book.grade, "amount": part.amount,
                "first_harvest_on": part.first_on, "last_harvest_on": part.last_on,
                "substitute": (part.book.strain_id, part.book.grade) != ordered,
            }
            for part in made.parts.all()
        ],
    }  # fmt: skip
