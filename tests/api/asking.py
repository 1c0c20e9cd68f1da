"""Asking the API as a program does: a key, a method, an address, a body."""

from __future__ import annotations

import json
from dataclasses import dataclass
from itertools import count
from typing import Any

from django.test import Client

from fulfilment.services import keys
from tests.api import conforming
from tests.world import ADA, NOW

_named = count()


@dataclass(frozen=True)
class Heard:
    """One request with its answer."""

    method: str
    path: str
    body: object
    status: int
    told: Any


heard: list[Heard] | None = None
"""Filled where a test listens."""


def key(*scopes: str, **more: Any) -> str:
    return keys.make("test", scopes=scopes, by=ADA, now=NOW, **more)[1]


def ask(
    secret: str,
    method: str,
    address: str,
    body: object = None,
    *,
    once: str = "",
    match: str = "",
    status: int | None = None,
) -> Any:
    """The parsed answer, which is as the schema says; ``status`` is what it must be.

    A POST is named anew unless ``once`` names it; ``match`` is the entity tag of what is changed; no ``secret`` is no
    key.
    """
    headers = {"HTTP_AUTHORIZATION": f"Bearer {secret}"} if secret else {}
    if match:
        headers["HTTP_IF_MATCH"] = match
    if method == "POST":
        headers["HTTP_IDEMPOTENCY_KEY"] = once or f"request-{next(_named)}"
    data = b"" if body is None else json.dumps(body).encode()
    response = Client().generic(method, f"/api/v1{address}", data, content_type="application/json", **headers)  # type: ignore[arg-type]  # headers, as the test client takes them
    told = json.loads(response.content) if response.content else None
    conforming.check(method, f"/api/v1{address}".partition("?")[0], response.status_code, told)
    if response.status_code in (400, 409) and method != "GET":
        conforming.places(method, f"/api/v1{address}".partition("?")[0], body or {}, told or {})
    if heard is not None:
        heard.append(Heard(method, f"/api/v1{address}".partition("?")[0], body, response.status_code, told))
    if status is not None:
        assert response.status_code == status, told
    return told
