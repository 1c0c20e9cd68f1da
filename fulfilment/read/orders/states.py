"""An order's state: that of its least advanced live shipment, and cancelled where nothing of it lives."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from django.db.models import Exists, OuterRef

from fulfilment.models import Line

if TYPE_CHECKING:
    from collections.abc import Collection

    from django.db.models import QuerySet

    from fulfilment.models import Order

ADVANCE: Final = ("placed", "packed", "sent", "delivered")
"""The states of a live shipment, least advanced first."""


def state_of(live: Collection[str], *, cancelled: bool) -> str:
    """From the states of its ``live`` shipments and whether it was ``cancelled`` as a whole."""
    if cancelled:
        return "cancelled"
    return next((state for state in ADVANCE if state in live), "cancelled")


def in_state(orders: QuerySet[Order], state: str) -> QuerySet[Order]:
    """Those of the orders whose state (:func:`state_of`) this is."""
    live = Line.objects.filter(order=OuterRef("pk"), cancelled_at__isnull=True)
    standing = orders.filter(cancelled_at__isnull=True).filter(Exists(live.filter(shipment__state__in=ADVANCE)))
    if state == "cancelled":
        return orders.exclude(pk__in=standing.values("pk"))
    before = ADVANCE[: ADVANCE.index(state)]
    found = standing.filter(Exists(live.filter(shipment__state=state)))
    return found.exclude(Exists(live.filter(shipment__state__in=before))) if before else found
