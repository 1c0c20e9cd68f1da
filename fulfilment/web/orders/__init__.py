"""Orders for staff: the week, one order, an order taken by phone, a buyer's kits, standing orders."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fulfilment.web.orders import kits, one, standing, taking, week

if TYPE_CHECKING:
    from django.urls import URLPattern

# The code of an order comes last: it would take any word.
PAGES: list[URLPattern] = [*week.PAGES, *taking.PAGES, *kits.PAGES, *standing.PAGES, *one.PAGES]
