"""What a kitchen pays for a month: what it accepted, at the price agreed when the line was placed.

A fresh line costs accepted grams × price per kilo, rounded once to whole minor units, halves to the even one; a kit
line costs pieces × price.  A delivery belongs to the month of its date; only what was delivered is billed.

Worked example: 2,450 g accepted at 14.50 a kilo are 35.525, so 35.52.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import TYPE_CHECKING

from fulfilment.core.problems import Invalid
from fulfilment.core.units import Money
from fulfilment.models import Line, Shipment
from fulfilment.read.farm import farm

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fulfilment.models import Kitchen, Purchase
    from fulfilment.read.orders.whole import LineTold


@dataclass(frozen=True, slots=True)
class BilledLine:
    """``accepted`` and ``price_minor`` are grams and per kilo, or pieces and per kit."""

    on: date
    delivery_note: int | None
    line: str
    reference: str
    product: str
    is_kit: bool
    accepted: int
    price_minor: int
    total: Money


@dataclass(frozen=True, slots=True)
class Bill:
    kitchen: str
    year: int
    month: int
    lines: tuple[BilledLine, ...]
    total: Money


def bought_for(purchase: Purchase) -> int:
    """What a purchase's kits cost in minor units, without carriage."""
    return cost_of(line for order in purchase.orders.all() for line in order.lines.all())


def cost_of(lines: Iterable[Line | LineTold]) -> int:
    """What these lines cost as ordered, in minor units; cancelled ones are left out."""
    return sum(line.ordered * line.price_minor for line in lines if line.cancelled_at is None)


def bill(kitchen: Kitchen, *, year: int, month: int) -> Bill:
    """The kitchen's deliveries of a month, in the order in which they came."""
    if not (1 <= month <= 12 and 2000 <= year <= 2200):
        raise Invalid(f"{year}-{month} is no month: give a year and a month from 1 to 12.", where="month")
    currency = farm().currency
    first = date(year, month, 1)
    after = date(year + month // 12, month % 12 + 1, 1)
    lines = tuple(
        BilledLine(
            on=line.shipment.on,
            delivery_note=line.shipment.delivery_note.number if hasattr(line.shipment, "delivery_note") else None,
            line=str(line),
            reference=line.order.reference,
            product=line.product.name,
            is_kit=line.product.is_kit,
            accepted=line.accepted,
            price_minor=line.price_minor,
            total=Money(cost(line.accepted, price_minor=line.price_minor, is_kit=line.product.is_kit), currency),
        )
        for line in Line.objects.filter(
            order__kitchen=kitchen,
            shipment__state=Shipment.State.DELIVERED,
            shipment__on__gte=first,
            shipment__on__lt=after,
            cancelled_at__isnull=True,
        )
        .select_related("order", "product", "shipment__delivery_note")
        .order_by("shipment__on", "shipment", "order", "number")
        if line.accepted
    )
    return Bill(kitchen.public_id, year, month, lines, Money(sum(line.total.amount for line in lines), currency))


def cost(accepted: int, *, price_minor: int, is_kit: bool) -> int:
    """Minor units for grams at a price per kilo, or pieces at a price each; rounded once, half to even."""
    return accepted * price_minor if is_kit else round(Fraction(accepted * price_minor, 1000))
