"""What is asked for and by whom: customers, products, amounts and prices as somebody names them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import TypedDict

from fulfilment.core import codes
from fulfilment.core.problems import Conflict, Invalid, Missing, Problem
from fulfilment.core.units import MAX_GRAMS, amount, packs_down
from fulfilment.models import AgreedPrice, Buyer, Kitchen, Order, Product
from fulfilment.services import rows
from fulfilment.services.given import text

MOST_LINES = 50
MOST_KITS = 1000


@dataclass(frozen=True, slots=True)
class Asked:
    """One line as somebody asks for it: a product by its public id, grams (pieces for kits), the least that is
    taken.
    """

    product: str
    amount: int
    at_least: int = 0


class Amendments(TypedDict, total=False):
    """What can be changed of an order that stands; ``lines`` is the whole list, ``address`` a row of the customer's."""

    reference: str
    note: str
    greeting: str
    way: str
    address: int
    lines: Sequence[Asked]


def products(lines: Sequence[Asked], *, known: Collection[int] = ()) -> list[tuple[Product, Asked]]:
    """Each asked line with its product; raises Invalid with the line's path.

    ``known`` are the keys of products that may be named though they are not sold at present.
    """
    if not lines:
        raise Invalid("An order needs at least one line.", code="no_lines", where="lines")
    if len(lines) > MOST_LINES:
        raise Invalid(f"An order holds at most {MOST_LINES} lines.", code="too_many_lines", where="lines")
    there = {p.public_id: p for p in Product.objects.filter(public_id__in=[codes.tidy(line.product) for line in lines])}
    found: list[tuple[Product, Asked]] = []
    for place_, line in enumerate(lines):
        try:
            product = there.get(codes.tidy(line.product))
            if product is None:
                raise Invalid(f"There is no product {line.product[:20]!r}.", code="unknown_product", where="product")
            if not product.active and product.pk not in known:
                raise Invalid(f"{product.name} is not sold at present.", code="inactive_product", where="product")
            if any(product == other for other, _ in found):
                raise Invalid(
                    f"{product.name} is named twice: add the two lines up.", code="named_twice", where="product"
                )
            check_amount(product, line.amount, where="amount")
            amount(line.at_least, where="at_least", at_least=0, at_most=line.amount, unit=unit_of(product))
        except Problem as problem:
            raise problem.at(f"lines.{place_}") from None
        found.append((product, line))
    return found


def check_amount(product: Product, quantity: int, *, where: str) -> None:
    """Raises Invalid for an amount that is no whole number of packs, or out of all bounds."""
    amount(quantity, where=where, at_most=MOST_KITS if product.is_kit else MAX_GRAMS, unit=unit_of(product))
    if quantity % product.pack:
        below = packs_down(quantity, pack=product.pack)
        near = f"{below} or {below + product.pack}" if below else f"{product.pack}"
        raise Invalid(
            f"{product.name} comes in packs of {product.pack} g: order {near} g, not {quantity} g.",
            code="not_whole_packs", where=where, pack=product.pack,
        )  # fmt: skip


def prices(kitchen_id: int | None, wanted: Sequence[Product]) -> dict[int, int]:
    """Product → what this kitchen pays for it in minor units, per kilo or per kit: as agreed, else everybody's."""
    found = {product.pk: product.price_minor for product in wanted}
    if kitchen_id is not None:
        agreed = AgreedPrice.objects.filter(kitchen=kitchen_id, product__in=wanted)
        found |= dict(agreed.values_list("product_id", "price_minor"))
    return found


def on_it(placed: Order) -> frozenset[int]:
    """The products on an order, which stay good for it when they are no longer sold."""
    return frozenset(placed.lines.filter(cancelled_at__isnull=True).values_list("product_id", flat=True))


def unit_of(product: Product) -> str:
    return "pieces" if product.is_kit else "grams"


def customer_named(*, kitchen: str, buyer: str) -> Kitchen | Buyer:
    if bool(kitchen) == bool(buyer):
        raise Invalid("An order is one kitchen's or one buyer's: name exactly one.", where="kitchen")
    if kitchen:
        found = rows.find(Kitchen, kitchen, where="kitchen")
        if not found.active:
            raise Conflict(
                "This kitchen is no longer supplied: make it active first.", code="inactive", where="kitchen"
            )
        return found
    bought = rows.find(Buyer, buyer, where="buyer")
    if bought.erased_at is not None:
        raise Missing("There is no such buyer.", where="buyer")
    return bought


def customer_of(placed: Order) -> Kitchen | Buyer:
    customer = placed.kitchen or placed.buyer
    if customer is None:
        raise Missing("This order has no customer.")
    return customer


def sides(customer: Kitchen | Buyer) -> tuple[Kitchen | None, Buyer | None]:
    return (customer, None) if isinstance(customer, Kitchen) else (None, customer)


def free_text(value: str, *, where: str) -> str:
    return text(value, where=where, at_most=300, required=False)
