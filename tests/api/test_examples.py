"""The examples in the schema are requests that were sent and answers that came: the story is lived again and held
against them.

``EXAMPLES=write`` writes them anew (``make schema``).
"""

from __future__ import annotations

import json
import os
import random
import re
import secrets
from typing import Any

import pytest
import time_machine
from django.apps import apps
from django.core.cache import cache
from django.core.management.color import no_style
from django.db import connection

from fulfilment.api import examples
from fulfilment.core import codes
from fulfilment.models import ApiKey
from fulfilment.models.webhooks import new_message_id, new_salt
from tests.api import asking, conforming, story
from tests.world import NOW

DRAWN = {
    "expected",
    "figures",
    "data",
    "why",
    "words",
    "says",
    "account",
    "status",
    "chance",
    "first_full_on",
    "parts",
    "next",
}
NOT_LIVED: set[str] = set()
"""Requests that have no example yet."""


@pytest.fixture
def _counted_from_one(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ids are drawn from a seed and rows counted from 1 (scenarios are drawn by row), so that the same story has the
    same ids and the same numbers.
    """
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("UPDATE sqlite_sequence SET seq = 0")
        for statement in connection.ops.sequence_reset_sql(no_style(), list(apps.get_models())):
            cursor.execute(statement)
    seed(monkeypatch)


def seed(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the product draws from the machine is drawn from a seed, here and nowhere else."""
    draw = random.Random(1)
    monkeypatch.setattr("fulfilment.core.codes.secrets.choice", draw.choice)
    bits = random.Random(2)
    monkeypatch.setattr("fulfilment.models.webhooks.secrets.token_hex", lambda count: bits.randbytes(count).hex())


@pytest.mark.django_db
@pytest.mark.usefixtures("_counted_from_one")
def test_each_example_is_what_was_sent_and_what_was_answered(monkeypatch: pytest.MonkeyPatch) -> None:
    cache.clear()
    heard: list[asking.Heard] = []
    monkeypatch.setattr(asking, "heard", heard)
    with time_machine.travel(NOW, tick=False) as clock:
        story.live(clock)
    found: dict[str, Any] = {}
    for each in heard:
        if each.status < 300:
            name = conforming.operation(each.method, each.path)["operationId"]
            if name not in found or _says_more(each, found[name]):
                answer = _few(each.told)
                found[name] = {"body": each.body, "status": each.status, "answer": answer}
    told = json.dumps(found, indent=1, ensure_ascii=False, sort_keys=True) + "\n"
    told = told.replace("http://testserver/", "https://farm.example.org/")
    told = re.sub(r"whsec_[\w+/=]+", "whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD", told)
    if os.environ.get("EXAMPLES") == "write":
        examples.FILE.write_text(told)
    kept = json.loads(examples.FILE.read_text())
    for name, each in json.loads(told).items():
        assert name in kept, f"{name}: make schema writes its example"
        assert _kinds(each) == _kinds(kept[name]), f"{name}: make schema writes its example anew"


def test_what_is_drawn_for_the_examples_is_the_same_each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """So writing them twice writes the same bytes; in any other run ids, keys, messages and secrets are new."""

    def drawn() -> list[str]:
        generator = ApiKey.objects.key_generator
        return [codes.new(), new_message_id(), new_salt(), *generator.generate()[:2], secrets.token_hex(4)]

    seed(monkeypatch)
    first = drawn()
    seed(monkeypatch)
    assert drawn() == first
    monkeypatch.undo()
    assert not set(drawn()) & set(first)


def test_each_request_has_an_example() -> None:
    lived = examples.lived().keys()
    wanted = {operation["operationId"] for operation in conforming.operations()}
    assert wanted - lived == NOT_LIVED
    assert not lived - wanted, "examples of what is no request any more"


def test_each_example_is_in_the_schema_and_is_what_its_shape_says() -> None:
    for operation in conforming.operations():
        one = examples.lived().get(operation["operationId"])
        if one is None:
            continue
        shown = operation["responses"][str(one["status"])]["content"]["application/json"]["example"]
        assert shown == one["answer"]
        conforming.shape(operation["responses"][str(one["status"])]["content"]["application/json"]["schema"], shown)
        if one["body"] is not None:
            for kind in operation.get("requestBody", {"content": {}})["content"].values():
                assert kind["example"] == one["body"]
                conforming.shape(kind["schema"], one["body"])


def _says_more(each: asking.Heard, before: Any) -> bool:
    """A list with something in it shows more than an empty one, and so does a request that asks for more; but what
    only the office may, past the cut-off, is no example.
    """
    if before["answer"] in ({"items": [], "next": None}, {"items": []}):
        return True
    return "because" not in (each.body or {}) and len(json.dumps(each.body)) > len(json.dumps(before["body"]))  # type: ignore[operator]  # a body is an object


def _kinds(told: Any) -> Any:
    """What an answer is made of: its names, words and the kinds of its values.

    How much a forecast says moves with everything that is learned, and is no part of an example's truth.
    """
    if isinstance(told, dict):
        return {name: _kinds(value) for name, value in told.items() if name not in DRAWN}
    if isinstance(told, list):
        return [_kinds(each) for each in told[:1]]
    if isinstance(told, str) and (codes.tidy(told) or any(sign.isdigit() for sign in told)):
        return "an id, a day, an amount"
    return told if isinstance(told, str | bool) or told is None else "number"


def _few(told: Any) -> Any:
    """A list's first two items are enough to see what it is."""
    if isinstance(told, dict) and isinstance(told.get("items"), list):
        return told | {"items": told["items"][:2]}
    return told
