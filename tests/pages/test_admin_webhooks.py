"""The records' webhook endpoints: set up by the office, tried, switched off and on; the secret is seen once."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import pytest
import time_machine
from django.contrib.auth.models import User
from django.test import Client
from pytest_django import Settings

from fulfilment import work
from fulfilment.models import Once, WebhookEndpoint, WebhookMessage
from fulfilment.services import people
from tests import world
from tests.listener import Listener, listening
from tests.people import ADA
from tests.world import NOW, World

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.django_db(transaction=True)

LIST = "/admin/fulfilment/webhookendpoint/"
SECRET = re.compile(r"whsec_[A-Za-z0-9+/]+=*")


@pytest.fixture
def farm(settings: Settings) -> Iterator[World]:
    settings.WEBHOOKS_TO_LOOPBACK = True
    with time_machine.travel(NOW, tick=False):
        made = world.build()
        people.add_user("olive", password="a quiet cellar in the hills", roles=["office"], by=ADA, now=NOW)
        yield made


@pytest.fixture
def office(farm: World) -> Client:
    client = Client()
    client.force_login(User.objects.get(username="olive"))
    return client


@pytest.fixture
def listener() -> Iterator[Listener]:
    with listening() as heard:
        yield heard


def said(answer: Any) -> str:
    return str(answer.content.decode())


def add(office: Client, address: str, **more: object) -> str:
    """The secret that was shown."""
    asked = {"address": address, "scope": "office", "kinds": ["order.placed"], "note_": "packing screen", **more}
    found = SECRET.search(said(office.post(f"{LIST}add/", asked)))
    assert found is not None
    return found.group()


def test_the_office_sets_one_up_and_sees_a_ping_arrive(office: Client, listener: Listener) -> None:
    secret = add(office, listener.address)
    row = WebhookEndpoint.objects.get()
    at = f"{LIST}{row.public_id}/"
    assert secret not in said(office.get(f"{at}change/"))
    assert "whsec_" not in str(list(Once.objects.values()))
    assert office.post(f"{at}ping/", {}).status_code == 303
    work.drain(now=NOW)
    [got] = listener.got
    assert got.signed_by(secret)
    page = said(office.get(f"{at}change/"))
    assert "delivered" in page
    assert got.id in page
    one = said(office.get(f"/admin/fulfilment/webhookmessage/{got.id}/change/"))
    assert "webhook.ping" in one
    assert "204" in one


def test_a_message_opens_by_whatever_signs_its_id_has(office: Client, listener: Listener) -> None:
    """Django's own pages read ``_25`` in an address as another sign."""
    add(office, listener.address)
    office.post(f"{LIST}{WebhookEndpoint.objects.get().public_id}/ping/", {})
    named = "msg_254fa07c8c20c06bfd4e125f68b96af6"
    WebhookMessage.objects.update(message_id=named)
    for written in (named, named.replace("_", "_5F")):
        assert "webhook.ping" in said(office.get(f"/admin/fulfilment/webhookmessage/{written}/change/"))


def test_it_is_changed_switched_off_and_on_and_given_a_new_secret(office: Client, farm: World) -> None:
    first = add(office, "https://kitchen.example.org/hooks", scope="kitchen", kitchen=farm.kitchen.public_id)
    row = WebhookEndpoint.objects.get()
    assert row.kitchen == farm.kitchen
    at = f"{LIST}{row.public_id}/"
    asked = {"address": "https://kitchen.example.org/new", "kinds": ["order.placed", "shipment.sent"], "note_": "till"}
    assert office.post(f"{at}edit/", asked).status_code == 303
    row.refresh_from_db()
    assert (row.address, row.kinds, row.note) == (asked["address"], asked["kinds"], "till")
    office.post(f"{at}disable/", {})
    row.refresh_from_db()
    assert row.state == "disabled"
    assert "Somebody switched it off." in said(office.get(f"{at}change/"))
    assert office.post(f"{at}ping/", {}).status_code == 422
    office.post(f"{at}enable/", {})
    row.refresh_from_db()
    assert row.state == "enabled"
    second = SECRET.search(said(office.post(f"{at}rotate/", {"hours": "24"})))
    assert second is not None
    assert second.group() != first


def test_what_is_wrong_stands_beside_its_field(office: Client, farm: World) -> None:
    asked = {"address": "https://10.0.0.1/", "scope": "office", "kinds": ["order.placed"]}
    answer = office.post(f"{LIST}add/", asked)
    assert answer.status_code == 422
    assert "we post to nobody inside a network" in said(answer)
    answer = office.post(f"{LIST}add/", {**asked, "address": "https://kitchen.example.org/", "scope": "kitchen"})
    assert "names its kitchen" in said(answer)
    assert not WebhookEndpoint.objects.exists()


def test_what_was_missed_is_sent_again(office: Client, listener: Listener) -> None:
    add(office, listener.address)
    row = WebhookEndpoint.objects.get()
    at = f"{LIST}{row.public_id}/"
    office.post(f"{at}ping/", {})
    work.drain(now=NOW)
    message = WebhookMessage.objects.get().message_id
    assert office.post(f"{at}replay/", {"message": message}).status_code == 303
    work.drain(now=NOW)
    assert listener.ids == [message, message]
    assert office.post(f"{at}replay/", {}).status_code == 422
    assert office.post(f"{at}replay/", {"since": "2026-05-04T05:00"}).status_code == 303
