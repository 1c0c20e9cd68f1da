"""The ground every endpoint stands on: who asks, how bodies are read, what is told, and doing a thing once."""

from __future__ import annotations

import json
import re
import threading
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
import time_machine
from django.core.management import CommandError, call_command
from django.db import connection, connections
from django.test import Client
from django.test.utils import CaptureQueriesContext
from drf_spectacular.validation import validate_schema

from fulfilment.api.fields import Day, Flag, Grams, Instant, Price, Shape, read
from fulfilment.api.problems import pointer
from fulfilment.core.problems import Conflict, Forbidden, Invalid, Missing, Stale, Unconfirmed
from fulfilment.core.units import Money
from fulfilment.models import ApiKey, Event, Harvest, Lot, Once
from fulfilment.services import keys
from tests import world
from tests.world import ADA, MONDAY, NOW, World

if TYPE_CHECKING:
    from collections.abc import Iterator

    from django.http import HttpResponse

pytestmark = pytest.mark.django_db

PROBLEM = "application/problem+json"


@pytest.fixture
def farm() -> World:
    return world.build()


@pytest.fixture(autouse=True)
def _monday() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


def key(*scopes: str, **more: Any) -> str:
    return keys.make("test", scopes=scopes, by=ADA, now=NOW, **more)[1]


def ask(secret: str, method: str, address: str, body: object = None, **headers: str) -> HttpResponse:
    sent = {"HTTP_AUTHORIZATION": f"Bearer {secret}"} if secret else {}
    sent |= {f"HTTP_{name.upper()}": value for name, value in headers.items()}
    data = body if isinstance(body, bytes) else json.dumps(body).encode() if body is not None else b""
    return Client().generic(method, f"/api/v1{address}", data, content_type="application/json", **sent)  # type: ignore[arg-type, return-value]  # headers, as the test client takes them


def log(secret: str, farm: World, *, named: str = "one", grams: object = 900, **more: object) -> HttpResponse:
    body = {
        "crop": farm.crop.public_id,
        "harvested_on": MONDAY.isoformat(),
        "grades": [{"grade": "a", "weighed_g": grams}],
    } | more
    return ask(secret, "POST", "/harvests", body, idempotency_key=named)


def told(response: HttpResponse, status: int, code: str) -> dict[str, Any]:
    """It is a problem of this kind, and nothing was written down."""
    assert response.status_code == status, response.content
    assert response["Content-Type"] == PROBLEM
    body: dict[str, Any] = json.loads(response.content)
    assert (body["status"], body["code"]) == (status, code)
    assert body["detail"].endswith("."), "a sentence"
    return body


# ---- Keys -----------------------------------------------------------------------------------------------------------


def test_without_a_key_nobody_is_let_in(farm: World) -> None:
    response = ask("", "GET", "/lots")
    told(response, 401, "not_authenticated")
    assert response["WWW-Authenticate"] == "Bearer"


@pytest.mark.parametrize("secret", ["x", "abcdefgh.wrong", "abcdefgh." + "x" * 200, "ключ", "a\u0000cdefgh.x"])
def test_a_wrong_key_is_told_nothing(farm: World, secret: str) -> None:
    told(ask(secret, "GET", "/lots"), 401, "not_authenticated")


def test_a_key_with_a_wrong_end_is_not_a_key(farm: World) -> None:
    secret = key("office")
    told(ask(secret[:-1] + ("a" if secret[-1] != "a" else "b"), "GET", "/lots"), 401, "not_authenticated")


def test_a_key_ends_when_it_is_to(farm: World) -> None:
    secret = key("office", expires_at=NOW + timedelta(hours=1))
    assert ask(secret, "GET", "/lots").status_code == 200
    with time_machine.travel(NOW + timedelta(hours=1), tick=False):
        told(ask(secret, "GET", "/lots"), 401, "not_authenticated")


def test_a_changed_key_and_its_successor_live_side_by_side_for_a_while(farm: World) -> None:
    made, old = keys.make("scale", scopes=["packing"], by=ADA, now=NOW)
    new = keys.rotate(made.prefix, by=ADA, now=NOW)[1]
    assert [ask(each, "GET", "/lots").status_code for each in (old, new)] == [200, 200]
    with time_machine.travel(NOW + keys.OLD_KEY_LIVES, tick=False):
        assert [ask(each, "GET", "/lots").status_code for each in (old, new)] == [401, 200]
    keys.revoke(new.partition(".")[0], by=ADA, now=NOW)
    assert ask(new, "GET", "/lots").status_code == 401
    assert not ApiKey.objects.filter(hashed_key__contains=old.partition(".")[2]).exists(), "it is stored hashed"


def test_two_keys_of_a_line_live_at_once_and_never_three(farm: World) -> None:
    first, _ = keys.make("scale", scopes=["packing"], by=ADA, now=NOW)
    second, _ = keys.rotate(first.prefix, by=ADA, now=NOW)
    for again, works in ((first, second), (second, first)):
        with pytest.raises(Conflict, match=f"{works.prefix}, .* does. Revoke one of the two first."):
            keys.rotate(again.prefix, by=ADA, now=NOW)
    keys.revoke(first.prefix, by=ADA, now=NOW)
    third, _ = keys.rotate(second.prefix, by=ADA, now=NOW)
    assert third.replaces == second
    assert [keys.works(ApiKey.objects.get(pk=each.pk), now=NOW) for each in (first, second, third)] == [
        False, True, True,
    ]  # fmt: skip
    with pytest.raises(Invalid, match="0 to 90 days"):
        keys.rotate(third.prefix, old_lives=timedelta(days=91), by=ADA, now=NOW + timedelta(days=3))


def test_keys_by_command(farm: World, capsys: pytest.CaptureFixture[str]) -> None:
    def said(*words: str) -> str:
        call_command("key", *words)
        return capsys.readouterr().out.strip()

    with time_machine.travel(NOW, tick=False):
        secret = said("make", "the heron", "--scopes", "kitchen", "--kitchen", farm.kitchen.public_id, "--until",
                      "2026-05-31")  # fmt: skip
        prefix = secret.partition(".")[0]
        own = json.loads(ask(secret, "GET", "/keys/current").content)
        assert (own["prefix"], own["kitchen"], own["scopes"]) == (prefix, farm.kitchen.public_id, ["kitchen"])
        assert own["expires_at"].startswith("2026-06-01T00:00:00"), "through the last day by the farm's clock"
        assert secret.partition(".")[2] not in str(own)
        assert said("list").split("  ") == [
            prefix, f"kitchen {farm.kitchen.public_id}", "the heron", "never used", "ends 2026-06-01 00:00 UTC",
        ]  # fmt: skip
        newer = said("rotate", prefix, "--days", "1")
        assert json.loads(ask(newer, "GET", "/keys/current").content)["replaces"] == prefix
        said("revoke", newer.partition(".")[0])
        assert ask(newer, "GET", "/keys/current").status_code == 401
        assert newer.partition(".")[0] not in said("list")
        assert "ended" in said("list", "--all")
        with pytest.raises(CommandError, match="one or more of these scopes"):
            said("make", "x", "--scopes", "owner")


def test_a_key_must_be_one_that_somebody_could_want(farm: World) -> None:
    wrongs: tuple[dict[str, Any], ...] = (
        {"scopes": []},
        {"scopes": ["owner"]},
        {"scopes": ["kitchen"]},
        {"scopes": ["kitchen", "office"], "kitchen": farm.kitchen},
        {"scopes": ["office"], "kitchen": farm.kitchen},
        {"scopes": ["office"], "expires_at": NOW},
    )
    for wrong in wrongs:
        with pytest.raises(Invalid):
            keys.make("test", by=ADA, now=NOW, **wrong)
    with pytest.raises(Missing):
        keys.revoke("nobodys!", by=ADA, now=NOW)


def test_a_get_writes_nothing_and_the_use_is_written_with_the_next_write(farm: World) -> None:
    reader, grower = key("packing"), key("grower")
    with CaptureQueriesContext(connection) as queries:
        assert ask(reader, "GET", "/lots").status_code == 200
    assert {query["sql"].lstrip("(").split()[0] for query in queries} == {"SELECT"}
    assert ApiKey.objects.filter(last_used_on__isnull=False).count() == 0
    assert log(grower, farm).status_code == 201
    assert set(ApiKey.objects.values_list("last_used_on", flat=True)) == {MONDAY}


@pytest.mark.parametrize(("scope", "reads", "writes"), [
    ("office", 200, 201), ("grower", 200, 201), ("packing", 200, 201), ("shop", 403, 403),
])  # fmt: skip
def test_scopes_open_what_they_name(farm: World, scope: str, reads: int, writes: int) -> None:
    secret = key(scope)
    assert ask(secret, "GET", "/lots").status_code == reads
    assert log(secret, farm).status_code == writes


def test_a_kitchen_sees_no_store(farm: World) -> None:
    secret = key("kitchen", kitchen=farm.kitchen)
    told(ask(secret, "GET", "/lots"), 403, "scope_missing")
    told(log(secret, farm), 403, "scope_missing")


# ---- Bodies ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("body", "status", "code"),
    [
        (b"", 400, "invalid"),
        (b"{", 400, "unreadable"),
        (b"\xff\xfe", 400, "unreadable"),
        (b'{"a": 1, "a": 2}', 400, "unreadable"),
        (b'{"a": NaN}', 400, "unreadable"),
        (b'{"a": 1e999}', 400, "unreadable"),
        (b'{"a": ' + b"9" * 5_000 + b"}", 400, "unreadable"),
        (b'{"crop": "\\u0000"}', 400, "unreadable"),
        (b'{"crop": "\\ud800"}', 400, "unreadable"),
        (b"[" * 100_000, 400, "unreadable"),
        (b"[" * 50 + b"]" * 50, 400, "unreadable"),
        (b"[]", 400, "invalid"),
        (b'"harvest"', 400, "invalid"),
        (b'{"crop": "' + b"x" * (1024 * 1024) + b'"}', 413, "too_large"),
    ],
)
def test_a_body_that_is_none_is_refused(farm: World, body: bytes, status: int, code: str) -> None:
    told(ask(key("grower"), "POST", "/harvests", body, idempotency_key="x"), status, code)
    assert Harvest.objects.count() == 0


def test_another_kind_of_body_is_refused(farm: World) -> None:
    response = Client().post(
        "/api/v1/harvests", {"crop": "x"}, HTTP_AUTHORIZATION=f"Bearer {key('grower')}", HTTP_IDEMPOTENCY_KEY="x"
    )
    told(response, 415, "unsupported_media_type")  # type: ignore[arg-type]  # the test client's own class


@pytest.mark.parametrize(
    ("change", "where", "code"),
    [
        ({"colour": "red"}, "/colour", "unknown_field"),
        ({"a/b~c": 1}, "/a~1b~0c", "unknown_field"),
        ({"harvested_on": "4 May"}, "/harvested_on", "not_a_day"),
        ({"harvested_on": "2026-02-30"}, "/harvested_on", "no_such_day"),
        ({"harvested_on": None}, "/harvested_on", "null"),
        ({"confirmed": "yes"}, "/confirmed", "not_a_flag"),
        ({"grades": []}, "/grades", "empty"),
        ({"grades": [{"grade": "a", "weighed_g": 5, "colour": 1}]}, "/grades/0/colour", "unknown_field"),
        ({"grades": [{"grade": "a", "weighed_g": 5}, {"grade": 7, "weighed_g": 5}]}, "/grades/1/grade", "not_a_text"),
        *(
            ({"grades": [{"grade": "a", "weighed_g": grams}]}, "/grades/0/weighed_g", code)
            for grams, code in (("5", "not_whole"), (5.0, "not_whole"), (True, "not_whole"), (0, "too_small"),
                                (-1, "too_small"), (2**40, "too_large"), (10**40, "too_large"))
        ),
        ({"crop": "K7Q2-M4XJ"}, "/crop", "not_found"),
        ({"crop": "' OR 1=1"}, "/crop", "not_found"),
        ({"harvested_on": "2026-05-05"}, "/harvested_on", "in_future"),
    ],
)  # fmt: skip
def test_what_is_wrong_in_a_body_is_pointed_at(farm: World, change: dict[str, Any], where: str, code: str) -> None:
    response = log(key("grower"), farm, **change)
    assert response.status_code == 400, response.content
    body = told(response, 400, json.loads(response.content)["code"])
    assert [error["pointer"] for error in body["errors"]] == [where]
    if code != "in_future":
        assert body["errors"][0]["code"] == code
    assert Harvest.objects.count() == 0


def test_all_that_is_wrong_is_told_at_once(farm: World) -> None:
    body = told(log(key("grower"), farm, harvested_on="x", confirmed=1), 400, "invalid")
    assert {error["pointer"] for error in body["errors"]} == {"/harvested_on", "/confirmed"}


def test_an_unlikely_weight_is_asked_about_and_then_believed(farm: World) -> None:
    secret = key("grower")
    body = told(log(secret, farm, grams=60_000), 409, "needs_confirmation")
    assert body["errors"][0]["pointer"] == "/grades"
    assert log(secret, farm, grams=60_000, confirmed=True, named="two").status_code == 201


def test_fields_of_the_trade() -> None:
    class Everything(Shape):
        grams = Grams()
        price = Price()
        day = Day()
        at = Instant()
        sure = Flag()

    good = {"grams": 5, "price": {"amount": "12.50", "currency": "EUR"}, "day": "2024-02-29",
            "at": "2026-05-04T08:00:00+02:00", "sure": False}  # fmt: skip
    found = read(Everything, good)
    assert (found["price"], found["at"].astimezone(UTC)) == (Money(1250, "EUR"), datetime(2026, 5, 4, 6, tzinfo=UTC))
    for name, wrong in (
        ("price", {"amount": 12.5, "currency": "EUR"}),
        ("price", {"amount": "12.5", "currency": "EUR"}),
        ("price", {"amount": "١٢.٥٠", "currency": "EUR"}),
        ("price", {"amount": "12.50", "currency": "eur"}),
        ("price", {"amount": "12.50", "currency": "EUR", "tax": 1}),
        ("day", "20240229"),
        ("day", "٢٠٢٤-٠٢-٢٩"),
        ("at", "2026-05-04T08:00:00"),
        ("at", 5),
        ("sure", 1),
    ):
        with pytest.raises(Exception, match=name):
            read(Everything, good | {name: wrong})


# ---- Problems -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("problem", "status", "code"),
    [
        (Invalid("No."), 400, "invalid"),
        (Missing("No."), 404, "not_found"),
        (Missing("No.", where="crop"), 400, "not_found"),
        (Conflict("No.", code="past_cut_off"), 409, "past_cut_off"),
        (Unconfirmed("No."), 409, "needs_confirmation"),
        (Stale("No."), 412, "stale"),
        (Forbidden("No."), 403, "forbidden"),
        (Invalid("No.", code="key_reused"), 422, "key_reused"),
    ],
)
def test_each_problem_has_its_status(
    farm: World, monkeypatch: pytest.MonkeyPatch, problem: Exception, status: int, code: str
) -> None:
    """The idempotency statuses (400, 409, 422) are those of the IETF draft on the Idempotency-Key header.

    The members of the body and its media type are those of RFC 9457.
    """

    def refuse(*_: object, **__: object) -> None:
        raise problem

    monkeypatch.setattr("fulfilment.services.growing.log_harvest", refuse)
    body = told(log(key("grower"), farm), status, code)
    assert {"type", "title", "status", "detail", "code"} <= body.keys()


def test_pointers_are_escaped_as_the_standard_says() -> None:
    """RFC 6901, section 5: the members "a/b" and "m~n"."""
    assert (pointer(["a/b"]), pointer(["m~n"]), pointer([])) == ("/a~1b", "/m~0n", "")


def test_what_is_nowhere_and_what_is_not_done_there(farm: World) -> None:
    secret = key("office")
    told(ask(secret, "GET", "/nowhere"), 404, "not_found")
    told(ask("", "GET", "/lots/x/y"), 404, "not_found")
    told(ask(secret, "DELETE", "/lots"), 405, "method_not_allowed")


def test_what_breaks_is_a_500_and_may_be_sent_again(farm: World, monkeypatch: pytest.MonkeyPatch) -> None:
    secret = key("grower")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("fulfilment.services.growing.log_harvest", lambda *_, **__: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            log(secret, farm)
    assert log(secret, farm).status_code == 201


# ---- Once -----------------------------------------------------------------------------------------------------------


def test_a_post_needs_its_key(farm: World) -> None:
    secret = key("grower")
    told(log(secret, farm, named=""), 400, "idempotency_key_missing")
    for odd in (
        "x" * 256,
        "two words",
        "a,b",
        'half "quoted',
        '"',
        '""',
        '"   "',
        "caf\u00e9",
        '"caf\u00e9"',
        '"a" ;b',
        "tab\tbed",
    ):
        told(log(secret, farm, named=odd), 400, "idempotency_key_invalid")
    assert Harvest.objects.count() == 0


def test_sent_again_it_is_answered_again_and_done_once(farm: World) -> None:
    secret = key("grower")
    first, second = log(secret, farm), log(secret, farm)
    assert first.status_code == second.status_code == 201
    assert first.content == second.content
    assert (Harvest.objects.count(), Event.objects.filter(kind="harvest_logged").count()) == (1, 1)
    lot = json.loads(first.content)["lots"][0]
    assert ask(secret, "GET", f"/lots/{lot['id']}").content == json.dumps(lot, separators=(",", ":")).encode()


def test_in_quotes_it_is_the_same_key(farm: World) -> None:
    """The draft writes it as a string of RFC 9651, section 3.3.3: in quotes, with \\" and \\\\ for the two signs."""
    secret = key("grower")
    first = log(secret, farm, named='"8e03978e-40d5-43e8-bc93-6894a57f9324"')
    assert log(secret, farm, named="8e03978e-40d5-43e8-bc93-6894a57f9324").content == first.content
    log(secret, farm, named=r'"with \"quotes\" and spaces"')
    assert Harvest.objects.count() == 2
    assert set(Once.objects.values_list("key", flat=True)) == {
        "8e03978e-40d5-43e8-bc93-6894a57f9324", 'with "quotes" and spaces',
    }  # fmt: skip


def test_the_order_of_fields_is_no_difference_but_their_values_are(farm: World) -> None:
    secret = key("grower")
    log(secret, farm)
    turned = {"grades": [{"weighed_g": 900, "grade": "a"}], "harvested_on": "2026-05-04", "crop": farm.crop.public_id}
    assert ask(secret, "POST", "/harvests", turned, idempotency_key="one").status_code == 201
    told(log(secret, farm, grams=901), 422, "key_reused")
    assert Harvest.objects.count() == 1


def test_a_refusal_is_an_answer_too_and_stays_it(farm: World) -> None:
    secret = key("grower")
    first = log(secret, farm, crop="K7Q2-M4XJ")
    assert (first.status_code, Once.objects.get().status) == (400, 400)
    again = log(secret, farm, crop="K7Q2-M4XJ")
    assert (again.content, again["Content-Type"]) == (first.content, PROBLEM)


def test_ben_cannot_take_adas_answer(farm: World) -> None:
    log(key("grower"), farm)
    assert log(key("grower"), farm).status_code == 201
    assert Harvest.objects.count() == 2


def test_nobody_is_kept_in_a_stored_answer(farm: World) -> None:
    log(key("grower"), farm)
    stored = bytes(Once.objects.get().body).decode()
    assert "example.org" not in stored


@pytest.mark.django_db(transaction=True)
def test_a_hundred_at_once_are_one_harvest(farm: World) -> None:
    secret = key("grower")
    statuses: list[int] = []
    together = threading.Barrier(100)

    def one() -> None:
        together.wait()
        try:
            response = log(secret, farm)
            while response.status_code == 409:
                response = log(secret, farm)
            statuses.append(response.status_code)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=one) for _ in range(100)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert statuses == [201] * 100
    assert (Harvest.objects.count(), Lot.objects.get().quantity) == (1, Harvest.objects.get().trimmed_g)


# ---- Lists ----------------------------------------------------------------------------------------------------------


def test_a_list_is_walked_to_its_end_once_each_whatever_is_added(farm: World) -> None:
    secret = key("office")
    lots = [farm.harvest(100 + number).public_id for number in range(7)]
    seen: list[str] = []
    address: str | None = "/lots?page_size=3"
    while address:
        response = ask(secret, "GET", address)
        body = json.loads(response.content)
        seen += [item["id"] for item in body["items"]]
        assert response.get("Link") == (f'<{body["next"]}>; rel="next"' if body["next"] else None)
        address = body["next"] and body["next"].partition("/api/v1")[2]
        farm.harvest(50)
    assert seen == lots[::-1]


def test_page_sizes(farm: World) -> None:
    secret = key("office")
    farm.harvest(100)
    assert ask(secret, "GET", "/lots?page_size=100000").status_code == 200
    for wrong in ("0", "-1", "x", "1.5", "²", ""):
        assert ask(secret, "GET", f"/lots?page_size={wrong}").status_code == 400


@pytest.mark.parametrize("query", ["cursor=x", "cursor=W10", "cursor=WyJhIl0", "cursor=" + "9" * 500, "cursor=%00",
                                   "in_store=maybe", "colour=red", "in_store=%00"])  # fmt: skip
def test_a_query_that_means_nothing_is_refused(farm: World, query: str) -> None:
    response = ask(key("office"), "GET", f"/lots?{query}")
    assert (response.status_code, response["Content-Type"]) == (400, PROBLEM)


def test_a_list_takes_as_many_statements_however_long(farm: World) -> None:
    secret = key("office")
    counts = []
    for number in (1, 12):
        for _ in range(number):
            farm.harvest(100)
        with CaptureQueriesContext(connection) as queries:
            ask(secret, "GET", "/lots")
        counts.append(len(queries))
    assert counts[0] == counts[1]


def test_a_lot_by_its_code(farm: World) -> None:
    secret, lot = key("packing"), farm.harvest(700)
    body = json.loads(ask(secret, "GET", f"/lots/{lot.public_id.lower()}").content)
    assert (body["id"], body["quantity_g"], body["units"], body["held"]) == (lot.public_id, 700, None, False)
    told(ask(secret, "GET", "/lots/K7Q2-M4XJ"), 404, "not_found")
    told(ask(secret, "GET", "/lots/%00"), 404, "not_found")


# ---- Schema ---------------------------------------------------------------------------------------------------------


def test_the_schema_is_valid_and_says_what_is_needed(client: Client) -> None:
    response = client.get("/api/schema", HTTP_ACCEPT="application/vnd.oai.openapi+json")
    schema = json.loads(response.content)
    validate_schema(schema)  # type: ignore[no-untyped-call]  # the library says nothing of its types
    assert schema["openapi"].startswith("3.1")
    post = schema["paths"]["/api/v1/harvests"]["post"]
    assert [p["name"] for p in post["parameters"] if p.get("required")] == ["Idempotency-Key"]
    assert post["security"] == [{"key": []}]


def test_the_page_for_people_names_every_request_and_asks_nobody_else(client: Client) -> None:
    page = client.get("/api/").content.decode()
    for words in ("/api/v1/lots</code>", 'id="harvests_log"', "weighed_g", "Idempotency-Key"):
        assert words in page
    # Addresses stand in examples; none is one that a browser would fetch or lead to.
    assert not re.search(r"""(?:src|href|action|url)\s*[=(]\s*["']?https?:""", page)
    assert "<script" not in page
