"""Addresses of the farm's pages and of its API."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.urls import include, path

if TYPE_CHECKING:
    from django.urls import URLPattern, URLResolver

urlpatterns: list[URLPattern | URLResolver] = [
    path("api/", include("fulfilment.api.urls")),
    path("", include("fulfilment.web.urls")),
]
