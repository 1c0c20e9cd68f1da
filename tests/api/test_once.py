"""One order, however often and however close together it is sent: real threads, a real server, either database."""

from __future__ import annotations

import http.client
import json
import threading
from contextlib import suppress
from datetime import timedelta
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import pytest
import time_machine

from fulfilment.models import Event, Once, Order
from fulfilment.services import nights, once
from fulfilment.services.once import Answer
from tests import world
from tests.api.asking import ask, key
from tests.world import MONDAY, NOW, World

if TYPE_CHECKING:
    from pytest_django.live_server_helper import LiveServer

MANY = 100
FRIDAY = (MONDAY + timedelta(days=4)).isoformat()


def wanted(farm: World, grams: int = 1_000) -> dict[str, object]:
    return {"on": FRIDAY, "lines": [{"product": farm.product.public_id, "amount_g": grams}]}


@pytest.mark.django_db(transaction=True)
def test_a_hundred_identical_orders_at_once_are_one_order_with_one_answer(live_server: LiveServer) -> None:
    with time_machine.travel(NOW):
        farm = world.build()
        world.plan()
        secret, body = key("kitchen", kitchen=farm.kitchen), json.dumps(wanted(farm))
        answers: list[tuple[int, bytes, str | None]] = []
        together = threading.Barrier(MANY)
        where = urlsplit(live_server.url)

        def send() -> tuple[int, bytes, str | None]:
            """Until there is an answer: a line that breaks on the way is what the key is for."""
            while True:
                with suppress(OSError):
                    return over_the_line()

        def over_the_line() -> tuple[int, bytes, str | None]:
            talk = http.client.HTTPConnection(where.hostname or "", where.port, timeout=60)
            headers = {
                "Authorization": f"Bearer {secret}", "Content-Type": "application/json", "Idempotency-Key": "the-one",
            }  # fmt: skip
            talk.request("POST", "/api/v1/orders", body, headers)
            response = talk.getresponse()
            got = response.status, response.read(), response.getheader("Location")
            talk.close()
            return got

        def one() -> None:
            together.wait()
            got = send()
            while got[0] == 409:
                # The first took longer than the two seconds that a rival waits.
                assert json.loads(got[1])["code"] == "in_progress"
                got = send()
            answers.append(got)

        threads = [threading.Thread(target=one) for _ in range(MANY)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert len(answers) == MANY
    assert len(set(answers)) == 1, "every one of them is the first's answer, to the byte"
    status, told, location = answers[0]
    order = Order.objects.get()
    assert (status, location) == (201, f"/api/v1/orders/{order.public_id}")
    assert json.loads(told)["id"] == order.public_id
    assert Event.objects.filter(kind="order_placed").count() == 1


@pytest.mark.django_db
def test_answers_are_kept_for_seven_days_and_then_forgotten() -> None:
    with time_machine.travel(NOW, tick=False) as clock:
        farm = world.build()
        world.plan()
        secret = key("kitchen", kitchen=farm.kitchen)
        first = ask(secret, "POST", "/orders", wanted(farm), once="mine", status=201)
        refused = ask(secret, "POST", "/orders", wanted(farm, 1_250), once="wrong", status=400)
        clock.shift(nights.ANSWERS_KEPT - timedelta(minutes=1))
        once.forget(before=NOW + timedelta(minutes=-1))
        assert timedelta(days=7) == nights.ANSWERS_KEPT
        assert ask(secret, "POST", "/orders", wanted(farm), once="mine", status=201) == first, "though Friday is over"
        assert ask(secret, "POST", "/orders", wanted(farm, 1_250), once="wrong", status=400) == refused
        assert once.forget(before=NOW + timedelta(minutes=1)) == 2
    assert not Once.objects.exists()


@pytest.mark.django_db(transaction=True)
def test_a_rival_of_one_that_takes_too_long_is_told_when_to_come_again() -> None:
    """On PostgreSQL after two seconds; SQLite lets one writer in at a time, so rivals wait until the first is done."""
    from django.db import connection, connections

    if connection.vendor != "postgresql":
        pytest.skip("an SQLite rival waits for the file, not for the row")
    begun, end = threading.Event(), threading.Event()

    def slow() -> Answer:
        begun.set()
        end.wait(20)
        return Answer(201, b"{}")

    def first() -> None:
        once.perform("key:slow", key="k", fingerprint="f", action=slow, now=NOW)
        connections.close_all()

    with time_machine.travel(NOW):
        thread = threading.Thread(target=first)
        thread.start()
        begun.wait(20)
        with pytest.raises(Exception, match="still running"):
            once.perform("key:slow", key="k", fingerprint="f", action=slow, now=NOW)
        end.set()
        thread.join()
    assert once.perform("key:slow", key="k", fingerprint="f", action=slow, now=NOW).status == 201
