"""Orders with all that programs are told of them, three statements for one and for two hundred."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Annotated, Any, Final, NamedTuple

from django.db.models import F, FilteredRelation, Func, OuterRef, Q, Subquery

from fulfilment.core.units import KIT, accepted
from fulfilment.models import Address, Doubt, Farm, Line, Order, PromisePart, Shipment
from fulfilment.read.orders.states import state_of
from fulfilment.read.prepared import Among, Given, Prepared

if TYPE_CHECKING:
    from collections.abc import Sequence

_CURRENCY: Final = Subquery(Farm.objects.filter(pk=1).values("currency"))
# Addresses are counted as they were added, each customer's from one.
_ADDRESS_NUMBER: Final = Subquery(
    Address.objects.filter(
        Q(kitchen=OuterRef("address__kitchen")) | Q(buyer=OuterRef("address__buyer")), pk__lte=OuterRef("address")
    )
    .annotate(number=Func("pk", function="COUNT"))
    .values("number")
)


class OrderTold(NamedTuple):
    """An order itself; customers and what it comes from by their public ids."""

    pk: int
    code: Annotated[str, "public_id"]
    kitchen: Annotated[str | None, "kitchen__public_id"]
    buyer: Annotated[str | None, "buyer__public_id"]
    standing_order: Annotated[str | None, "standing_order__public_id"]
    standing_on: date | None
    purchase: Annotated[str | None, "purchase__public_id"]
    on: date
    reference: str
    note: str
    gift: bool
    greeting: str
    start_on: date | None
    placed_at: datetime
    cancelled_at: datetime | None
    version: int
    currency: Annotated[str, _CURRENCY]


class LineTold(NamedTuple):
    """A line beside its product, its shipment, its latest promise and its open doubt; amounts in grams or pieces.

    What is said of a promise or a doubt that is not there is None.
    """

    order: Annotated[int, "order_id"]
    number: int
    product: Annotated[str, "product__public_id"]
    name: Annotated[str, "product__name"]
    strain_id: Annotated[int, "product__strain_id"]
    grade: Annotated[str, "product__grade"]
    price_minor: int
    ordered: int
    at_least: int
    promised: int
    chance_pct: int | None
    allocated: int
    picked: int
    refused: int
    account: dict[str, Any]
    cancelled_at: datetime | None
    shipment_id: int
    shipment: Annotated[str, "shipment__public_id"]
    shipment_state: Annotated[str, "shipment__state"]
    cut_off_at: Annotated[datetime, "shipment__cut_off_at"]
    promise: Annotated[int | None, "promise_id"]
    status: Annotated[str, "promise__status"]
    amount: Annotated[int, "promise__amount"]
    promise_pct: Annotated[int, "promise__chance_pct"]
    asked_pct: Annotated[int, "promise__asked_pct"]
    largest: Annotated[int, "promise__largest"]
    first_full_on: Annotated[date | None, "promise__first_full_on"]
    why: Annotated[dict[str, Any], "promise__why"]
    doubt: Annotated[str | None, "open_doubt__public_id"]
    doubt_told_at: Annotated[datetime, "open_doubt__told_at"]
    doubt_pct: Annotated[int, "open_doubt__chance_pct"]
    doubt_sure: Annotated[int, "open_doubt__sure"]

    @property
    def is_kit(self) -> bool:
        return self.grade == KIT

    @property
    def live(self) -> bool:
        return self.cancelled_at is None

    @property
    def accepted(self) -> int:
        return accepted(picked=self.picked, refused=self.refused)


class PartTold(NamedTuple):
    """One part of a promise, by the book it is in."""

    promise: Annotated[int, "promise_id"]
    strain_id: Annotated[int, "book__strain_id"]
    strain: Annotated[str, "book__strain__public_id"]
    grade: Annotated[str, "book__grade"]
    amount: int
    first_on: date
    last_on: date


class WayTold(NamedTuple):
    """A shipment's way and address (``number`` counts the customer's), and its parcel where it was handed over."""

    pk: int
    shipment: Annotated[str, "public_id"]
    way: str
    number: Annotated[int, _ADDRESS_NUMBER]
    name: Annotated[str, "address__name"]
    street: Annotated[str, "address__street"]
    postcode: Annotated[str, "address__postcode"]
    town: Annotated[str, "address__town"]
    country: Annotated[str, "address__country"]
    instructions: Annotated[str, "address__instructions"]
    parcel: Annotated[int | None, "parcel__pk"]
    carrier: Annotated[str, "parcel__carrier"]
    tracking: Annotated[str, "parcel__tracking"]
    link: Annotated[str, "parcel__link"]
    handed_at: Annotated[datetime, "parcel__handed_at"]


_ORDERS: Final = Prepared(OrderTold, lambda: Order.objects.filter(Among(F("pk"), Given("orders"))))
_LINES: Final = Prepared(
    LineTold,
    lambda: (
        Line.objects.annotate(open_doubt=FilteredRelation("doubts", condition=Doubt.is_open("doubts__")))
        .filter(Among(F("order_id"), Given("orders")))
        .order_by("order", "number")
    ),
)
_PARTS: Final = Prepared(
    PartTold, lambda: PromisePart.objects.filter(Among(F("promise_id"), Given("promises"))).order_by("promise", "pk")
)
_WAYS: Final = Prepared(WayTold, lambda: Shipment.objects.filter(Among(F("pk"), Given("shipments"))).order_by("pk"))


@dataclass(frozen=True, slots=True)
class Whole:
    """An order, its lines by number, and the parts of each of their promises."""

    order: OrderTold
    lines: Sequence[LineTold]
    parts: dict[int, list[PartTold]]

    @property
    def state(self) -> str:
        live = {line.shipment_state for line in self.lines if line.live}
        return state_of(live, cancelled=self.order.cancelled_at is not None)


def wholes(orders: Sequence[int]) -> list[Whole]:
    """The orders with these keys, in this order."""
    if not orders:
        return []
    lines: dict[int, list[LineTold]] = {key: [] for key in orders}
    parts: dict[int, list[PartTold]] = {}
    for line in _LINES.rows(orders=list(orders)):
        lines[line.order].append(line)
        if line.promise is not None:
            parts[line.promise] = []
    for part in _PARTS.rows(promises=list(parts)) if parts else ():
        parts[part.promise].append(part)
    found = {each.pk: each for each in _ORDERS.rows(orders=list(orders))}
    return [Whole(found[key], lines[key], parts) for key in orders]


def ways(whole: Whole) -> list[WayTold]:
    """How and where the order goes: first what the first of its live lines goes by, then its other shipments."""
    first = next((line for line in whole.lines if line.live), whole.lines[0])
    found = _WAYS.rows(shipments=sorted({line.shipment_id for line in whole.lines}))
    return sorted(found, key=lambda way: way.pk != first.shipment_id)
