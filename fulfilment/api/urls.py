"""The API's addresses."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, include, path, re_path

from fulfilment.api.harvests import Harvests
from fulfilment.api.lots import Lots, OneLot
from fulfilment.api.schema import Schema, reference
from fulfilment.api.views import Nowhere

V1: list[URLPattern | URLResolver] = [
    path("lots", Lots.as_view()),
    path("lots/<str:code>", OneLot.as_view()),
    path("harvests", Harvests.as_view()),
]

urlpatterns: list[URLPattern | URLResolver] = [
    path("v1/", include(V1)),
    path("schema", Schema.as_view(), name="schema"),
    path("reference", reference, name="reference"),
    re_path(r"^.*", Nowhere.as_view()),
]
