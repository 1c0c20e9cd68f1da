"""Endpoints as people set them up."""

from __future__ import annotations

import base64
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest

from fulfilment.core.problems import Conflict, Invalid, Missing, Problem
from fulfilment.models import Event, WebhookEndpoint, WebhookMessage, WebhookSecret
from fulfilment.read import webhooks as reading
from fulfilment.read.scope import EVERYBODY
from fulfilment.read.webhook_kinds import KINDS, PING, offered
from fulfilment.services import customers, events, webhooks
from fulfilment.services.webhooks import endpoints, queue
from tests.people import ADA
from tests.world import NOW

if TYPE_CHECKING:
    from fulfilment.models import Kitchen

pytestmark = pytest.mark.django_db

ADDRESS = "https://kitchen.example.org/hooks"
State = WebhookMessage.State


@pytest.fixture
def cleo() -> Kitchen:
    return customers.add_kitchen(
        "The Heron", email="heron@example.org", address={"street": "1 Quay", "town": "Saltby"}, by=ADA, now=NOW
    )


def add(address: str = ADDRESS, **more: Any) -> WebhookEndpoint:
    wanted: dict[str, Any] = {"scope": "office", "kinds": ["order.placed"], **more}
    return webhooks.add(address, by=ADA, now=NOW, **wanted)[0]


def change(row: WebhookEndpoint, **more: Any) -> WebhookEndpoint:
    return webhooks.change(row.public_id, by=ADA, now=NOW, **more)


def happen(subject: str = "K7Q2-M4XJ", *, at: Any = NOW, kind: str = "order_placed", **more: Any) -> Event:
    return events.record(kind, subject=subject, by=ADA, at=at, **more)


# ---- Made and changed -----------------------------------------------------------------------------------------------


def test_a_secret_is_32_random_bytes_and_stored_nowhere() -> None:
    _, first = webhooks.add(ADDRESS, scope="office", kinds=["order.placed"], by=ADA, now=NOW)
    _, second = webhooks.add(ADDRESS, scope="office", kinds=["order.placed"], by=ADA, now=NOW)
    assert first != second
    assert first.startswith("whsec_")
    raw = base64.b64decode(first.removeprefix("whsec_"))
    assert len(raw) == 32, "the standard wants 24 to 64 bytes"
    for model in (WebhookEndpoint, WebhookSecret, WebhookMessage, Event):
        for row in model.objects.values():
            text = str(row)
            assert first not in text
            assert raw.hex() not in text
            assert first.removeprefix("whsec_") not in text


@pytest.mark.parametrize(
    ("wrong", "where"),
    [
        ({"address": "http://kitchen.example.org/"}, "address"),
        ({"address": "https://10.0.0.1/"}, "address"),
        ({"address": "http://127.0.0.1:8000/"}, "address"),
        ({"kinds": []}, "kinds"),
        ({"kinds": ["order.eaten"]}, "kinds.0"),
        ({"kinds": ["order.placed", PING]}, "kinds.1"),
        ({"scope": "shop", "kinds": ["harvest.logged"]}, "kinds.0"),
        ({"scope": "owner"}, "scope"),
        ({"scope": "kitchen"}, "kitchen"),
        ({"note": "x" * 61}, "note"),
        ({"note": "a\nb"}, "note"),
    ],
)
def test_what_is_no_endpoint_is_refused(wrong: dict[str, Any], where: str) -> None:
    with pytest.raises(Invalid) as refused:
        add(wrong.pop("address", ADDRESS), **wrong)
    assert refused.value.where == where
    assert not WebhookEndpoint.objects.exists()


def test_only_a_kitchen_s_endpoint_names_a_kitchen(cleo: Kitchen) -> None:
    with pytest.raises(Invalid):
        add(kitchen=cleo)
    assert add(scope="kitchen", kitchen=cleo).kitchen == cleo


def test_there_are_ten_at_most_of_one_owner(cleo: Kitchen) -> None:
    for _ in range(endpoints.MOST_ENDPOINTS):
        add(scope="kitchen", kitchen=cleo)
    with pytest.raises(Conflict):
        add(scope="kitchen", kitchen=cleo)
    assert add().pk, "another owner has its own ten"


def test_a_change_is_written_down_and_no_change_is_none() -> None:
    row = add(note="shop floor")
    assert change(row, note="shop floor").version == 1
    after = change(row, address="https://other.example.org/x", kinds=["order.cancelled", "order.placed"], note="till")
    assert (after.address, after.note, after.version) == ("https://other.example.org/x", "till", 2)
    assert after.kinds == ["order.placed", "order.cancelled"], "in the table's order"
    event = Event.objects.get(kind="webhook_endpoint_changed")
    assert event.data == {"changed": ["address", "kinds", "note"], "state": "enabled"}
    assert "example.org" not in str(event.data), "events hold no addresses"
    with pytest.raises(Invalid):
        change(row, address="https://localhost/")
    with pytest.raises(Missing):
        webhooks.change("K7Q2-M4XJ", note="x", by=ADA, now=NOW)


def test_switched_off_nothing_waits_and_nothing_comes() -> None:
    row = add()
    happen("before")
    off = change(row, enabled=False)
    assert (off.state, off.why_disabled, off.disabled_at) == ("disabled", "asked", NOW)
    happen("meanwhile")
    assert list(row.messages.values_list("event__subject", "state")) == [("before", State.DROPPED)]
    for refused in (
        lambda: webhooks.ping(row.public_id, by=ADA, now=NOW),
        lambda: webhooks.replay(row.public_id, since=NOW, by=ADA, now=NOW),
    ):
        with pytest.raises(Conflict):
            refused()
    on = change(row, enabled=True)
    assert (on.state, on.why_disabled, on.disabled_at) == ("enabled", "", None)
    happen("after")
    assert row.messages.get(state=State.WAITING).event.subject == "after"


def test_switched_on_it_needs_a_secret_that_signs(settings: Any) -> None:
    row = add()
    change(row, enabled=False)
    settings.SECRET_KEY = "another key, long enough to satisfy every check there is"
    with pytest.raises(Conflict, match="new one first"):
        change(row, enabled=True)


# ---- Secrets --------------------------------------------------------------------------------------------------------


def test_old_secrets_sign_for_as_long_as_was_said() -> None:
    row, first = webhooks.add(ADDRESS, scope="office", kinds=["order.placed"], by=ADA, now=NOW)
    _, second = webhooks.rotate(row.public_id, by=ADA, now=NOW)
    later = NOW + timedelta(hours=12)
    _, third = webhooks.rotate(row.public_id, old_signs=timedelta(hours=1), by=ADA, now=later)

    def live(hours: float) -> list[str]:
        row = WebhookEndpoint.objects.prefetch_related("secrets").get()
        return reading.live_secrets(row, now=NOW + timedelta(hours=hours))

    assert live(12) == [third, second, first], "the newest first"
    assert live(12.9) == [third, second, first]
    assert live(13.1) == [third]
    _, fourth = webhooks.rotate(row.public_id, old_signs=timedelta(0), by=ADA, now=NOW + timedelta(hours=14))
    assert live(14) == [fourth]


def test_a_header_has_room_for_five_signatures() -> None:
    row = add()
    for _ in range(endpoints.MOST_SECRETS - 1):
        webhooks.rotate(row.public_id, by=ADA, now=NOW)
    with pytest.raises(Conflict):
        webhooks.rotate(row.public_id, by=ADA, now=NOW)
    webhooks.rotate(row.public_id, old_signs=timedelta(0), by=ADA, now=NOW)
    for hours in (-1, 25):
        with pytest.raises(Invalid):
            webhooks.rotate(row.public_id, old_signs=timedelta(hours=hours), by=ADA, now=NOW)


# ---- Ping and replay ------------------------------------------------------------------------------------------------


def test_a_ping_goes_to_whom_it_is_asked_of_alone(cleo: Kitchen) -> None:
    row, other = add(scope="kitchen", kitchen=cleo), add(scope="kitchen", kitchen=cleo)
    made = webhooks.ping(row.public_id, by=ADA, now=NOW)
    assert reading.written(made.event) == (
        f'{{"type":"webhook.ping","timestamp":"2026-05-04T06:00:00Z","data":{{"endpoint":"{row.public_id}"}}}}'
    )
    assert not other.messages.exists()


def test_one_message_is_sent_again_under_its_own_id() -> None:
    row, other = add(), add()
    happen()
    message = row.messages.get()
    row.messages.update(state=State.FAILED, tries=10)
    assert webhooks.replay(row.public_id, message=message.message_id, by=ADA, now=NOW) == 1
    message.refresh_from_db()
    assert (message.state, message.tries, message.due_at) == (State.WAITING, 0, NOW)
    with pytest.raises(Missing):
        webhooks.replay(row.public_id, message=other.messages.get().message_id, by=ADA, now=NOW)


def test_all_since_an_instant_also_what_was_missed() -> None:
    row = add()
    happen("long ago", at=NOW - timedelta(days=3))
    happen("delivered")
    row.messages.update(state=State.DELIVERED)
    change(row, enabled=False)
    happen("missed", at=NOW + timedelta(hours=1))
    happen("not asked for", kind="line_changed", at=NOW + timedelta(hours=1))
    change(row, enabled=True)
    later = NOW + timedelta(hours=2)
    assert webhooks.replay(row.public_id, since=NOW - timedelta(days=1), by=ADA, now=later) == 2
    waiting = row.messages.filter(state=State.WAITING).order_by("event_id")
    assert [each.event.subject for each in waiting] == ["delivered", "missed"]
    assert webhooks.replay(row.public_id, since=NOW - timedelta(days=1), by=ADA, now=later) == 2
    assert row.messages.count() == 3, "asked twice, there once"


def test_a_replay_says_what_of_and_not_too_long_ago() -> None:
    row = add()
    for wrong in ({}, {"message": "msg_x", "since": NOW}, {"since": NOW + timedelta(seconds=1)},
                  {"since": NOW - queue.KEPT - timedelta(seconds=1)}):  # fmt: skip
        with pytest.raises(Problem):
            webhooks.replay(row.public_id, by=ADA, now=NOW, **wrong)


def test_what_is_old_and_settled_is_forgotten() -> None:
    row = add()
    happen("waiting")
    happen("delivered")
    row.messages.filter(event__subject="delivered").update(state=State.DELIVERED)
    assert webhooks.forget(before=NOW) == 0
    assert webhooks.forget(before=NOW + timedelta(seconds=1)) == 1
    assert row.messages.get().event.subject == "waiting"


# ---- Who is told ----------------------------------------------------------------------------------------------------


def test_each_is_told_of_what_it_may_see_and_asked_for(cleo: Kitchen) -> None:
    eve = customers.add_kitchen(
        "The Gull", email="gull@example.org", address={"street": "3 Quay", "town": "Saltby"}, by=ADA, now=NOW
    )
    dai = customers.add_buyer(
        "Dai", email="dai@example.org", zone="Etc/UTC", address={"street": "2 Lane", "town": "Saltby"}, by=ADA, now=NOW
    )
    everything = {scope: add(scope=scope, kinds=offered(scope)) for scope in EVERYBODY - {"kitchen"}}
    for name, kitchen in (("cleo", cleo), ("eve", eve)):
        everything[name] = add(scope="kitchen", kitchen=kitchen, kinds=offered("kitchen"))

    def told(event: Event) -> set[str]:
        pks = set(WebhookMessage.objects.filter(event=event).values_list("endpoint", flat=True))
        return {name for name, row in everything.items() if row.pk in pks}

    assert told(happen(kitchen=cleo)) == {"office", "packing", "cleo"}
    assert told(happen(buyer=dai)) == {"office", "packing", "shop"}
    assert told(happen(kind="harvest_logged")) == {"office", "packing", "grower"}
    assert told(happen(kind="day_closed")) == {"office", "packing", "grower", "shop", "cleo", "eve"}
    assert told(happen(kind="kit_event", buyer=dai)) == {"office", "packing", "grower", "shop"}
    assert told(happen(kind="kit_event")) == {"office", "packing", "grower"}, "a kit that is not sold"
    assert told(happen(kind="night_done")) == {"office"}
    assert told(happen(kind="key_made", kitchen=cleo)) == set(), "what no kind is made of is told to nobody"


def test_asking_forwards_and_backwards_is_the_same(cleo: Kitchen) -> None:
    """``receivers`` of each event and ``events_of`` each endpoint, for every kind, with every owner."""
    dai = customers.add_buyer(
        "Dai", email="dai@example.org", zone="Etc/UTC", address={"street": "2 Lane", "town": "Saltby"}, by=ADA, now=NOW
    )
    rows = [add(scope=scope, kinds=offered(scope)) for scope in sorted(EVERYBODY - {"kitchen"})]
    rows.append(add(scope="kitchen", kitchen=cleo, kinds=offered("kitchen")))
    rows.append(add(kinds=["order.placed"]))
    for kind in KINDS.values():
        for event in kind.events:
            for more in ({}, {"kitchen": cleo}, {"buyer": dai}):
                happen(kind=event, **more)
    pairs = set(WebhookMessage.objects.values_list("endpoint", "event"))
    assert len(pairs) > 200
    assert {(row.pk, event.pk) for row in rows for event in reading.events_of(row)} == pairs


def test_a_message_holds_no_field_that_is_not_in_the_table() -> None:
    data = {"because": "a reason of staff", "name": "Dai", "line": 2, "chance": 71, "asked": 90}
    event = happen(kind="promise_doubtful", data=data)
    assert '"data":{"order":"K7Q2-M4XJ","line":2,"chance_pct":71}' in reading.written(event)
