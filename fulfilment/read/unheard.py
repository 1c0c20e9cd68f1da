"""Kitchens that were to be told of their next deliveries and that no mail has reached: somebody has to ring them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from django.db.models import Q

from fulfilment.models import Kitchen, Mail, Order
from fulfilment.read import doubts
from fulfilment.read.farm import today

PATIENCE: Final = timedelta(hours=1)
"""A mail that has not gone so long after it should have is none."""


@dataclass(frozen=True, slots=True)
class Unheard:
    kitchen: Kitchen
    on: date
    order: str
    what: str


def unheard(*, now: datetime) -> tuple[Unheard, ...]:
    """Of deliveries still to come, the soonest first; a kitchen once a delivery and matter."""
    lost = Q(state=Mail.State.FAILED) | Q(
        state__in=[Mail.State.PLANNED, Mail.State.SENDING, Mail.State.UNKNOWN], due_at__lt=now - PATIENCE
    )
    mails = Mail.objects.filter(lost, kitchen__isnull=False, kind__in=["shortage", doubts.DOUBTFUL])
    short = {mail.subject.get("order"): mail for mail in mails.filter(kind="shortage")}
    coming = Order.objects.filter(pk__in=short, on__gte=today(now), cancelled_at__isnull=True).select_related("kitchen")
    found = [
        Unheard(order.kitchen, order.on, order.public_id, "less comes than was promised")
        for order in coming.order_by("pk")
        if order.kitchen is not None
    ]
    nobody = Q(mail__isnull=True) | Q(mail__in=mails.filter(kind=doubts.DOUBTFUL))
    told: set[tuple[int, date]] = set()
    for doubt in doubts.open_rows(now=now).filter(nobody, answer=""):
        kitchen, on = doubt.line.order.kitchen, doubt.line.shipment.on
        if kitchen is not None and (kitchen.pk, on) not in told:
            told.add((kitchen.pk, on))
            found.append(Unheard(kitchen, on, doubt.line.order.public_id, f"{doubt.line.product.name} became doubtful"))
    return tuple(sorted(found, key=lambda each: (each.on, each.order)))
