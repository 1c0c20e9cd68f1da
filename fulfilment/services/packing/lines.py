"""Order lines by the name they have outside the house: the order's id and the line's number, ``K7Q2-M4XJ/1``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fulfilment.core import codes
from fulfilment.core.problems import Missing
from fulfilment.models import Line

if TYPE_CHECKING:
    from django.db.models import QuerySet


def find(name: str, *, where: str = "line") -> Line:
    """The line as it stands."""
    return _one(Line.objects.all(), name, where=where)


def lock(name: str, *, where: str = "line") -> Line:
    """The line, locked until the transaction ends; its shipment must have been locked before it."""
    return _one(Line.objects.select_for_update(no_key=True, of=("self",)), name, where=where)


def _one(lines: QuerySet[Line], name: str, *, where: str) -> Line:
    order, _, number = name.partition("/")
    code = codes.tidy(order)
    if not code or not (number.isascii() and number.isdigit() and len(number) <= 4):
        raise Missing("This is not the name of an order line: they look like K7Q2-M4XJ/1.", where=where)
    line = (
        lines.select_related("order", "product__strain", "shipment__kitchen", "shipment__buyer")
        .filter(order__public_id=code, number=int(number))
        .first()
    )
    if line is None:
        raise Missing(f"There is no order line {code}/{int(number)}.", where=where, line=f"{code}/{int(number)}")
    return line
