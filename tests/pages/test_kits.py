"""The office looks after the kits that are out: cases first, one kit whole, what a holder says by phone."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
import time_machine
from django.contrib.auth.models import Group, User
from django.urls import reverse

from fulfilment.models import CareMail, Event, Hold, Kit, KitEvent
from fulfilment.services import caring, kits
from tests.builders.kitchens import NOW, a_buyer, a_farm, a_product, a_strain
from tests.builders.kits import sent_kits
from tests.pages.signed import holder_token, post, words

if TYPE_CHECKING:
    from django.test import Client
    from pytest_django import DjangoAssertNumQueries

pytestmark = pytest.mark.django_db

MONDAY = NOW + timedelta(days=3)


def user(name: str, *roles: str) -> User:
    made = User.objects.create_user(name)
    made.groups.set(Group.objects.get_or_create(name=role)[0] for role in roles)
    return made


@pytest.fixture
def found() -> Iterator[list[Kit]]:
    """Three pearl kits of Dai's, sent on Friday; today is Monday."""
    a_farm()
    caring.lay_programme()
    made = sent_kits(a_buyer(), a_product(a_strain(), grade="kit"), 3)
    with time_machine.travel(MONDAY, tick=False):
        yield made


@pytest.fixture
def office(client: Client, found: list[Kit]) -> Client:
    client.force_login(user("olive", "office"))
    return client


def say(kit: Kit, kind: str, **more: str) -> None:
    kits.record(kit.public_id, kind=kind, on=MONDAY.date(), by="holder:dai", now=MONDAY, **more)  # type: ignore[arg-type]  # test data


def test_the_page_is_the_offices(client: Client, found: list[Kit]) -> None:
    addresses = ["/kits/", f"/kits/{found[0].public_id}/"]
    assert [client.get(each).status_code for each in addresses] == [302, 302]
    for name, roles, status in (("ada", ["grower"], 403), ("ben", ["packing"], 403), ("eve", [], 403)):
        client.force_login(user(name, *roles))
        assert [client.get(each).status_code for each in addresses] == [status, status]
        for way in ("event", "room", "replace", "hold", "links"):
            assert client.post(reverse(f"kit-{way}", args=[found[0].public_id])).status_code == status
    assert KitEvent.objects.filter(kind="replaced").count() == 0


def test_open_cases_stand_first_with_what_was_told_and_when(office: Client, found: list[Kit]) -> None:
    assert "No open case." in words(office.get("/kits/"))
    say(found[1], "started")
    say(found[1], "trouble", trouble="mould", note="green at the cut")
    page = words(office.get("/kits/"))
    case = page.index("Mould, or something that may be mould. Told Mon 11 May, 07:00 by Dai.")
    assert case < page.index("Where they stand")
    assert "“green at the cut”" in page
    say(found[1], "resumed")
    assert "No open case." in words(office.get("/kits/"))


def test_kits_are_listed_by_step_and_found_by_number_code_order_or_person(office: Client, found: list[Kit]) -> None:
    say(found[0], "started")
    started, waiting = found[0].public_id, found[1].public_id
    page = words(office.get("/kits/?step=started"))
    assert started in page
    assert waiting not in page
    assert "not started (2)" in page
    assert "No kit is at this step." in words(office.get("/kits/?step=resting"))
    order = found[1].line.order.public_id  # type: ignore[union-attr]  # it was sold
    for search, hits in (
        (waiting.lower(), {waiting}), (found[1].joining_code, {waiting}), ("dai", {each.public_id for each in found}),
        (order, {each.public_id for each in found}), ("nobody", set()), ("%", set()),
    ):  # fmt: skip
        page = words(office.get("/kits/", {"q": search}))
        assert {each.public_id for each in found if each.public_id in page.replace(f"value={search}", "")} == hits
    assert "Nothing found for “nobody”." in words(office.get("/kits/", {"q": "nobody"}))


def test_the_list_costs_the_same_however_many_there_are(
    office: Client, found: list[Kit], django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    for kit in found:
        say(kit, "trouble", trouble="dry")
    with django_assert_max_num_queries(28):
        office.get("/kits/")
    with django_assert_max_num_queries(32):
        office.get(f"/kits/{found[0].public_id}/")


def test_one_kit_shows_all_that_was_told_and_is_planned(office: Client, found: list[Kit]) -> None:
    say(found[0], "started")
    response = office.get(f"/kits/{found[0].public_id.lower()}/")
    page = words(response)
    for said in ("Started on Mon 11 May", "written Mon 11 May, 07:00 by the holder", "Sealed on", "by ada",
                 "Look for pins: do you see any?", "planned", found[0].joining_code, "Start by", "Dai"):  # fmt: skip
        assert said in page, said
    assert "/h/" in response.content.decode()
    assert office.get("/kits/K7Q2-M4XJ/").status_code == 404


def test_the_office_writes_what_a_holder_says_once(office: Client, found: list[Kit]) -> None:
    address = reverse("kit-event", args=[found[0].public_id])
    for _ in range(2):
        assert post(office, address, once="a", kind="started", on="2026-05-10").status_code == 303
    told = KitEvent.objects.get(kind="started")
    assert (told.by, told.on.isoformat()) == ("user:olive", "2026-05-10")
    assert CareMail.objects.filter(kit=found[0], step="pins_due", state="planned").exists()
    for typed, sentence in (
        ({"kind": "started", "on": "2026-05-07"}, "is before the kit was sent"),
        ({"kind": "pins", "on": "2026-05-12"}, "has not come yet"),
        ({"kind": "trouble", "on": "2026-05-11"}, "This must be one of: mould"),
        ({"kind": "pins", "trouble": "mould", "on": "2026-05-11"}, "Only a report of trouble says which trouble it is"),
        ({"kind": "sold", "on": "2026-05-11"}, "Select a valid choice"),
        ({"kind": "pins", "on": "x"}, "This is no date"),
    ):
        response = post(office, address, **typed)
        assert response.status_code == 422, typed
        assert sentence in words(response)
    assert KitEvent.objects.filter(kind__in=["started", "pins", "trouble"]).count() == 1


def test_a_kit_is_replaced_at_once_with_a_reason(office: Client, found: list[Kit]) -> None:
    """No advice has to fail first: a kit of which nothing was told yet is replaced like any other."""
    address = reverse("kit-replace", args=[found[0].public_id])
    assert post(office, address, on="2026-05-11").status_code == 422
    for _ in range(2):
        assert post(office, address, once="a", on="2026-05-11", reason="arrived torn").status_code == 303
    assert KitEvent.objects.get(kind="replaced").note == "arrived torn"
    assert Event.objects.filter(kind="kit_replaced").count() == 1
    assert not CareMail.objects.filter(kit=found[0], state="planned").exists()
    assert "replaced by another kit" in words(office.get(f"/kits/{found[0].public_id}/"))


def test_the_room_and_a_hold(office: Client, found: list[Kit]) -> None:
    number = found[0].public_id
    assert post(office, reverse("kit-room", args=[number]), warmth="warm", celsius="24").status_code == 303
    bad = post(office, reverse("kit-room", args=[number]), warmth="warm", celsius="200")
    assert bad.status_code == 422
    assert "200 °C cannot be" in words(bad)
    assert post(office, reverse("kit-hold", args=[number])).status_code == 422
    assert post(office, reverse("kit-hold", args=[number]), reason="recall of its grain").status_code == 303
    assert Hold.objects.get().reason == "recall of its grain"
    page = words(office.get(f"/kits/{number}/"))
    assert "On hold with its kit: recall of its grain" in page
    assert "warm, 24 °C" in page


def test_the_office_ends_the_links_of_a_holder(office: Client, found: list[Kit]) -> None:
    holder = found[0].holder
    assert holder is not None
    token = holder_token(holder, now=MONDAY)
    address = reverse("kit-links", args=[found[0].public_id])
    for _ in range(2):
        assert post(office, address, once="a").status_code == 303
    assert Event.objects.filter(kind="holder_links_revoked").count() == 1
    gone = office.get(f"/h/{token}/")
    assert gone.status_code == 404
    assert "This link is no longer valid" in words(gone)
    holder.refresh_from_db()
    assert office.get(f"/h/{holder_token(holder, now=MONDAY)}/").status_code == 200
    Kit.objects.update(holder=None)
    assert post(office, address).status_code == 409


def test_a_farm_without_kits_says_so(office: Client, found: list[Kit]) -> None:
    Kit.objects.update(state="sealed")
    page = words(office.get("/kits/"))
    assert "No open case." in page
    assert "No kit is at this step." in page
    assert "in store (3)" in page


def test_before_there_is_a_farm_nothing_breaks(client: Client) -> None:
    client.force_login(user("olive", "office"))
    assert "No open case." in words(client.get("/kits/"))
    assert client.get("/join/").status_code == 404
