"""An order that was just written, told as it would be read, without reading it again."""

from __future__ import annotations

from fulfilment.core.units import Goods
from fulfilment.models import Line, Promise, PromisePart
from fulfilment.read.orders.whole import LineTold, OrderTold, PartTold, Whole
from fulfilment.services.ordering.placing import Placed


def as_read(placed: Placed) -> Whole:
    """The same as :func:`fulfilment.read.orders.whole.wholes` gives of it."""
    order, taken = placed.order, placed.taken
    told = OrderTold(
        pk=order.pk,
        code=order.public_id,
        kitchen=order.kitchen.public_id if order.kitchen else None,
        buyer=order.buyer.public_id if order.buyer else None,
        standing_order=order.standing_order.public_id if order.standing_order else None,
        standing_on=order.standing_on,
        purchase=order.purchase.public_id if order.purchase else None,
        on=order.on,
        reference=order.reference,
        note=order.note,
        gift=order.gift,
        greeting=order.greeting,
        start_on=order.start_on,
        placed_at=order.placed_at,
        cancelled_at=order.cancelled_at,
        version=order.version,
        currency=taken.desk.terms.farm.currency,
    )
    parts: dict[int, list[PartTold]] = {line.promise_id: [] for line in placed.lines if line.promise_id is not None}
    goods = {row.pk: each for each, row in taken.desk.rows.items()}
    for part in placed.parts:
        each = goods[part.book_id]
        parts[part.promise_id].append(_part(part, each, strain=taken.strains[each.strain_id]))
    return Whole(told, [_line(line, line.promise) for line in placed.lines if line.promise is not None], parts)


def _part(part: PromisePart, goods: Goods, *, strain: str) -> PartTold:
    return PartTold(
        promise=part.promise_id,
        strain_id=goods.strain_id,
        strain=strain,
        grade=goods.grade,
        amount=part.amount,
        first_on=part.first_on,
        last_on=part.last_on,
    )


def _line(line: Line, promise: Promise) -> LineTold:
    return LineTold(
        order=line.order_id,
        number=line.number,
        product=line.product.public_id,
        name=line.product.name,
        strain_id=line.product.strain_id,
        grade=line.product.grade,
        price_minor=line.price_minor,
        ordered=line.ordered,
        at_least=line.at_least,
        promised=line.promised,
        chance_pct=line.chance_pct,
        allocated=line.allocated,
        picked=line.picked,
        refused=line.refused,
        account=line.account,
        cancelled_at=line.cancelled_at,
        shipment_id=line.shipment_id,
        shipment=line.shipment.public_id,
        shipment_state=line.shipment.state,
        cut_off_at=line.shipment.cut_off_at,
        promise=promise.pk,
        status=promise.status,
        amount=promise.amount,
        promise_pct=promise.chance_pct,
        asked_pct=promise.asked_pct,
        largest=promise.largest,
        first_full_on=promise.first_full_on,
        why=promise.why,
        doubt=None,
        # There is no doubt of what was promised just now, and nothing to say of it.
        doubt_told_at=None,  # type: ignore[arg-type]  # None where there is no doubt
        doubt_pct=None,  # type: ignore[arg-type]  # the same
        doubt_sure=None,  # type: ignore[arg-type]  # the same
    )
