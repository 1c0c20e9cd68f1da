"""The growers' pages: rooms with what stands in them, logging, the store, where bags come from, holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fulfilment.web.rooms import batch, crop, mixing, overview, sources, stops, store

if TYPE_CHECKING:
    from django.urls import URLPattern

PAGES: list[URLPattern] = [
    *overview.PAGES,
    *mixing.PAGES,
    *batch.PAGES,
    *crop.PAGES,
    *sources.PAGES,
    *store.PAGES,
    *stops.PAGES,
]
