"""What holds for every address: a GET never writes, a key without the scope is refused, the schema is the committed
one.
"""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any

import pytest
import yaml
from django.core.management import call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fulfilment.api.schema import SECTIONS
from tests import world
from tests.api.asking import ask, key
from tests.api.routes import ROUTES
from tests.world import World

pytestmark = pytest.mark.django_db

SCHEMA = Path(__file__).parents[2] / "docs" / "openapi.yaml"
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


OPERATIONS = [
    pytest.param(operation, id=operation["operationId"])
    for item in yaml.safe_load(SCHEMA.read_text())["paths"].values()
    for operation in item.values()
]


@pytest.mark.parametrize("operation", OPERATIONS)
def test_each_operation_says_what_it_is_and_how_it_can_be_refused(operation: dict[str, Any]) -> None:
    assert 0 < len(operation["summary"]) <= 90
    assert operation["summary"][0].isupper()
    assert len(operation["tags"]) == 1
    answers = operation["responses"]
    assert any(status.startswith("2") for status in answers)
    wanted = {"400", "404", "429", "503"}
    if operation.get("security") and {} not in operation["security"]:
        wanted |= {"401", "403"}
    if "requestBody" in operation:
        wanted |= {"409", "413", "415"}
    names = {parameter["name"] for parameter in operation.get("parameters", [])}
    wanted |= {"422"} if "Idempotency-Key" in names else set()
    wanted |= {"412", "428"} if "If-Match" in names else set()
    assert wanted <= answers.keys()
    for parameter in operation.get("parameters", []):
        assert parameter["description"], parameter["name"]
    for status, answer in answers.items():
        assert answer.get("$ref") or answer["description"], status


def test_each_section_of_the_schema_has_something_in_it() -> None:
    used = {operation.values[0]["tags"][0] for operation in OPERATIONS}  # type: ignore[index]  # a param's own
    assert used == {name for name in SECTIONS if name in used}
    nouns = {str(address).partition("/")[0] for address, _ in ROUTES}
    said = {noun for _, own in SECTIONS.values() for noun in own}
    assert nouns <= said, "a new noun needs its section in api/schema.py"


def test_the_page_of_the_api_needs_nothing_from_elsewhere(client: object) -> None:
    from django.test import Client

    page = Client().get("/api/").content.decode()
    assert "orders_place" in page
    fetched = re.findall(r"""(?:src|href|action|srcset|url)\s*[=(]\s*["']?(?:https?:)?//""", page)
    assert not fetched, "what an example says is only read"
