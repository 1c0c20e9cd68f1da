"""Whatever a stranger's program sends: no 5xx, and no answer outside the schema, whoever asks.

Requests are made up from the committed schema by schemathesis, as they should be and as they should not; ids in them
are often real ones, so that what lies behind them is reached.  ``TORTURE=1`` asks each request fifteen times as often.
"""

from __future__ import annotations

import gzip
import json
import os
from collections import Counter
from contextlib import suppress
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, urlencode

import hypothesis
import pytest
import schemathesis
import time_machine
import yaml
from django.core.cache import cache
from django.db import connection
from django.test import Client
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode

from tests.api import conforming
from tests.api.asking import key
from tests.api.everything import Everything
from tests.world import NOW

if TYPE_CHECKING:
    from collections.abc import Iterator

TIMES = 15 if os.environ.get("TORTURE") else 1
ROLES = ("office", "grower", "packing", "shop", "kitchen", "none")
ODD_TEXTS = (
    "\0", "\u202ebackwards", "two\nlines", "\r\nBcc: eve@example.org", "=1+1", "@SUM(A1)", "<b>x</b>", "' OR 1=1 --",
    "x" * 5_000, "\ud7ff\ue000\U0010ffff", "  ", "\u2028", "٣", "K7Q2-M4XJ", "../../etc/passwd", "%00", "{{7*7}}",
)  # fmt: skip
ODD_NUMBERS: tuple[Any, ...] = (1e308, -1e308, -0.0, 0, -1, 2**31, 2**63, 10**40, 0.1, 1e-320, True)


@pytest.fixture
def all_(settings: Any) -> Iterator[Everything]:
    settings.API_PER_MINUTE = 10**9
    cache.clear()
    with time_machine.travel(NOW, tick=False) as clock:
        yield Everything(clock)


class Asker:
    """Sends requests by each role in turn and holds each answer against the schema."""

    def __init__(self, all_: Everything) -> None:
        self.keys = {role: key(role) for role in ROLES[:4]} | {"kitchen": all_.cleo, "none": ""}
        self.client = Client(raise_request_exception=False)
        self.ids = sorted({*all_.ids.values(), all_.farm.kitchen.public_id, all_.kits, all_.intake, all_.spawn})
        self.seen: Counter[int] = Counter()
        self.number = 0

    def send(
        self,
        method: str,
        path: str,
        body: bytes,
        *,
        query: str = "",
        headers: dict[str, str],
        kind: str = "application/json",
    ) -> None:
        self.number += 1
        # The office is let in everywhere, so every other request is its own.
        role = ROLES[self.number // 2 % len(ROLES)] if self.number % 2 else "office"
        own = {"Idempotency-Key": f"{self.number}", "If-Match": "*"} | headers
        if self.keys[role]:
            own["Authorization"] = f"Bearer {self.keys[role]}"
        # Throttled by address, which all of these share.
        cache.clear()
        answer = self.client.generic(method, f"{path}?{query}" if query else path, body, content_type=kind, headers=own)
        self.seen[answer.status_code] += 1
        about = f"{role}: {method} {path}?{query} {body[:300]!r} -> {answer.status_code} {answer.content[:300]!r}"
        assert answer.status_code < 500, about
        if answer.status_code == 304:
            return
        told = json.loads(answer.content) if answer.content else None
        try:
            conforming.check(method, path, answer.status_code, told)
        except Exception as wrong:
            raise AssertionError(about) from wrong


@pytest.mark.django_db
def test_no_stranger_meets_a_fault_or_an_answer_outside_the_schema(all_: Everything) -> None:
    document = yaml.safe_load(conforming.SCHEMA.read_text())
    # The examples are other tests'; here nothing is taken for granted.
    schema = schemathesis.openapi.from_dict(document)
    asker = Asker(all_)
    for result in schema.get_all_operations():
        operation = result.ok()  # type: ignore[union-attr]  # a schema with a fault in it fails here, as it should
        for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE):
            _try(asker, operation, mode)
    print(f"\nstrangers {asker.number} requests, {dict(sorted(asker.seen.items()))}")  # noqa: T201 - the torture's line
    assert asker.number >= (5_000 if TIMES > 1 else 300)
    assert asker.seen[200] + asker.seen[201] > asker.number / 50, "some of it must be right"


def _try(asker: Asker, operation: Any, mode: GenerationMode) -> None:
    @settings(
        max_examples=2 * TIMES, deadline=None, database=None, derandomize=True, report_multiple_bugs=False,
        suppress_health_check=list(HealthCheck), phases=[hypothesis.Phase.generate],
    )  # fmt: skip
    @given(case=operation.as_strategy(generation_mode=mode), code=st.sampled_from(asker.ids), real=st.booleans())
    def one(case: Any, code: str, real: bool) -> None:
        given_path = {name: str(value) for name, value in (case.path_parameters or {}).items()}
        if real and "code" in given_path:
            given_path["code"] = code
        if not str(given_path.get("number", "1")).isdigit():
            given_path["number"] = "1"
        path = operation.path
        for name, value in given_path.items():
            # A slash or nothing would be another address.
            path = path.replace(f"{{{name}}}", quote(value.replace("/", "-"), safe="") or "-")
        query = {name: value for name, value in (case.query or {}).items() if value is not None}
        body = b"" if isinstance(case.body, schemathesis.core.NotSet) else _bytes(case.body)
        asker.send(operation.method.upper(), path, body, query=urlencode(query, doseq=True), headers={})

    # Some requests have nothing that could be wrong.
    with suppress(hypothesis.errors.Unsatisfiable):
        one()


def _bytes(body: Any) -> bytes:
    return body if isinstance(body, bytes) else json.dumps(body).encode("utf-8", "surrogatepass")


@pytest.mark.django_db
def test_odd_values_in_every_field_of_every_request(all_: Everything) -> None:
    """Each example is sent with one leaf after the other turned into something that no program of good will sends."""
    asker = Asker(all_)
    odd = [*ODD_TEXTS, *ODD_NUMBERS, None, [], {}, [[]], {"": ""}]
    turn = 0
    for address, item in conforming.addresses():
        for method, operation in item.items():
            for kind in operation.get("requestBody", {"content": {}})["content"].values():
                path = address.replace("{code}", asker.ids[turn % len(asker.ids)]).replace("{number}", "1")
                for leaf in _leaves(kind.get("example", {})):
                    for _ in range(2 if TIMES == 1 else len(odd)):
                        turn += 1
                        body = _with(kind["example"], leaf, odd[turn % len(odd)])
                        asker.send(method.upper(), path, json.dumps(body).encode(), headers={})
                break
    if connection.vendor == "sqlite":
        print(f"\nodd values {asker.number} requests, {dict(sorted(asker.seen.items()))}")  # noqa: T201 - the same
    assert asker.number > 300


BODIES = [
    b'{"on": "2026-05-08", "on": "2026-05-09", "lines": []}',
    b'{"lines": ' + b"[" * 10_000 + b"]" * 10_000 + b"}",
    b'{"reference": "' + b"x" * 10 * 2**20 + b'"}',
    b'{"reference": "\\u0000"}',
    b'{"reference": "a\x00b"}',
    b"\xef\xbb\xbf{}",
    b"\xff\xfe{\x00}\x00",
    b'{"lines": [{"amount_g": 1e400}]}',
    b'{"lines": [{"amount_g": Infinity}]}',
    b'{"lines": [{"amount_g": ' + b"1" * 100_000 + b"}]}",
    b"null",
    b"0",
    b"{}{}",
    b"{'on': 1}",
]


@pytest.mark.django_db
def test_bodies_that_no_library_writes(all_: Everything) -> None:
    asker = Asker(all_)
    for body in BODIES:
        for address in ("/api/v1/orders", "/api/v1/promise-checks", "/api/v1/harvest-lists"):
            for _ in ROLES:
                asker.send("POST", address, body, headers={})
    assert set(asker.seen) <= {400, 401, 403, 413}


KINDS = (
    "", "text/plain", "text/html", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x",
    "multipart/form-data", "application/xml", "application/json-patch+json", "application/merge-patch+json",
    "application/json, text/html", "*/*", "application/json\u202e", "json", ";", "application/" + "j" * 5_000,
)  # fmt: skip


@pytest.mark.django_db
def test_bodies_of_other_kinds(all_: Everything) -> None:
    """What is no JSON by its own word is not looked at, and a charset is no part of JSON (RFC 8259, section 11)."""
    asker = Asker(all_)
    for kind in KINDS:
        for body in (b"{}", b'--x\r\nContent-Disposition: form-data; name="on"\r\n\r\n1\r\n--x--', b"on=2026-05-08"):
            asker.send("POST", "/api/v1/orders", body, headers={}, kind=kind)
    assert set(asker.seen) <= {401, 403, 415}
    asker.send("POST", "/api/v1/replans", b"{}", headers={}, kind="Application/JSON; charset=utf-16")
    assert asker.seen[202] == 1


@pytest.mark.django_db
def test_a_packed_body_is_not_unpacked(all_: Everything) -> None:
    """Thirty kilobytes that are thirty megabytes once unpacked."""
    asker = Asker(all_)
    bomb = gzip.compress(b"{" + b" " * 30 * 2**20 + b"}")
    for coding in ("gzip", "GZIP", "deflate", "br", "gzip, gzip", "x" * 5_000):
        asker.send("POST", "/api/v1/orders", bomb, headers={"Content-Encoding": coding})
        asker.send("POST", "/api/v1/orders", b"{}", headers={"Content-Encoding": coding})
    assert set(asker.seen) <= {401, 403, 415}


ODD_WORDS = ("%00", "%ff", "%E2%80%AE", "1e308", "-0", "%0d%0aX: y", "a" * 5_000, "%F4%90%80%80", "")


@pytest.mark.django_db
def test_odd_words_in_every_query_and_address(all_: Everything) -> None:
    asker = Asker(all_)
    for odd in ODD_WORDS:
        for address, item in conforming.addresses():
            if "get" not in item:
                continue
            path = address.replace("{code}", asker.ids[0]).replace("{number}", "1")
            for parameter in item["get"].get("parameters", []):
                if parameter["in"] == "query":
                    asker.send("GET", path, b"", query=f"{parameter['name']}={odd}", headers={})
            if "{code}" in address and odd:
                asker.send("GET", address.replace("{code}", odd).replace("{number}", "1"), b"", headers={})


def _leaves(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from _leaves(inner, (*path, name))
    elif isinstance(value, list):
        for place, inner in enumerate(value[:1]):
            yield from _leaves(inner, (*path, place))
    if path:
        yield path


def _with(value: Any, path: tuple[Any, ...], odd: Any) -> Any:
    if not path:
        return odd
    copy = dict(value) if isinstance(value, dict) else list(value)
    copy[path[0]] = _with(copy[path[0]], path[1:], odd)
    return copy
