"""Packing: ``overview`` of the lists, ``picking`` through one, ``leaving`` the house, ``doors``, and ``papers``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fulfilment.web.packing import doors, leaving, overview, papers, picking

if TYPE_CHECKING:
    from django.urls import URLPattern

# Fixed words before codes.
PAGES: list[URLPattern] = [*overview.PAGES, *doors.PAGES, *papers.PAGES, *leaving.PAGES, *picking.PAGES]
