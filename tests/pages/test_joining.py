"""Whoever has the box joins by its code; guessing is slowed; nobody is shown a page that is not theirs."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest
import time_machine
from django.core.cache import cache

from fulfilment.core import codes
from fulfilment.models import Event, Holder, Kit, Once
from fulfilment.services import caring
from fulfilment.web.joining import WRONG_TRIES, zones
from tests.builders.kitchens import NOW, a_buyer, a_farm, a_product, a_strain
from tests.builders.kits import sent_kits
from tests.pages.signed import post, words

if TYPE_CHECKING:
    from django.test import Client

pytestmark = pytest.mark.django_db

MONDAY = NOW + timedelta(days=3)
GWEN = "gwen@example.org"


@pytest.fixture
def kit() -> Iterator[Kit]:
    """A pearl kit that Dai gave away."""
    cache.clear()
    a_farm(zone="Europe/Oslo")
    caring.lay_programme()
    (found,) = sent_kits(a_buyer(), a_product(a_strain(), grade="kit"), gift=True)
    with time_machine.travel(MONDAY, tick=False):
        yield found
    cache.clear()


def join(client: Client, code: str, *, once: str = "", **more: str) -> Any:
    typed = {"email": GWEN, "name": "Gwen", "zone": "Europe/Oslo", "warmth": "cool"} | more
    return post(client, "/join/", once=once, code=code, **typed)


def test_the_page_asks_for_the_code_and_knows_the_farms_zone(client: Client, kit: Kit) -> None:
    response = client.get(f"/join/?code={kit.joining_code}")
    html = response.content.decode()
    assert response.status_code == 200
    assert f'value="{kit.joining_code}"' in html
    assert '<option value="Europe/Oslo" selected>' in html
    assert "Enter the code on the box" in words(response)
    assert not Holder.objects.exists()


def test_the_zones_are_the_iana_names_by_region() -> None:
    """The names are those of the IANA time zone data base, as Python's zoneinfo has them."""
    named = {name for _, places in zones() for name, _ in places}
    assert {"Europe/Berlin", "Pacific/Auckland", "America/Argentina/Ushuaia", "Etc/UTC"} <= named
    assert not {"EST5EDT", "GMT"} & named


@pytest.mark.parametrize("spelling", [str, str.lower, lambda code: f"  {code.replace('-', '')} "])
def test_who_joins_is_shown_their_kit_and_neither_side_the_other(client: Client, kit: Kit, spelling: object) -> None:
    assert callable(spelling)
    response = join(client, spelling(kit.joining_code))
    assert response.status_code == 303
    assert response["Location"].startswith("/h/")
    said = words(client.get(response["Location"]))
    assert "Hello Gwen" in said
    assert kit.public_id in said
    assert "Dai" not in said
    kit.refresh_from_db()
    assert kit.holder is not None
    assert (kit.holder.email, kit.holder.zone, kit.warmth) == (GWEN, "Europe/Oslo", "cool")


def test_joining_twice_is_done_once_and_keeps_no_secret_in_the_record(client: Client, kit: Kit) -> None:
    places = {join(client, kit.joining_code, once="a-form")["Location"] for _ in range(2)}
    assert len(places) == 1
    assert Holder.objects.count() == 1
    assert Event.objects.filter(kind="kit_joined").count() == 1
    assert b"/h/" not in bytes(Once.objects.get().body)


def test_who_is_known_already_is_not_shown_a_page_by_their_address_alone(client: Client, kit: Kit) -> None:
    (hers,) = sent_kits(a_buyer("Hal"), kit.line.product)  # type: ignore[union-attr]  # it was sold
    assert hers.holder is not None
    response = join(client, kit.joining_code, email="HAL@example.org")
    assert (response.status_code, response["Location"]) == (303, "/join/known/")
    said = words(client.get("/join/known/"))
    assert "Your page’s address is in every care mail" in said
    assert hers.public_id not in said
    kit.refresh_from_db()
    assert kit.holder_id == hers.holder_id


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ({"code": "K7Q2-M4XJ"}, "There is no kit with this code: look at the label on the box"),
        ({"code": "no code"}, "There is no kit with this code"),
        ({"code": ""}, "This field is required."),
        ({"email": "gwen"}, "This is no mail address: it must look like name@example.org."),
        ({"email": "gwen@example.org\nBcc: eve@example.org"}, "This must be one line of text"),
        ({"zone": "Mars/Olympus"}, "Select a valid choice."),
        ({"warmth": "hot"}, "Select a valid choice."),
        ({"name": "x" * 200}, "at most 120 characters"),
    ],
)
def test_what_cannot_be_is_told_beside_its_field(
    client: Client, kit: Kit, typed: dict[str, str], sentence: str
) -> None:
    code = typed.pop("code", kit.joining_code)
    response = join(client, code, **typed)
    assert response.status_code == 422
    assert sentence in words(response)
    assert not Holder.objects.exists()


def test_guessing_codes_is_slowed_by_address(client: Client, kit: Kit) -> None:
    for _ in range(WRONG_TRIES):
        assert join(client, codes.new()).status_code == 422
    refused = join(client, kit.joining_code)
    assert refused.status_code == 429
    assert refused["Retry-After"] == "600"
    assert "Please wait ten minutes, then try again." in words(refused)
    assert not Holder.objects.exists()
    elsewhere = {"REMOTE_ADDR": "192.0.2.7"}
    assert client.post("/join/", {"code": kit.joining_code}, **elsewhere).status_code == 422  # type: ignore[arg-type]  # an address, no header
    # An asker chooses no address: without a proxy of the farm's own the header says nothing.
    spoofed = client.post("/join/", {"code": "x"}, headers={"X-Forwarded-For": "192.0.2.8"})
    assert spoofed.status_code == 429
    with time_machine.travel(MONDAY + timedelta(minutes=11), tick=False):
        assert join(client, kit.joining_code).status_code == 303


def test_a_right_code_is_no_wrong_try(client: Client, kit: Kit) -> None:
    for _ in range(WRONG_TRIES + 2):
        assert join(client, kit.joining_code, email="gwen").status_code == 422
    assert join(client, kit.joining_code).status_code == 303
