"""Webhooks leave after their event is committed, at least once, under one id; one endpoint never holds up another."""

from __future__ import annotations

import json
import os
import signal
import threading
from collections import Counter
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from django.db import connection, connections, transaction
from django.test.utils import CaptureQueriesContext
from pytest_django import Settings
from standardwebhooks import Webhook

from fulfilment import work
from fulfilment.models import Event, Mail, WebhookEndpoint, WebhookMessage, WebhookTry
from fulfilment.out import emails
from fulfilment.out import webhooks as posting
from fulfilment.services import customers, events, farm, webhooks
from fulfilment.services.webhooks import queue
from tests.listener import Listener, listening, never_answers, says
from tests.people import ADA
from tests.work.test_drain import ended, in_child
from tests.world import NOW

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fulfilment.models import Kitchen

pytestmark = pytest.mark.django_db(transaction=True)

State = WebhookMessage.State
AFTER_THE_LEASE = NOW + queue.LEASE + timedelta(minutes=1)


@pytest.fixture(autouse=True)
def _here(settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    settings.WEBHOOKS_TO_LOOPBACK = True
    monkeypatch.setattr(work, "SWEEPS", ())


@pytest.fixture
def listener() -> Iterator[Listener]:
    with listening() as heard:
        yield heard


@pytest.fixture
def cleo() -> Kitchen:
    farm.set_up("Tide Mill Mushrooms", zone="Etc/UTC", by=ADA, now=NOW)
    return customers.add_kitchen(
        "The Heron", email="heron@example.org", address={"street": "1 Quay", "town": "Saltby"}, by=ADA, now=NOW
    )


def endpoint(
    address: str, *, kitchen: Kitchen | None = None, kinds: tuple[str, ...] = ("order.placed",)
) -> tuple[WebhookEndpoint, str]:
    return webhooks.add(
        address, scope="kitchen" if kitchen else "office", kitchen=kitchen, kinds=kinds, by=ADA, now=NOW
    )


def happen(*subjects: str, kind: str = "order_placed", now: datetime = NOW, **more: Any) -> None:
    with transaction.atomic():
        for subject in subjects:
            events.record(kind, subject=subject, by=ADA, at=now, data={"on": "2026-05-08", "because": "ours"}, **more)


def subjects(heard: Listener) -> list[str]:
    return [json.loads(got.body)["data"]["order"] for got in heard.got]


# ---- What arrives ---------------------------------------------------------------------------------------------------


def test_an_event_is_posted_once_it_is_committed(listener: Listener) -> None:
    _, secret = endpoint(listener.address)
    now = datetime.now(UTC)
    happen("K7Q2-M4XJ", now=now)
    assert work.drain(now=now) == 1
    [got] = listener.got
    assert Webhook(secret).verify(got.body, got.headers) == {
        "type": "order.placed",
        "timestamp": now.isoformat().replace("+00:00", "Z"),
        "data": {"order": "K7Q2-M4XJ", "on": "2026-05-08"},
    }
    message = WebhookMessage.objects.get()
    assert (message.message_id, message.state, message.tries) == (got.id, State.DELIVERED, 1)
    assert message.delivered_at is not None
    tried = WebhookTry.objects.get()
    assert (tried.outcome, tried.status) == ("delivered", 204)
    assert work.drain(now=now) == 0


def test_what_is_taken_back_never_happened(listener: Listener) -> None:
    endpoint(listener.address)
    with transaction.atomic():
        events.record("order_placed", subject="K7Q2-M4XJ", by=ADA, at=NOW)
        transaction.set_rollback(True)
    assert work.drain(now=NOW) == 0
    assert (listener.got, WebhookMessage.objects.count()) == ([], 0)


def test_nothing_is_posted_inside_a_transaction(listener: Listener, monkeypatch: pytest.MonkeyPatch) -> None:
    endpoint(listener.address)
    happen("K7Q2-M4XJ")
    inside: list[bool] = []
    post = posting.post

    def watched(*turns: Any, **more: Any) -> Any:
        inside.append(connection.in_atomic_block)
        return post(*turns, **more)

    monkeypatch.setattr(posting, "post", watched)
    work.drain(now=NOW)
    assert inside == [False]


def test_after_a_rotation_both_secrets_sign_for_a_day(listener: Listener) -> None:
    row, old = endpoint(listener.address)
    now = datetime.now(UTC)
    _, new = webhooks.rotate(row.public_id, by=ADA, now=now)
    assert old != new
    happen("A")
    work.drain(now=now)
    happen("B")
    later = now + timedelta(hours=24, seconds=1)
    work.drain(now=later)
    first, second = listener.got
    for secret in (old, new):
        Webhook(secret).verify(first.body, first.headers)
    assert len(first.headers["webhook-signature"].split()) == 2
    assert second.signed_by(new)


def test_a_secret_that_leaked_ends_at_once(listener: Listener) -> None:
    row, old = endpoint(listener.address)
    _, new = webhooks.rotate(row.public_id, old_signs=timedelta(0), by=ADA, now=NOW)
    happen("A")
    work.drain(now=NOW)
    [got] = listener.got
    assert got.signed_by(new)
    assert not got.signed_by(old)


def test_messages_come_in_the_order_of_what_happened(listener: Listener) -> None:
    endpoint(listener.address)
    names = [f"order-{n}" for n in range(queue.A_TURN + 7)]
    happen(*names)
    assert work.drain(now=NOW, limit=1000) == len(names)
    assert subjects(listener) == names


# ---- Who dies, who is late, who is doubled --------------------------------------------------------------------------


def test_a_worker_killed_between_sending_and_marking_repeats_the_same_id(
    listener: Listener, monkeypatch: pytest.MonkeyPatch
) -> None:
    endpoint(listener.address)
    happen("K7Q2-M4XJ")
    post = posting.post

    def dies_after(*turns: Any, **more: Any) -> Any:
        post(*turns, **more)
        os.kill(os.getpid(), signal.SIGKILL)

    monkeypatch.setattr(posting, "post", dies_after)
    assert ended(in_child(lambda: work.drain(now=NOW))) == -signal.SIGKILL
    monkeypatch.setattr(posting, "post", post)
    assert work.drain(now=NOW) == 0, "it is leased still"
    assert work.drain(now=AFTER_THE_LEASE) == 1
    assert len(listener.ids) == 2
    assert len(set(listener.ids)) == 1
    assert WebhookMessage.objects.get().tries == 2, "the try that nobody ended is counted"


def test_a_worker_killed_before_sending_loses_nothing(listener: Listener, monkeypatch: pytest.MonkeyPatch) -> None:
    endpoint(listener.address)
    happen("K7Q2-M4XJ")
    monkeypatch.setattr(posting, "post", lambda *_, **__: os.kill(os.getpid(), signal.SIGKILL))
    assert ended(in_child(lambda: work.drain(now=NOW))) == -signal.SIGKILL
    monkeypatch.undo()
    monkeypatch.setattr(work, "SWEEPS", ())
    assert work.drain(now=AFTER_THE_LEASE) == 1
    assert subjects(listener) == ["K7Q2-M4XJ"]


def test_two_workers_double_nothing(listener: Listener) -> None:
    addresses = [listener.address.replace("hooks", f"hooks/{n}") for n in range(4)]
    for address in addresses:
        endpoint(address)
    names = [f"order-{n}" for n in range(60)]
    happen(*names)
    start = threading.Barrier(2)
    broken: list[BaseException] = []

    def worker() -> None:
        try:
            start.wait()
            while work.drain(now=datetime.now(UTC), limit=25):
                pass
        except BaseException as error:  # noqa: BLE001 - told below
            broken.append(error)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=worker) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    while work.drain(now=datetime.now(UTC)):
        pass
    assert not broken
    assert Counter(listener.ids) == dict.fromkeys(
        WebhookMessage.objects.values_list("message_id", flat=True), 1
    )  # each once
    assert len(listener.got) == 240
    for n in range(4):
        path = [got for got in listener.got if got.path == f"/hooks/{n}"]
        assert [json.loads(got.body)["data"]["order"] for got in path] == names, "in order, whoever posted"


def test_whose_lease_ran_out_marks_nothing(listener: Listener) -> None:
    endpoint(listener.address)
    happen("K7Q2-M4XJ")
    [turn] = webhooks.claim(now=NOW)
    [(_, results)] = posting.post([turn], now=NOW)
    [other] = webhooks.claim(now=AFTER_THE_LEASE)
    assert not webhooks.settle(turn, results, now=AFTER_THE_LEASE)
    assert WebhookMessage.objects.get().state == State.WAITING
    [(_, again)] = posting.post([other], now=AFTER_THE_LEASE)
    assert webhooks.settle(other, again, now=AFTER_THE_LEASE)
    assert WebhookMessage.objects.get().state == State.DELIVERED
    assert WebhookTry.objects.count() == 1


# ---- Who fails ------------------------------------------------------------------------------------------------------


def test_a_failure_is_tried_again_along_the_published_schedule(listener: Listener) -> None:
    """Standard Webhooks 1.0.0, "Example retry schedule": 0 s, 5 s, 5 min, 30 min, 2, 5, 10, 14, 20, 24 h."""
    listener.answer = says(500)
    endpoint(listener.address)
    happen("K7Q2-M4XJ")
    now = NOW
    waits: list[timedelta] = []
    while WebhookMessage.objects.get().state == State.WAITING and len(waits) < 20:
        # Somebody else's messages keep the endpoint from being given up.
        WebhookEndpoint.objects.update(failing_since=None)
        work.drain(now=now)
        due = WebhookMessage.objects.get().due_at
        waits.append(due - now)
        assert work.drain(now=due - timedelta(seconds=1)) == 0
        now = due + timedelta(milliseconds=100)
    published = [5, 300, 1800, 7200, 18000, 36000, 50400, 72000, 86400]
    del waits[-1]  # after the last try there is none
    assert len(listener.got) == len(published) + 1
    assert len(set(listener.ids)) == 1
    assert WebhookMessage.objects.get().state == State.FAILED
    for wait, base in zip(waits, published, strict=True):
        assert base <= wait.total_seconds() <= base * (1 + queue.JITTER) + 5
    assert len({round(wait.total_seconds() / base, 3) for wait, base in zip(waits, published, strict=True)}) > 5
    stamps = [int(got.headers["webhook-timestamp"]) for got in listener.got]
    assert stamps == sorted(set(stamps)), "each try is signed at its own time"


def test_an_endpoint_that_fails_for_three_days_is_switched_off_and_its_owner_told(
    listener: Listener, cleo: Kitchen
) -> None:
    listener.answer = says(500)
    row, _ = endpoint(listener.address, kitchen=cleo)
    now = NOW
    while (row := WebhookEndpoint.objects.get()).state == "enabled":
        happen(f"order-{now:%d%H}", now=now, kitchen=cleo)
        work.drain(now=now)
        now += timedelta(hours=2)
        assert now < NOW + timedelta(days=4)
    assert timedelta(days=3) <= now - NOW <= timedelta(days=3, hours=4)
    assert (row.why_disabled, row.messages.filter(state=State.WAITING).count()) == ("failing", 0)
    event = Event.objects.get(kind="webhook_disabled")
    assert (event.subject, event.kitchen, event.data) == (row.public_id, cleo, {"why": "failing"})
    mail = Mail.objects.get(kind="webhook_disabled")
    assert (mail.kitchen, mail.to_staff) == (cleo, False)
    seen = emails.preview(mail.public_id, now=now)
    assert row.public_id in seen.text
    assert "three days" in seen.text
    assert listener.address in seen.text
    happen("later", now=now, kitchen=cleo)
    assert not WebhookMessage.objects.filter(event__subject="later").exists()
    posted = len(listener.got)
    work.drain(now=now + timedelta(days=1))
    assert len(listener.got) == posted


def test_one_success_and_the_count_begins_anew(listener: Listener) -> None:
    listener.answer = says(500)
    endpoint(listener.address)
    happen("A")
    work.drain(now=NOW)
    assert WebhookEndpoint.objects.get().failing_since == NOW or WebhookEndpoint.objects.get().failures == 1
    listener.answer = says(200)
    work.drain(now=NOW + timedelta(days=2, hours=23))
    row = WebhookEndpoint.objects.get()
    assert (row.failing_since, row.failures) == (None, 0)
    listener.answer = says(500)
    happen("B", now=NOW + timedelta(days=3))
    work.drain(now=NOW + timedelta(days=3, hours=1))
    assert WebhookEndpoint.objects.get().state == "enabled"


def test_410_switches_it_off_at_once_and_the_farm_is_told_of_its_own(listener: Listener, cleo: Kitchen) -> None:
    listener.answer = says(410)
    row, _ = endpoint(listener.address)
    happen("A", "B", "C")
    work.drain(now=NOW)
    row.refresh_from_db()
    assert (row.state, row.why_disabled) == ("disabled", "gone")
    assert len(listener.got) == 1
    assert set(WebhookMessage.objects.values_list("state", flat=True)) == {State.DROPPED}
    mail = Mail.objects.get(kind="webhook_disabled")
    assert mail.to_staff
    assert "webhook" in emails.preview(mail.public_id, now=NOW).subject


def test_who_asks_to_be_left_alone_is(listener: Listener) -> None:
    listener.answer = says(429, Retry_After="3600")
    endpoint(listener.address)
    happen("A", "B")
    work.drain(now=NOW)
    assert work.drain(now=NOW + timedelta(minutes=59)) == 0
    listener.answer = says(200)
    assert work.drain(now=NOW + timedelta(minutes=61)) == 2
    assert subjects(listener) == ["A", "B", "A"], "a new one first, the one that failed when it is due"


def test_a_message_that_is_refused_does_not_hold_up_those_after_it(listener: Listener) -> None:
    def picky(to: Any) -> None:
        says(400 if '"poison"' in listener.got[-1].body else 200)(to)

    listener.answer = picky
    endpoint(listener.address)
    happen("poison", "A", "B")
    work.drain(now=NOW)
    work.drain(now=NOW + timedelta(seconds=5, milliseconds=500))
    assert subjects(listener)[:3] == ["poison", "A", "B"]
    assert Counter(WebhookMessage.objects.values_list("state", flat=True)) == {"delivered": 2, "waiting": 1}


def test_a_slow_endpoint_takes_its_own_time_only(listener: Listener, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(posting, "TOTAL_S", 0.5)
    with listening() as slow:
        slow.answer = never_answers
        endpoint(slow.address)
        endpoint(listener.address)
        happen(*(f"order-{n}" for n in range(20)))
        assert work.drain(now=NOW) == 21, "all of the other's and one of its own"
        assert len(listener.got) == 20
        work.drain(now=NOW + timedelta(seconds=2))
        assert len(slow.got) == 1, "it rests after a failure"


def test_endpoints_take_turns(listener: Listener, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(queue, "AT_ONCE", 4)
    addresses = [listener.address.replace("hooks", f"hooks/{n}") for n in range(queue.AT_ONCE + 3)]
    for address in addresses:
        endpoint(address)
    happen("A", "B")
    first = webhooks.claim(now=NOW)
    second = webhooks.claim(now=NOW)
    assert (len(first), len(second)) == (queue.AT_ONCE, 3), "no two workers have one endpoint"
    for turn in first:
        webhooks.settle(turn, [], now=NOW + timedelta(seconds=1))
    happen("C")
    third = webhooks.claim(now=NOW + timedelta(seconds=2))
    assert {turn.endpoint for turn in third} == {turn.endpoint for turn in first}
    assert set(WebhookMessage.objects.filter(endpoint=third[0].endpoint).values_list("tries", flat=True)) == {1}


def test_an_endpoint_whose_key_is_gone_is_switched_off(listener: Listener, settings: Settings, cleo: Kitchen) -> None:
    row, secret = endpoint(listener.address, kitchen=cleo)
    old = settings.SECRET_KEY
    settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = "another key, long enough to satisfy every check", [old]
    happen("A", kitchen=cleo)
    work.drain(now=NOW)
    [got] = listener.got
    assert got.signed_by(secret), "a key that is kept signs"
    settings.SECRET_KEY_FALLBACKS = []
    happen("B", kitchen=cleo)
    work.drain(now=NOW)
    row.refresh_from_db()
    assert (row.why_disabled, len(listener.got)) == ("unsigned", 1)
    _, new = webhooks.rotate(row.public_id, by=ADA, now=NOW)
    webhooks.change(row.public_id, enabled=True, by=ADA, now=NOW)
    assert webhooks.replay(row.public_id, since=NOW, by=ADA, now=NOW) == 2
    work.drain(now=NOW)
    [*_, last] = listener.got
    assert last.signed_by(new)


# ---- What it costs --------------------------------------------------------------------------------------------------


def test_looking_for_what_is_due_reads_no_message_that_is_not(listener: Listener) -> None:
    """Whatever waits for later, a look is one statement that goes through the index, once for each endpoint."""
    rows = [endpoint(f"{listener.address}/{n}")[0] for n in range(5)]
    told = Event.objects.bulk_create(Event(kind="order_placed", subject=str(n), at=NOW, by=ADA) for n in range(2_000))
    later = NOW + timedelta(days=1)
    WebhookMessage.objects.bulk_create(
        WebhookMessage(endpoint=row, event=event, due_at=later, made_at=NOW) for row in rows for event in told
    )
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE fulfilment_webhookmessage, fulfilment_webhookendpoint")
    with CaptureQueriesContext(connection) as seen:
        assert webhooks.claim(now=NOW) == []
    assert len(seen) == 1
    statement = seen.captured_queries[0]["sql"]
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(f"EXPLAIN (ANALYZE, FORMAT JSON) {statement}")
            assert read(cursor.fetchone()[0][0]["Plan"], "fulfilment_webhookmessage") <= 5
        else:
            cursor.execute(f"EXPLAIN QUERY PLAN {statement}")
            plan = " / ".join(str(step[3]) for step in cursor.fetchall())
            assert "webhook_due (endpoint_id=? AND due_at<?)" in plan, plan


def read(plan: dict[str, Any], table: str) -> float:
    """Rows of a table that a plan went through, also those it threw away."""
    own = 0.0
    if plan.get("Relation Name") == table:
        own = plan["Actual Loops"] * (plan["Actual Rows"] + plan.get("Rows Removed by Filter", 0))
        own += 0 if "Index" in plan["Node Type"] else 1000
    return own + sum(read(each, table) for each in plan.get("Plans", []))
