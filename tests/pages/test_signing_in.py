"""The door: who is let in, and who has guessed too often."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
import time_machine
from django.contrib.auth.models import User
from django.test import Client, RequestFactory

from fulfilment.services import people
from fulfilment.web.signing_in import address_of

if TYPE_CHECKING:
    from django.conf import LazySettings
    from django.http import HttpResponse

NOW = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)
SECRET = "straw-and-grounds-9"
GUESS = "a guess"


def sign_in(name: str = "ada", password: str = GUESS, address: str = "198.51.100.7") -> HttpResponse:
    client = Client(REMOTE_ADDR=address)
    return client.post("/sign-in/", {"username": name, "password": password})  # type: ignore[return-value]  # its own kind


@pytest.fixture
def _people(db: None) -> None:
    for name, role in (("ada", "grower"), ("ben", "packing"), ("olive", "office")):
        people.add_user(name, password=SECRET, roles=[role], by="user:olive", now=NOW)


@pytest.mark.usefixtures("_people")
def test_eight_wrong_passwords_lock_the_door_for_a_quarter_of_an_hour() -> None:
    with time_machine.travel(NOW, tick=False) as clock:
        for _ in range(8):
            told = sign_in()
            assert told.status_code == 200
            assert "do not belong together" in told.content.decode()
        locked = sign_in()
        assert locked.status_code == 429
        assert locked.headers["Retry-After"] == "900"
        assert "another 15 minutes" in locked.content.decode()
        assert sign_in(password=SECRET).status_code == 429, "the right password opens no locked door"
        assert sign_in("ben", SECRET).status_code == 302, "another name from the same address"
        assert sign_in(password=SECRET, address="203.0.113.9").status_code == 302, "the same name from elsewhere"
        clock.shift(timedelta(minutes=15))
        assert sign_in(password=SECRET).status_code == 302


@pytest.mark.usefixtures("_people")
def test_a_right_password_after_seven_wrong_ones_starts_anew() -> None:
    for _ in range(2):
        for _ in range(7):
            assert sign_in().status_code == 200
        assert sign_in(password=SECRET).status_code == 302


@pytest.mark.usefixtures("_people")
def test_the_tables_of_the_administrator_have_no_door_of_their_own() -> None:
    User.objects.filter(username="olive").update(is_staff=True, is_superuser=True)
    answer = Client().post("/admin/login/", {"username": "olive", "password": SECRET})
    assert answer.status_code == 302
    assert answer.headers["Location"].startswith("/sign-in/")
    assert Client().get("/admin/").status_code == 302


@pytest.mark.usefixtures("_people")
def test_what_is_left_empty_is_no_try() -> None:
    for _ in range(10):
        assert sign_in(password="").status_code == 200
    assert sign_in(password=SECRET).status_code == 302


def test_only_the_farms_own_proxy_says_where_somebody_comes_from(settings: LazySettings) -> None:
    asked = RequestFactory().get("/", REMOTE_ADDR="10.0.0.1", headers={"X-Forwarded-For": "203.0.113.1, 198.51.100.7"})
    assert address_of(asked) == "10.0.0.1"
    settings.BEHIND_PROXY = True
    assert address_of(asked) == "198.51.100.7"
    assert address_of(RequestFactory().get("/", REMOTE_ADDR="10.0.0.1")) == "10.0.0.1"
