"""Standing orders by HTTP: looked at before they begin, changed, taken back, and what each date comes to."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import pytest
import time_machine
from dateutil.rrule import rrulestr

from fulfilment.services import farm as farming
from tests import world
from tests.api.asking import ask, key
from tests.world import ADA, MONDAY, NOW, World

pytestmark = pytest.mark.django_db

FRIDAY = MONDAY + timedelta(days=4)
THURSDAY = FRIDAY - timedelta(days=1)


@pytest.fixture(autouse=True)
def clock() -> Iterator[time_machine.Traveller]:
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture
def farm(clock: time_machine.Traveller) -> World:
    made = world.build()
    world.plan()
    return made


@pytest.fixture
def cleo(farm: World) -> str:
    return key("kitchen", kitchen=farm.kitchen)


def begin(cleo: str, farm: World, **more: object) -> Any:
    body = {
        "rule": "FREQ=WEEKLY;BYDAY=FR",
        "starts_on": MONDAY.isoformat(),
        "lines": [{"product": farm.product.public_id, "amount_g": 1_000}],
        **more,
    }
    return ask(cleo, "POST", "/standing-orders", body, status=201)


def dates(cleo: str, begun: Any) -> dict[str, Any]:
    found = ask(cleo, "GET", f"/standing-orders/{begun['id']}/dates", status=200)["items"]
    return {each["on"]: each for each in found}


@pytest.mark.parametrize(
    "rule",
    [
        "FREQ=WEEKLY;BYDAY=TU,FR",
        "FREQ=MONTHLY;BYDAY=1FR",
        "FREQ=WEEKLY;INTERVAL=2;BYDAY=WE",
        "FREQ=MONTHLY;BYMONTHDAY=-1",
    ],
)
def test_a_rule_is_looked_at_before_it_begins(farm: World, cleo: str, rule: str) -> None:
    """The dates are those of RFC 5545, section 3.8.5.3, as python-dateutil expands them (test-only oracle)."""
    body = {"rule": rule, "starts_on": MONDAY.isoformat(), "until": "2026-08-31"}
    told = ask(cleo, "POST", "/standing-order-previews", body, status=200)
    start = f"DTSTART:{MONDAY:%Y%m%d}T000000\nRRULE:{rule};UNTIL=20260831T000000"
    assert [each["on"] for each in told["dates"]] == [f"{each:%Y-%m-%d}" for each in rrulestr(start)]
    assert ask(cleo, "GET", "/standing-orders", status=200)["items"] == []


def test_a_preview_says_what_becomes_of_closed_days(farm: World, cleo: str) -> None:
    farming.close_day(FRIDAY, reason="market", by=ADA, now=NOW, today=MONDAY)
    body = {"rule": "FREQ=WEEKLY;BYDAY=FR", "starts_on": MONDAY.isoformat()}
    for on_closed, what, day in (("left_out", "no_delivery", None), ("earlier", "usual", THURSDAY.isoformat())):
        told = ask(cleo, "POST", "/standing-order-previews", body | {"on_closed": on_closed}, status=200)["dates"]
        assert (told[0]["what"], told[0]["delivered_on"]) == (what, day)
        assert "the farm is closed that day" in told[0]["says"]
        assert told[1]["says"] == ""
    wrong = ask(cleo, "POST", "/standing-order-previews", body | {"rule": "FREQ=HOURLY"}, status=400)
    assert wrong["errors"][0]["pointer"] == "/rule"
    far = ask(cleo, "POST", "/standing-order-previews", body | {"starts_on": "9999-12-31"}, status=400)
    assert far["code"] == "too_far_ahead"


def test_every_change_is_seen_by_its_date_and_taken_back(farm: World, cleo: str) -> None:
    begun = begin(cleo, farm)
    changes = f"/standing-orders/{begun['id']}/changes"
    first, second, third, fourth = (FRIDAY + timedelta(weeks=week) for week in range(4))
    skip = ask(cleo, "POST", changes, {"kind": "skip", "on": first.isoformat()}, status=201)["id"]
    other = {farm.product.public_id: 1_500}
    ask(cleo, "POST", changes, {"kind": "amounts", "on": second.isoformat(), "amounts": other}, status=201)
    pause = {"kind": "pause", "on": third.isoformat(), "last_on": fourth.isoformat()}
    ask(cleo, "POST", changes, pause, status=201)
    told = dates(cleo, begun)
    assert [told[each.isoformat()]["what"] for each in (first, second, third)] == ["skipped", "other_amounts", "paused"]
    assert told[first.isoformat()]["change"] == skip
    assert told[second.isoformat()]["lines"] == [{"product": farm.product.public_id, "amount": 1_500}]
    assert told[first.isoformat()]["order"] is None
    assert told[second.isoformat()]["order"] is not None
    listed = ask(cleo, "GET", f"/standing-orders/{begun['id']}", status=200)["changes"]
    assert [each["kind"] for each in listed] == ["skip", "amounts", "pause"]
    ask(cleo, "POST", changes, {"kind": "take_back", "change": skip}, status=201)
    ask(cleo, "POST", changes, {"kind": "resume", "on": fourth.isoformat()}, status=201)
    told = dates(cleo, begun)
    assert [told[each.isoformat()]["what"] for each in (first, third, fourth)] == ["usual", "paused", "usual"]
    assert told[first.isoformat()]["order"] is not None
    for wrong in ({"kind": "skip"}, {"kind": "take_back"}):
        assert ask(cleo, "POST", changes, wrong, status=400)["code"] == "missing"
    assert ask(cleo, "POST", changes, {"kind": "take_back", "change": "K7Q2-M4XJ"}, status=400)["code"] == "not_found"


def test_lines_and_terms_from_a_day_on(farm: World, cleo: str) -> None:
    begun = begin(cleo, farm)
    address, third = f"/standing-orders/{begun['id']}", FRIDAY + timedelta(weeks=2)
    change = {"lines": [{"product": farm.product.public_id, "amount_g": 2_000}], "from_on": third.isoformat()}
    ask(cleo, "PATCH", address, change, status=428)
    ask(cleo, "PATCH", address, change, match='"1"', status=200)
    ask(cleo, "PATCH", address, change, match='"1"', status=412)
    told = dates(cleo, begun)
    assert [told[each.isoformat()]["lines"][0]["amount"] for each in (FRIDAY, third)] == [1_000, 2_000]
    lines = ask(cleo, "GET", address, status=200)["lines"]
    assert [(each["amount"], each["from_on"], each["until_on"]) for each in lines] == [
        (1_000, None, (third - timedelta(days=1)).isoformat()), (2_000, third.isoformat(), None),
    ]  # fmt: skip
    farming.close_day(date(2026, 5, 22), reason="fair", by=ADA, now=NOW, today=MONDAY, confirmed=True)
    ask(cleo, "PATCH", address, {"on_closed": "earlier", "ends_on": "2026-06-30"}, match="*", status=200)
    after = ask(cleo, "GET", address, status=200)
    assert (after["on_closed"], after["ends_on"]) == ("earlier", "2026-06-30")
    ask(cleo, "PATCH", address, {"ends_on": None}, match="*", status=200)
    assert ask(cleo, "GET", address, status=200)["ends_on"] is None
    assert ask(cleo, "PATCH", address, {"from_on": "2026-06-01"}, match="*", status=400)["code"] == "missing"
