"""What it takes to answer an order and to write it, read once: with the books held, in two statements."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, TypeVar

from django.db.models import QuerySet

from fulfilment.core import codes
from fulfilment.core.calendar import farm_day
from fulfilment.core.units import Goods
from fulfilment.models import Address, AgreedPrice, Buyer, Kitchen, Product, Shipment, Strain, WebhookEndpoint
from fulfilment.read import supply
from fulfilment.read.farm import the_one
from fulfilment.read.together import together
from fulfilment.read.webhooks import may_be_told
from fulfilment.services import rows
from fulfilment.services.ordering.shipments import chosen_way
from fulfilment.services.ordering.wanted import Asked, check_lines, check_one, fit, priced, remembered, supplied
from fulfilment.services.promising import (
    Desk,
    Drawn,
    books_of_products,
    desk_of,
    drawing,
    in_order,
    questions,
)

Row = TypeVar("Row")


@dataclass(frozen=True, slots=True)
class Taking:
    """A desk with one order before it.

    ``prices`` are the customer's, by product; ``shipment`` is the one it may join, held; ``told`` are the endpoints
    that may hear of it; ``drawn`` the numbers of its promises, one a line; ``strains`` their public ids.
    """

    desk: Desk
    customer: Kitchen | Buyer
    wanted: Sequence[tuple[Product, Asked]]
    prices: Mapping[int, int]
    way: str
    address: Address | None
    shipment: Shipment | None
    told: Sequence[WebhookEndpoint]
    drawn: Sequence[Drawn]
    strains: Mapping[int, str]


def take(
    lines: Sequence[Asked],
    *,
    kitchen: str = "",
    buyer: str = "",
    on: date,
    way: str = "",
    address: int | None = None,
    now: datetime,
) -> Taking:
    """Hold the books that these lines concern, and read what their order is made of.

    First the books are held, and only then is read what there is and what is promised of it: who waited for them sees
    what the one before was promised.
    """
    check_one(kitchen=kitchen, buyer=buyer)
    check_lines(lines)
    way = chosen_way(way, is_kitchen=bool(kitchen))
    whose = {"kitchen": codes.tidy(kitchen), "buyer": codes.tidy(buyer)}
    asked = {"products": [codes.tidy(line.product) for line in lines], "kitchen": whose["kitchen"]}
    held = together(_books, **asked)
    farm = the_one(held["farm"])
    today = farm_day(now, farm.zone)
    books = {Goods(row.strain_id, row.grade): row for row in held["books"]}
    found = together(
        _rest, **supply.given(books.values(), today=today), products=asked["products"], **whose,
        is_buyer=bool(buyer), on=on, way=way, address=address,
    )  # fmt: skip
    customer: Kitchen | Buyer
    if kitchen:
        customer = supplied(rows.find_by(lambda _: _first(found["kitchens"]), Kitchen, kitchen, where="kitchen"))
    else:
        customer = remembered(rows.find_by(lambda _: _first(found["buyers"]), Buyer, buyer, where="buyer"))
    wanted = fit(lines, found["products"])
    return Taking(
        desk=desk_of({Goods(each.strain_id, each.grade) for each, _ in wanted}, books, found, whose=farm, today=today),
        customer=customer,
        wanted=wanted,
        prices=priced([product for product, _ in wanted], found["prices"]),
        way=way,
        address=_first(found["addresses"]),
        shipment=_first(found["shipments"]),
        told=found["endpoints"],
        drawn=in_order(found["drawn"]),
        strains=dict(found["strains"]),
    )


def _first(found: Sequence[Row]) -> Row | None:
    return found[0] if found else None


def _books(*, products: Any, kitchen: Any) -> dict[str, QuerySet[Any, Any]]:
    named = Product.objects.filter(public_id__in=products)
    return books_of_products(named, kitchens=Kitchen.objects.filter(public_id=kitchen).values("pk"), lock=True)


def _rest(
    *, products: Any, kitchen: Any, buyer: Any, is_buyer: bool, on: Any, way: Any, address: Any, **books: Any
) -> dict[str, QuerySet[Any, Any]]:
    named = Product.objects.filter(public_id__in=products)
    kitchens, buyers = Kitchen.objects.filter(public_id=kitchen), Buyer.objects.filter(public_id=buyer)
    addresses = Address.objects.filter(kitchen__in=kitchens.values("pk")) | Address.objects.filter(
        buyer__in=buyers.values("pk")
    )
    if address is not None:
        addresses = addresses.filter(pk=address)
    first = addresses.order_by("pk")[:1]
    there = Shipment.objects.filter(address__in=first.values("pk"), on=on, way=way, state=Shipment.State.PLACED)
    return questions(**books, kitchens=kitchens.values("pk")) | {
        "strains": Strain.objects.filter(pk__in=books["strains"]).values_list("pk", "public_id"),
        "kitchens": kitchens,
        "buyers": buyers,
        "products": named,
        "prices": AgreedPrice.objects.filter(kitchen__in=kitchens.values("pk"), product__in=named.values("pk"))
        .values_list("product_id", "price_minor"),
        "addresses": first.only("pk"),
        "shipments": there.select_for_update(no_key=True),
        "endpoints": may_be_told("order_placed", kitchens=kitchens.values("pk"), buyers=is_buyer),
        "drawn": drawing(named),
    }  # fmt: skip
