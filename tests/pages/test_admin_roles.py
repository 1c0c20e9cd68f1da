"""Every address of the records, for everybody: what is not somebody's does not exist, and nothing is written."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
import time_machine
from django.contrib.admin.models import LogEntry
from django.contrib.auth.models import User
from django.test import Client
from django.urls import URLPattern, URLResolver

from fulfilment.admin.rows import Rows
from fulfilment.admin.site import RECORDS, site
from fulfilment.models import Event, Kitchen, Order, StandingOrder
from fulfilment.services import customers, keys, ordering, people, standing
from fulfilment.services.ordering import Asked
from tests.api.everything import FROZEN, Everything
from tests.people import ADA
from tests.world import MONDAY, NOW

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.django_db

PASSWORD = "a quiet cellar in the hills"
GROWER = {
    "donor", "supplier", "intake", "spawndelivery", "inputdelivery", "batch", "crop", "observation", "harvest",
    "reading", "lot", "stockentry", "hold", "kit", "kitevent", "event", "forecast", "plan", "score", "closedday",
    "strain", "keeping", "product", "room",
}  # fmt: skip
PACKER = {
    "order", "line", "shipment", "kitchen", "buyer", "address", "lot", "stockentry", "hold", "round", "picklist",
    "pick", "parcel", "deliverynote", "refusal", "crateentry", "kit", "kitevent", "event", "closedday", "strain",
    "keeping", "product",
}  # fmt: skip
CHANGED_BY = {"ada": {"donor", "supplier", "room"}, "ben": set[str](), "cleo": {"order", "standingorder"}}
SEEN_BY = {"ada": GROWER, "ben": PACKER, "cleo": {"order", "standingorder"}}


class House:
    """A farm with one thing of nearly every kind, and somebody of every role."""

    def __init__(self, clock: time_machine.Traveller) -> None:
        self.all = Everything(clock)
        add = people.add_user
        for name, role in (("olive", "office"), ("ada", "grower"), ("ben", "packing")):
            add(name, password=PASSWORD, roles=[role], by=ADA, now=NOW)
        User.objects.create_user("eve", password=PASSWORD)
        own = self.all.farm.kitchen.public_id
        add("cleo", password=PASSWORD, kitchen=own, by=ADA, now=NOW)
        self.other = customers.add_kitchen(
            "The Plough", email="plough@example.org", address={"street": "9 Hill", "town": "Saltby"}, by=ADA, now=NOW
        )
        add("fay", password=PASSWORD, kitchen=self.other.public_id, by=ADA, now=NOW)
        keys.make("shop", scopes=["shop"], by=ADA, now=NOW)
        lines = [Asked(self.all.farm.product.public_id, 500)]
        ordering.place(lines, kitchen=self.other.public_id, on=MONDAY.replace(day=8), by=ADA, now=NOW)
        standing.begin(
            self.other.public_id, lines=lines, rule="FREQ=WEEKLY;BYDAY=WE", starts_on=MONDAY, by=ADA, now=NOW
        )

    def sign_in(self, name: str) -> Client:
        client = Client()
        client.force_login(User.objects.get(username=name))
        return client


@pytest.fixture
def house() -> Iterator[House]:
    with time_machine.travel(NOW, tick=False) as clock:
        yield House(clock)


def routes() -> Iterator[tuple[str, str, str]]:
    """(model name or empty, route, name) of every address there is under /admin/."""

    def walk(found: list[Any], before: str) -> Iterator[tuple[str, str]]:
        for each in found:
            route = before + str(each.pattern)
            if isinstance(each, URLResolver):
                yield from walk(list(each.url_patterns), route)
            else:
                assert isinstance(each, URLPattern)
                yield route, each.name or ""

    for route, name in walk(site.get_urls(), ""):
        words = route.split("/")
        model = words[1] if words[0] in ("fulfilment", "auth") and len(words) > 2 else ""
        yield model, route, name


def addresses(model: str, route: str) -> list[str]:
    """The route with the id of a row that exists, and with one that was never given."""
    if "<path:object_id>" not in route:
        return ["/admin/" + route] if "<" not in route and "(" not in route else []
    admin = next(each for each in site._registry.values() if each.opts.model_name == model)
    assert isinstance(admin, Rows)
    some = {admin.key_of(row) for row in admin.model._default_manager.order_by("pk")[:1]}
    return ["/admin/" + route.replace("<path:object_id>", key) for key in sorted({*some, "987654"})]


def every_address() -> list[tuple[str, str]]:
    found = [(model, address) for model, route, _ in routes() for address in addresses(model, route)]
    assert len(found) > 400
    return found


def written() -> tuple[int, int]:
    return Event.objects.count(), LogEntry.objects.count()


def test_the_table_and_the_lists_are_the_same_kinds() -> None:
    assert set(site._registry) == set(RECORDS)


def test_nobody_is_sent_to_the_farms_own_sign_in(house: House) -> None:
    client, before = Client(), written()
    for _, address in every_address():
        for answer in (client.get(address), client.post(address)):
            assert answer.status_code in (302, 303), address
            assert answer["Location"].startswith("/sign-in/"), address
    assert written() == before


def test_eve_who_has_no_role_gets_nothing(house: House) -> None:
    client, before = house.sign_in("eve"), written()
    for _, address in every_address():
        if not address.endswith("/login/"):
            assert client.get(address).status_code == 403, address
            assert client.post(address).status_code == 403, address
    assert written() == before


@pytest.mark.parametrize("name", ["ada", "ben", "cleo"])
def test_each_role_finds_its_own_records_and_no_others(house: House, name: str) -> None:
    client, before = house.sign_in(name), written()
    for model, address in every_address():
        if not model:
            continue
        status = client.get(address).status_code
        if model not in SEEN_BY[name]:
            assert status in (403, 404), (address, status)
            assert client.post(address).status_code in (403, 404), address
            continue
        assert status in (200, 302, 403, 404), (address, status)
        if address.endswith("/delete/"):
            assert status in (403, 404), (address, status)
        last = address.rstrip("/").rpartition("/")[2]
        if model not in CHANGED_BY[name] and last not in (model, "change", "history"):
            assert status in (403, 404), (address, status)
            assert client.post(address).status_code in (403, 404), address
        if last == model:
            assert status == 200, address
    assert written() == before
    assert set(words(client)) == {f"/admin/fulfilment/{each}/" for each in SEEN_BY[name]}


def words(client: Client) -> list[str]:
    """The lists that somebody's front page leads to."""
    page = client.get("/admin/").content.decode()
    return [part.partition('"')[0] for part in page.split('class="kind" href="')[1:]]


def test_the_office_opens_every_page(house: House) -> None:
    client = house.sign_in("olive")
    for model, address in every_address():
        if not model:
            continue
        status = client.get(address).status_code
        if "987654" in address:
            assert status == 404, address
        elif address.endswith("/delete/"):
            assert status == 403, address
        elif address.endswith("/history/"):
            assert status in (200, 404), address
        else:
            assert status in (200, 302, 403), address
    assert client.get("/admin/nowhere/").status_code == 404


def test_empty_posts_of_the_office_are_answers_and_never_errors(house: House) -> None:
    client = house.sign_in("olive")
    asked = [
        address
        for _, route, name in routes()
        for model in [route.split("/")[1] if "/" in route else ""]
        for address in addresses(model, route)
        if name.endswith("_add") or ("<path" in route and route.rstrip("/").rpartition("/")[2] not in ("", "objectid"))
    ]
    harmless = [
        each for each in asked if not each.endswith(("/end/", "/revoke/", "/revoke-links/", "/cancel/", "/open/"))
    ]
    for address in harmless:
        assert client.post(address).status_code in (200, 303, 302, 403, 404, 422), address


@pytest.mark.parametrize(("name", "own"), [("cleo", True), ("fay", False)])
def test_a_kitchen_has_its_own_orders_and_for_it_no_others_exist(house: House, name: str, own: bool) -> None:
    client, before = house.sign_in(name), written()
    hers = {True: house.all.farm.kitchen, False: house.other}
    for model, word in ((Order, "order"), (StandingOrder, "standingorder")):
        for row in model.objects.all():
            mine = row.kitchen_id == hers[own].pk
            base = f"/admin/fulfilment/{word}"
            doings = site._registry[model]._doings()  # type: ignore[attr-defined]  # ours
            for last in ("change", "history"):
                for key in (row.public_id, str(row.pk)):
                    assert client.get(f"{base}/{key}/{last}/").status_code == (200 if mine else 404)
            for last in doings:
                assert client.get(f"{base}/{row.public_id}/{last}/").status_code == (200 if mine else 404)
                if not mine:
                    assert client.post(f"{base}/{row.public_id}/{last}/", {"on": "2026-05-08"}).status_code == 404
            listed = client.get(f"{base}/").content.decode()
            assert (row.public_id in listed) == mine
            assert (
                row.public_id not in client.get(f"{base}/?q={row.public_id}").content.decode().partition("<table")[2]
                or mine
            )
    assert written() == before


def test_a_kitchen_reads_no_percents_no_tiers_and_no_names_of_others(house: House) -> None:
    client = house.sign_in("cleo")
    for row in Order.objects.filter(kitchen=house.all.farm.kitchen):
        page = client.get(f"/admin/fulfilment/order/{row.public_id}/change/").content.decode()
        history = client.get(f"/admin/fulfilment/order/{row.public_id}/history/").content.decode()
        for said in (page, history):
            assert " %" not in said
            assert "user:" not in said
            assert "Plough" not in said
            assert "below the asked chance" not in said
    page = client.get("/admin/fulfilment/order/add/").content.decode()
    for hidden in ('name="kitchen"', 'name="buyer"', 'name="below_chance"', 'name="because"'):
        assert hidden not in page


def test_a_kitchen_cannot_filter_its_way_to_others(house: House) -> None:
    client = house.sign_in("cleo")
    other = Kitchen.objects.exclude(pk=house.all.farm.kitchen.pk).get()
    for query in (f"kitchen__id__exact={other.pk}", f"kitchen={other.pk}", "kitchen__user__password__startswith=m"):
        answer = client.get(f"/admin/fulfilment/order/?{query}")
        theirs = Order.objects.filter(kitchen=other).values_list("public_id", flat=True)
        assert answer.status_code in (200, 302, 400)
        assert not any(each in answer.content.decode() for each in theirs)


def test_the_log_and_the_addresses_hold_no_names(house: House) -> None:
    client = house.sign_in("olive")
    client.post("/admin/fulfilment/donor/add/", {"name": "Gwen Grounds", "email": "gwen@example.org"})
    client.post("/admin/auth/user/add/", {"name": "hal", "password": PASSWORD, "roles": ["packing"]})
    logged = list(LogEntry.objects.values_list("object_repr", "object_id", "change_message"))
    assert len(logged) == 2
    assert not [each for each in logged if "gwen" in str(each).lower() or "hal" in str(each).lower()]


def test_whoever_was_ended_is_out_at_once(house: House) -> None:
    client = house.sign_in("ben")
    assert client.get("/admin/").status_code == 200
    people.end_user("ben", by=ADA, now=FROZEN)
    assert client.get("/admin/").status_code in (302, 403)
