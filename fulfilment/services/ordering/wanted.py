"""What is asked for and by whom: customers, products, amounts and prices as somebody names them."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
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
    check_lines(lines)
    there = Product.objects.filter(public_id__in=[codes.tidy(line.product) for line in lines])
    return fit(lines, there, known=known)


def check_lines(lines: Sequence[Asked]) -> None:
    """Raises Invalid for none, and for too many."""
    if not lines:
        raise Invalid("An order needs at least one line.", code="no_lines", where="lines")
    if len(lines) > MOST_LINES:
        raise Invalid(f"An order holds at most {MOST_LINES} lines.", code="too_many_lines", where="lines")


def fit(
    lines: Sequence[Asked], there: Iterable[Product], *, known: Collection[int] = ()
) -> list[tuple[Product, Asked]]:
    """The lines with their products of those there are; raises Invalid as :func:`products` does."""
    by_id = {product.public_id: product for product in there}
    found: list[tuple[Product, Asked]] = []
    for place_, line in enumerate(lines):
        try:
            product = by_id.get(codes.tidy(line.product))
            if product is None:
                raise Invalid(f"There is no product {line.product[:20]!r}.", code="unknown_product", where="product")
            if not product.active and product.pk not in known:
                raise Invalid(f"{product.name} is not sold at present.", code="inactive_product", where="product")
            if any(product == other for other, _ in found):
                raise Invalid(
                    f"{product.name} is named twice: add the two lines up.", code="named_twice", where="product"
                )
            check_amount(product, line.amount, where="amount")
            check_least(product, line.at_least, ordered=line.amount)
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


def check_least(product: Product, least: int, *, ordered: int) -> None:
    """Raises Invalid for a minimum that no delivery of the line could reach, or that is none."""
    unit = unit_of(product)
    amount(least, where="at_least", at_least=0, unit=unit)
    if least > ordered:
        raise Invalid(
            f"The least that is taken, {least} {unit}, is more than the {ordered} {unit} that are ordered: nothing "
            "could ever be sent. Give at most what is ordered.",
            code="too_large", where="at_least", at_most=ordered,
        )  # fmt: skip


def prices(kitchen_id: int | None, wanted: Sequence[Product]) -> dict[int, int]:
    """Product → what this kitchen pays for it in minor units, per kilo or per kit: as agreed, else everybody's."""
    if kitchen_id is None:
        return priced(wanted, ())
    agreed = AgreedPrice.objects.filter(kitchen=kitchen_id, product__in=wanted)
    return priced(wanted, agreed.values_list("product_id", "price_minor"))


def priced(wanted: Sequence[Product], agreed: Iterable[tuple[int, int]]) -> dict[int, int]:
    """The same with what is agreed at hand."""
    return {product.pk: product.price_minor for product in wanted} | dict(agreed)


def on_it(placed: Order) -> frozenset[int]:
    """The products on an order, which stay good for it when they are no longer sold."""
    return frozenset(placed.lines.filter(cancelled_at__isnull=True).values_list("product_id", flat=True))


def unit_of(product: Product) -> str:
    return "pieces" if product.is_kit else "grams"


def customer_named(*, kitchen: str, buyer: str) -> Kitchen | Buyer:
    """Who it is; raises Missing for nobody, Conflict for a kitchen that is no longer supplied."""
    check_one(kitchen=kitchen, buyer=buyer)
    if kitchen:
        return supplied(rows.find(Kitchen, kitchen, where="kitchen"))
    return remembered(rows.find(Buyer, buyer, where="buyer"))


def check_one(*, kitchen: str, buyer: str) -> None:
    if bool(kitchen) == bool(buyer):
        raise Invalid("An order is one kitchen's or one buyer's: name exactly one.", where="kitchen")


def supplied(kitchen: Kitchen) -> Kitchen:
    if not kitchen.active:
        raise Conflict("This kitchen is no longer supplied: make it active first.", code="inactive", where="kitchen")
    return kitchen


def remembered(buyer: Buyer) -> Buyer:
    if buyer.erased_at is not None:
        raise Missing("There is no such buyer.", where="buyer")
    return buyer


def customer_of(placed: Order) -> Kitchen | Buyer:
    customer = placed.kitchen or placed.buyer
    if customer is None:
        raise Missing("This order has no customer.")
    return customer


def sides(customer: Kitchen | Buyer) -> tuple[Kitchen | None, Buyer | None]:
    return (customer, None) if isinstance(customer, Kitchen) else (None, customer)


def free_text(value: str, *, where: str) -> str:
    return text(value, where=where, at_most=300, required=False)
