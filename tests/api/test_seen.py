"""Tags of what was read: 304 for who has it, 412 for who has an older version, 428 for who has none."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
import time_machine
from django.test import Client

from fulfilment import urls as _urls  # noqa: F401 - the addresses below are this module's
from fulfilment.api.urls import V1
from tests.api.asking import key
from tests.api.everything import Everything
from tests.world import NOW, World, build

if TYPE_CHECKING:
    from collections.abc import Iterator

    from django.http import HttpResponse

pytestmark = pytest.mark.django_db

READS = [
    str(route.pattern)
    for route in V1
    if "GET" in route.callback.view_class.scopes  # type: ignore[union-attr]  # each is a view
]


@pytest.fixture
def farm() -> Iterator[World]:
    with time_machine.travel(NOW, tick=False):
        yield build()


def send(secret: str, method: str, address: str, body: object = None, **headers: str) -> HttpResponse:
    """``if_match`` and the like are headers; ``kind`` is the body's."""
    kind = headers.pop("kind", "application/json")
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return Client().generic(  # type: ignore[return-value]  # the test client's own class
        method, f"/api/v1{address}", b"" if body is None else json.dumps(body).encode(), content_type=kind,
        headers={"Authorization": f"Bearer {secret}"} | named,
    )  # fmt: skip


def test_every_address_that_is_read_has_a_strong_tag_and_answers_304_to_who_has_it() -> None:
    """RFC 9110, sections 8.8.3 and 13.1.2: compared weakly, and 304 repeats the tag without a body."""
    with time_machine.travel(NOW, tick=False) as clock:
        all_ = Everything(clock)
        for pattern in READS:
            address = all_.address(pattern)
            first = send(all_.office, "GET", address)
            tag = first["ETag"]
            assert tag.startswith('"'), (address, "strong")
            for seen in (tag, f"W/{tag}", f'"another", {tag}', "*"):
                again = send(all_.office, "GET", address, if_none_match=seen)
                assert (again.status_code, again.content, again["ETag"]) == (304, b"", tag), address
            assert send(all_.office, "GET", address, if_none_match='"another"').content == first.content


def test_what_changed_has_another_tag_also_in_its_list(farm: World) -> None:
    secret = key("office")
    address, list_ = f"/products/{farm.product.public_id}", "/products"
    one, all_ = send(secret, "GET", address)["ETag"], send(secret, "GET", list_)["ETag"]
    assert send(secret, "PATCH", address, {"name": "Pearl oyster, half a kilo"}, if_match=one).status_code == 200
    for where, tag in ((address, one), (list_, all_)):
        again = send(secret, "GET", where, if_none_match=tag)
        assert again.status_code == 200
        assert again["ETag"] != tag


def test_two_askers_who_see_different_things_have_different_tags(farm: World) -> None:
    """A kitchen is not told its tier."""
    address = f"/kitchens/{farm.kitchen.public_id}"
    office = send(key("office"), "GET", address)
    own = send(key("kitchen", kitchen=farm.kitchen), "GET", address)
    assert office["ETag"] != own["ETag"]
    assert "Authorization" in own["Vary"]


@pytest.mark.parametrize(
    ("given", "status"),
    [("", 428), ('"0"', 412), ('"99.abc"', 412), ("W/{tag}", 412), ("{tag}", 200), ("*", 200), ('"x", {tag}', 200)],
)
def test_a_change_is_held_against_what_was_seen(farm: World, given: str, status: int) -> None:
    """RFC 9110, section 13.1.1: If-Match compares strongly.  RFC 6585, section 3: 428."""
    secret, address = key("office"), f"/products/{farm.product.public_id}"
    tag = send(secret, "GET", address)["ETag"]
    headers = {"if_match": given.replace("{tag}", tag)} if given else {}
    answer = send(secret, "PATCH", address, {"name": "Another name"}, **headers)
    assert answer.status_code == status, answer.content
    if status == 200:
        stale = send(secret, "PATCH", address, {"name": "A third"}, if_match=tag)
        assert stale.status_code == 412
        assert send(secret, "PATCH", address, {"name": "A third"}, if_match=answer["ETag"]).status_code == 200


def test_a_change_is_a_merge_patch_or_plain_json(farm: World) -> None:
    """RFC 7396; nothing else takes that kind of body."""
    secret, address = key("office"), f"/products/{farm.product.public_id}"
    before: dict[str, Any] = json.loads(send(secret, "GET", address).content)
    merged = send(secret, "PATCH", address, {"name": "New"}, if_match="*", kind="application/merge-patch+json")
    assert merged.status_code == 200
    after = json.loads(send(secret, "GET", address).content)
    assert after == before | {"name": "New"}, "what the patch does not name stays"
    refused = send(secret, "PATCH", address, {"name": None}, if_match="*", kind="application/merge-patch+json")
    assert refused.status_code == 400, "a name cannot be taken away"
    assert [each["pointer"] for each in json.loads(refused.content)["errors"]] == ["/name"]
    for method, kind in (("POST", "application/merge-patch+json"), ("PATCH", "application/json-patch+json")):
        where = "/rooms" if method == "POST" else address
        answer = send(secret, method, where, {}, if_match="*", idempotency_key="k", kind=kind)
        assert (answer.status_code, json.loads(answer.content)["code"]) == (415, "unsupported_media_type")
