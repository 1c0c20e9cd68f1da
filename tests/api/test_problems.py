"""``docs/problems.md`` against the code: nothing that can be raised is missing there, and what is told leads to it."""

from __future__ import annotations

import ast
import json
import sqlite3
from pathlib import Path
from typing import TYPE_CHECKING, Any

import psycopg
import pytest
import time_machine
from django.db import connection
from django.test import Client
from rest_framework import serializers

from fulfilment.api import problems
from fulfilment.api.meanings import ADDRESS, meanings
from fulfilment.core.problems import Conflict, Forbidden, Invalid, Missing, Problem, Stale, Unconfirmed
from tests import world
from tests.api import conforming
from tests.api.asking import key
from tests.world import NOW

if TYPE_CHECKING:
    from collections.abc import Iterator

HOUSE = Path(__file__).parents[2] / "fulfilment"
ROOMS = ("core", "read", "services", "out", "api")
KINDS: dict[str, type[Problem]] = {
    kind.__name__: kind for kind in (Problem, Invalid, Missing, Conflict, Stale, Forbidden, Unconfirmed)
}
OF_FIELDS = {"ValidationError", "ErrorDetail"}
PASSED_ON = {"invalid.reason_code", "code or self.code"}
"""A code that was raised further in."""


def raised(source: str) -> Iterator[tuple[str, int]]:
    """(code, the status it comes with) of each problem that this source makes."""
    for node in ast.walk(ast.parse(source)):
        name = getattr(node.func, "id", getattr(node.func, "attr", "")) if isinstance(node, ast.Call) else ""
        if name not in KINDS and name not in OF_FIELDS:
            continue
        assert isinstance(node, ast.Call)
        given = next((word.value for word in node.keywords if word.arg == "code"), None)
        placed = any(word.arg == "where" for word in node.keywords)
        if given is None:
            if name in KINDS:
                yield KINDS[name].code, status(KINDS[name], KINDS[name].code, placed=placed)
            continue
        if ast.unparse(given) in PASSED_ON:
            continue
        for each in [given.body, given.orelse] if isinstance(given, ast.IfExp) else [given]:
            assert isinstance(each, ast.Constant), f"line {node.lineno}: a code is written out, so that it can be found"
            yield str(each.value), status(KINDS.get(name, Invalid), str(each.value), placed=placed)


def status(kind: type[Problem], code: str, *, placed: bool) -> int:
    return problems.told(kind("", code=code, where="x" if placed else "")).status_code


def test_each_code_that_can_be_raised_is_on_the_page_with_its_status() -> None:
    known = meanings()
    told: dict[str, set[int]] = {}
    for room in ROOMS:
        for path in (HOUSE / room).rglob("*.py"):
            for code, number in raised(path.read_text()):
                assert code in known, f"{path.name} raises {code!r}, which docs/problems.md does not explain"
                told.setdefault(code, set()).add(number)
    for code, statuses in told.items():
        assert statuses <= set(known[code].statuses), (code, statuses)


def test_a_code_that_nobody_explained_would_be_seen() -> None:
    found = dict(raised('raise Conflict("No.", code="brand_new", where="x")\nraise Missing("No.")'))
    assert found == {"brand_new": 409, "not_found": 404}
    assert "brand_new" not in meanings()
    with pytest.raises(AssertionError, match="written out"):
        list(raised('raise Conflict("No.", code=reason)'))


def test_each_code_of_the_framework_is_on_the_page() -> None:
    fields: list[Any] = [
        serializers.IntegerField(min_value=0, max_value=1), serializers.FloatField(), serializers.CharField(),
        serializers.ListField(), serializers.DictField(), serializers.ChoiceField(choices=["a"]),
    ]  # fmt: skip
    codes = {code for field in fields for code in field.error_messages}
    assert codes <= meanings().keys()
    assert set(problems.CODES.values()) <= meanings().keys()
    for number, code in problems.CODES.items():
        assert number in meanings()[code].statuses
    for code, number in problems.STATUS_OF_CODE.items():
        assert number in meanings()[code].statuses


@pytest.mark.django_db
def test_the_page_is_served_as_it_is_written_and_each_type_leads_to_its_row() -> None:
    page = Client().get(ADDRESS).content.decode()
    for meaning in meanings().values():
        assert f'id="{meaning.code}"' in page
    assert "<script" not in page
    assert "http://" not in page
    assert "https://" not in page
    told = Client().get("/api/v1/nowhere").json()
    assert told["type"] == "/api/problems#not_found"
    assert told["title"] == meanings()["not_found"].says


def send(secret: str, method: str, address: str, body: bytes = b"", kind: str = "application/json", **more: str) -> Any:
    return Client(raise_request_exception=False).generic(
        method, address, body, content_type=kind,
        headers={"Authorization": f"Bearer {secret}", "Idempotency-Key": "one"} | more,
    )  # fmt: skip


MISTAKES: list[tuple[str, str, bytes, str, int, str]] = [
    ("GET", "/api/v1/nowhere", b"", "application/json", 404, "not_found"),
    ("GET", "/api/nowhere/at/all", b"", "application/json", 404, "not_found"),
    ("GET", "/api/v1/lots/", b"", "application/json", 404, "not_found"),
    ("GET", "/api/v1/%00", b"", "application/json", 404, "not_found"),
    ("GET", "/api/v1/lots/%ff", b"", "application/json", 404, "not_found"),
    ("GET", "/api/v1/lots/" + "9" * 3_000, b"", "application/json", 404, "not_found"),
    ("DELETE", "/api/v1/lots", b"", "application/json", 405, "method_not_allowed"),
    ("BREW", "/api/v1/lots", b"", "application/json", 405, "method_not_allowed"),
    ("POST", "/api/v1/rooms", b"<room/>", "application/xml", 415, "unsupported_media_type"),
    ("POST", "/api/v1/rooms", b"name=x", "application/x-www-form-urlencoded", 415, "unsupported_media_type"),
    ("POST", "/api/v1/rooms", b"{}", "", 415, "unsupported_media_type"),
    ("POST", "/api/v1/rooms", b"{", "application/json", 400, "unreadable"),
    ("POST", "/api/v1/rooms", b'{"name": "' + b"x" * 10 * 2**20 + b'"}', "application/json", 413, "too_large"),
    ("GET", "/api/v1/lots?colour=red", b"", "application/json", 400, "unknown_parameter"),
    ("GET", "/api/v1/orders?on=%00", b"", "application/json", 400, "invalid"),
    ("GET", "/api/v1/events?subject=%00", b"", "application/json", 400, "invalid"),
    ("GET", "/api/v1/lots?cursor=%00", b"", "application/json", 400, "invalid"),
]


@pytest.mark.django_db
@pytest.mark.parametrize(("method", "address", "body", "kind", "status", "code"), MISTAKES)
def test_whatever_goes_wrong_on_the_way_is_told_alike(
    method: str, address: str, body: bytes, kind: str, status: int, code: str
) -> None:
    with time_machine.travel(NOW, tick=False):
        world.build()
        answer = send(key("office"), method, address, body, kind)
    assert (answer.status_code, answer["Content-Type"]) == (status, "application/problem+json"), answer.content[:300]
    conforming.problem(status, answer.json())
    assert answer.json()["code"] == code


@pytest.mark.django_db
def test_our_own_mistake_is_told_alike_too(monkeypatch: pytest.MonkeyPatch) -> None:
    with time_machine.travel(NOW, tick=False):
        world.build()
        monkeypatch.setattr("fulfilment.services.farm.add_room", lambda *_, **__: 1 / 0)
        body = json.dumps({"name": "Loft", "kind": "cold", "set_point_c": 3}).encode()
        answer = send(key("office"), "POST", "/api/v1/rooms", body)
    assert (answer.status_code, answer["Content-Type"]) == (500, "application/problem+json")
    conforming.problem(500, answer.json())


@pytest.mark.django_db(transaction=True)
def test_a_database_that_does_not_answer_is_503_with_its_seconds_and_the_order_can_be_sent_again() -> None:
    """The real thing on both engines: PostgreSQL's connection is cut, SQLite's file is held by another writer."""
    with time_machine.travel(NOW, tick=False):
        farm = world.build()
        secret = key("office")
        body = json.dumps({"name": "Loft", "kind": "cold", "set_point_c": 3}).encode()
        release = hold_or_cut()
        answers = [send(secret, "POST", "/api/v1/rooms", body)]
        if connection.vendor == "postgresql":
            connection.close()
            release = hold_or_cut()
            answers.append(send(secret, "GET", f"/api/v1/kitchens/{farm.kitchen.public_id}"))
        for answer in answers:
            assert (answer.status_code, answer["Content-Type"]) == (503, "application/problem+json")
            assert int(answer["Retry-After"]) >= 1
            conforming.problem(503, answer.json())
            assert answer.json()["code"] == "unavailable"
        release()
        connection.close()
        assert send(secret, "POST", "/api/v1/rooms", body).status_code == 201


def hold_or_cut() -> Any:
    """Make the database not answer; what is given back ends it."""
    if connection.vendor == "postgresql":
        connection.ensure_connection()
        pid = connection.connection.info.backend_pid
        settings = connection.get_connection_params()
        with psycopg.connect(
            host=settings["host"], port=settings["port"], user=settings["user"], dbname="postgres", autocommit=True
        ) as other:
            other.execute("SELECT pg_terminate_backend(%s, 5000)", [pid])
        return lambda: None
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA busy_timeout = 50")
    other_writer = sqlite3.connect(str(connection.settings_dict["NAME"]), isolation_level=None)
    other_writer.execute("BEGIN IMMEDIATE")
    return other_writer.close
