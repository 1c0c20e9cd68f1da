"""Addresses of the pages; each module lists its own beside its views."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fulfilment.web import (
    coming,
    holder,
    joining,
    kitchen,
    kits,
    mails,
    orders,
    packing,
    plan,
    rooms,
    scores,
    signing_in,
    today,
)

if TYPE_CHECKING:
    from django.urls import URLPattern

urlpatterns: list[URLPattern] = [
    *today.PAGES,
    *signing_in.PAGES,
    *rooms.PAGES,
    *coming.PAGES,
    *plan.PAGES,
    *scores.PAGES,
    *orders.PAGES,
    *packing.PAGES,
    *kits.PAGES,
    *mails.PAGES,
    *kitchen.PAGES,
    *holder.PAGES,
    *joining.PAGES,
]
