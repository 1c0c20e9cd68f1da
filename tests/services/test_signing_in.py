"""Eve guesses passwords, and locks out nobody but herself."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta

import pytest
from django.db import connections

from fulfilment.core.problems import Forbidden
from fulfilment.models import SignIn
from fulfilment.services import signing_in

NOW = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)
EVE = "198.51.100.7"
"""An address of RFC 5737, of nobody."""


def after(minutes: float) -> datetime:
    return NOW + timedelta(minutes=minutes)


def guess(times: int = 1, *, name: str = "ada", address: str = EVE, at: datetime = NOW) -> None:
    for _ in range(times):
        signing_in.count_try(name, address=address, now=at)


@pytest.mark.django_db
def test_the_ninth_try_in_a_quarter_of_an_hour_is_refused_for_a_quarter_of_an_hour() -> None:
    guess(7)
    guess(at=after(14))
    for minutes, left in ((14, "another 15 minutes"), (20, "another 9 minutes"), (28.5, "another 1 minute:")):
        with pytest.raises(Forbidden, match=left) as told:
            guess(at=after(minutes))
    assert told.value.reason_code == "sign_in_locked"
    assert told.value.data["seconds"] == 30
    guess(at=after(29))


@pytest.mark.django_db
def test_tries_of_long_ago_do_not_count() -> None:
    for minutes in range(0, 200, 3):
        guess(at=after(minutes))
    assert len(SignIn.objects.get().tried_at) == 5


@pytest.mark.django_db
def test_a_right_password_forgets_the_wrong_ones() -> None:
    guess(7)
    signing_in.succeeded("ada", address=EVE)
    guess(7)
    assert SignIn.objects.count() == 1


@pytest.mark.django_db
def test_another_name_and_another_address_are_other_doors() -> None:
    guess(8)
    guess(name="ben")
    guess(address="203.0.113.9")
    with pytest.raises(Forbidden):
        guess()


@pytest.mark.django_db
def test_a_machine_with_many_ipv6_addresses_is_one() -> None:
    for last in range(8):
        guess(address=f"2001:db8:1:2::{last:x}")
    with pytest.raises(Forbidden):
        guess(address="2001:db8:1:2:ffff::1")
    guess(address="2001:db8:1:3::1")
    guess(7, address="::ffff:198.51.100.7")
    guess()
    with pytest.raises(Forbidden):
        guess()


@pytest.mark.django_db
def test_neither_name_nor_address_is_stored_and_a_night_forgets() -> None:
    guess(3)
    row = SignIn.objects.get()
    stored = f"{row.who} {row.tried_at} {row}"
    assert "ada" not in stored
    assert EVE not in stored
    assert signing_in.forget(now=after(15)) == 0
    assert signing_in.forget(now=after(16)) == 1


@pytest.mark.django_db(transaction=True)
def test_guesses_at_the_same_moment_are_counted_one_by_one() -> None:
    allowed: list[int] = []

    def try_it() -> None:
        try:
            guess()
            allowed.append(1)
        except Forbidden:
            pass
        finally:
            connections.close_all()

    tries = [threading.Thread(target=try_it) for _ in range(24)]
    for each in tries:
        each.start()
    for each in tries:
        each.join()
    assert len(allowed) == signing_in.MOST
