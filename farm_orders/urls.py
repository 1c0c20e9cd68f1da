"""Addresses of the deployment: the farm's own, and what its operators look at."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, include, path

from fulfilment.admin.site import site as records
from fulfilment.web import health

handler500 = "farm_orders.middleware.server_error"

urlpatterns: list[URLPattern | URLResolver] = [
    path("health/live", health.live, name="live"),
    path("health/ready", health.ready, name="ready"),
    path("metrics", health.metrics, name="metrics"),
    path("admin/", records.urls),
    path("", include("fulfilment.urls")),
]
