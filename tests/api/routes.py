"""Every address of the API, read off the deployment's own table, so that none can be left out of a walk."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from django.urls import URLPattern, URLResolver, get_resolver

from fulfilment.api.views import Endpoint

V1 = "api/v1/"


def _all(patterns: Sequence[URLPattern | URLResolver], before: str = "") -> Iterator[tuple[str, Any]]:
    for each in patterns:
        address = before + str(each.pattern)
        if isinstance(each, URLResolver):
            yield from _all(each.url_patterns, address)
        else:
            yield address, getattr(each.callback, "view_class", None)


ROUTES: list[tuple[str, type[Endpoint]]] = [
    (address.removeprefix(V1), view) for address, view in _all(get_resolver().url_patterns) if address.startswith(V1)
]
