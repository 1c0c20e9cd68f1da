"""What a further bag would meet: the open demand for fresh goods with its prices, and the kits that sell for less."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

from django.db.models import F

from fulfilment.core.units import KIT, Goods, Money
from fulfilment.core.worth import Demand
from fulfilment.models import Batch, Line, Product
from fulfilment.models import Book as BookRow
from fulfilment.read import supply
from fulfilment.read.farm import farm
from fulfilment.read.growing import kits_in_store
from fulfilment.read.terms import terms


@dataclass(frozen=True, slots=True)
class BagPlan:
    """What the plan says of one batch's bags not yet used: ``seal`` as kits, ``open`` for fruiting and when.

    ``fresh`` is the fresh value of one bag more (:mod:`fulfilment.core.worth`), ``grams`` what such a bag gives within
    the forecast and ``sold`` what of that is ordered; None where no plan has looked at it.
    """

    batch: str
    strain: str
    strain_id: int
    grown_through: bool
    seal: int
    open: int
    opens_on: date | None
    fresh: Money | None
    grams: int | None
    sold: int | None


@dataclass(frozen=True, slots=True)
class Cheap:
    """A kit that sells for less than its bag would bring as fresh mushrooms."""

    product: str
    name: str
    price: Money
    batch: str
    fresh: Money


def demands(rows: Collection[BookRow], *, today: date) -> list[Demand]:
    """What of fresh goods is ordered and not yet picked: promised parts by rank, then what is not promised by tier."""
    lines = {
        line.pk: line
        for line in Line.objects.filter(
            cancelled_at__isnull=True, shipment__state__in=["placed", "packed"], shipment__on__gte=today,
            ordered__gt=F("picked"),
        )
        .exclude(product__grade=KIT)
        .select_related("product", "shipment", "order__kitchen")
    }  # fmt: skip
    found = []
    promised: dict[int, int] = {}
    for part in supply.parts_now(rows, today=today):
        if part.line_id in lines:
            promised[part.line_id] = promised.get(part.line_id, 0) + part.amount
            price = lines[part.line_id].price_minor
            found.append(Demand(part.goods, part.first, part.last, part.amount, price, (0, part.rank)))
    own = terms({Goods(line.product.strain_id, line.product.grade) for line in lines.values()}, instead={})
    for pk, line in lines.items():
        rest = line.ordered - line.picked - promised.get(pk, 0)
        if rest > 0:
            goods, kitchen = Goods(line.product.strain_id, line.product.grade), line.order.kitchen
            first, last = own.window(kitchen, goods, line.shipment.on)
            tier = kitchen.tier if kitchen is not None else 1
            found.append(Demand(goods, first, last, rest, line.price_minor, (tier, pk)))
    return found


def bag_plans() -> tuple[BagPlan, ...]:
    """Each batch with bags left as the last plan has it, the oldest first."""
    currency = farm().currency
    in_store = kits_in_store()
    left = Batch.objects.filter(bags__gt=F("bags_lost") + F("bags_opened") + F("bags_sealed"))
    return tuple(
        bag_plan(batch, in_store=in_store.get(batch.pk, 0), currency=currency)
        for batch in left.select_related("strain").order_by("mixed_on", "pk")
    )


def bag_plan(batch: Batch, *, in_store: int, currency: str) -> BagPlan:
    """``batch`` with its strain; ``in_store`` its sealed kits that are still here."""
    seal = max(0, min(batch.bags_left, batch.kit_quota - in_store))
    return BagPlan(
        batch=batch.public_id,
        strain=batch.strain.name,
        strain_id=batch.strain_id,
        grown_through=batch.colonised_on is not None,
        seal=seal,
        open=batch.bags_left - seal,
        opens_on=batch.opens_on if batch.bags_left > seal else None,
        fresh=Money(batch.fresh_minor, currency) if batch.fresh_minor is not None else None,
        grams=batch.fresh_g,
        sold=batch.fresh_sold_g,
    )


def cheap_kits(bags: Collection[BagPlan]) -> tuple[Cheap, ...]:
    """Kits on sale for less than the fresh value of a bag that is to be sealed for them, the greatest loss first."""
    currency = farm().currency
    dearest: dict[int, BagPlan] = {}
    for bag in bags:
        best = dearest.get(bag.strain_id)
        if bag.seal and bag.fresh and (best is None or best.fresh is None or bag.fresh.amount > best.fresh.amount):
            dearest[bag.strain_id] = bag
    found = []
    for product in Product.objects.filter(grade=KIT, active=True, strain__in=dearest).order_by("pk"):
        bag = dearest[product.strain_id]
        if bag.fresh is not None and product.price_minor < bag.fresh.amount:
            price = Money(product.price_minor, currency)
            found.append(Cheap(product.public_id, product.name, price, bag.batch, bag.fresh))
    return tuple(sorted(found, key=lambda each: each.price.amount - each.fresh.amount))
