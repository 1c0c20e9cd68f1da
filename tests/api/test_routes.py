"""What holds for every address: a GET never writes, a key without the scope is refused, the schema is the committed
one.
"""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from django.core.management import call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fulfilment import urls as _urls  # noqa: F401 - the addresses below are this module's
from fulfilment.api.urls import V1
from tests import world
from tests.api.asking import ask, key
from tests.world import World

pytestmark = pytest.mark.django_db

SCHEMA = Path(__file__).parents[2] / "docs" / "openapi.yaml"
ROUTES = [(str(route.pattern), route.callback.view_class) for route in V1]  # type: ignore[union-attr]  # each is a view
READS = sorted(address for address, view in ROUTES if "GET" in view.scopes)
WRITES = ("INSERT", "UPDATE", "DELETE", "REPLACE")


@pytest.fixture
def farm() -> World:
    made = world.build()
    world.plan()
    made.harvest(2_000)
    return made


def filled(address: str) -> str:
    return "/" + address.replace("<str:code>", "K7Q2-M4XJ").replace("<int:number>", "1")


@pytest.mark.parametrize("address", READS)
def test_a_get_never_writes(farm: World, address: str) -> None:
    secret = key("office", "grower", "packing", "shop")
    with CaptureQueriesContext(connection) as seen:
        ask(secret, "GET", filled(address))
    written = [query["sql"] for query in seen if query["sql"].lstrip().upper().startswith(WRITES)]
    assert not written


def test_the_watch_for_writes_would_see_one(farm: World) -> None:
    secret = key("office")
    with CaptureQueriesContext(connection) as seen:
        ask(secret, "POST", "/replans", {}, status=202)
    assert any(query["sql"].lstrip().upper().startswith(WRITES) for query in seen)


@pytest.mark.parametrize("scope", ["kitchen", "shop", "packing", "grower", "office"])
def test_each_scope_is_let_in_where_it_is_named_and_nowhere_else(farm: World, scope: str) -> None:
    secret = key("kitchen", kitchen=farm.kitchen) if scope == "kitchen" else key(scope)
    for address, view in ROUTES:
        for method, scopes in view.scopes.items():
            told = ask(secret, method, filled(address), {} if method == "POST" else None)
            refused = isinstance(told, dict) and told.get("code") in ("forbidden", "scope_missing")
            assert refused == (scope not in scopes), (method, address, told)


def test_the_committed_schema_is_the_one_that_is_served() -> None:
    made = io.StringIO()
    call_command("spectacular", "--validate", "--fail-on-warn", stdout=made)
    assert made.getvalue() == SCHEMA.read_text(), "make schema writes it anew"


def test_the_page_of_the_api_needs_nothing_from_elsewhere(client: object) -> None:
    from django.test import Client

    page = Client().get("/api/reference").content.decode()
    assert "orders_place" in page
    assert "https://" not in page.replace("https://farm.example.org", "")
