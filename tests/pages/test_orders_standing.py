"""Olive keeps the standing orders: begun, skipped, changed, paused, ended."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import pytest
import time_machine

from fulfilment.models import Order, StandingLine, StandingOrder
from fulfilment.services import farm as services
from tests import world
from tests.pages.growing import signed_in
from tests.world import ADA, MONDAY, NOW, World

if TYPE_CHECKING:
    from collections.abc import Iterator

    from django.test import Client

pytestmark = pytest.mark.django_db

FRIDAY = MONDAY + timedelta(days=4)


@pytest.fixture(autouse=True)
def _morning() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def here() -> World:
    made = world.build()
    world.plan()
    return made


@pytest.fixture
def olive() -> Client:
    return signed_in("olive", "office")


def filled(here: World, **more: object) -> dict[str, object]:
    return {
        "kitchen": here.kitchen.public_id, "weekdays": ["1", "4"], "every": "1", "starts_on": FRIDAY.isoformat(),
        "way": "round", "on_closed": "left_out", f"amount-{here.product.public_id}": "1000", "once": "s",
    } | more  # fmt: skip


@pytest.fixture
def begun(here: World, olive: Client) -> StandingOrder:
    assert olive.post("/orders/standing/new/", filled(here)).status_code == 303
    return StandingOrder.objects.get()


def order_of(standing: StandingOrder, on: date) -> Order:
    return standing.orders.get(on=on)


def test_it_is_begun_once_and_its_rule_is_in_words(here: World, olive: Client, begun: StandingOrder) -> None:
    assert begun.rule == "FREQ=WEEKLY;BYDAY=TU,FR"
    olive.post("/orders/standing/new/", filled(here))
    assert StandingOrder.objects.count() == 1
    page = olive.get("/orders/standing/").content.decode()
    assert "Every Tuesday and Friday" in page
    assert "The Heron" in page
    assert "1 kg Pearl oyster" in page
    assert begun.orders.count() == 7, "the Tuesdays and Fridays of four weeks from Friday on"


def test_every_second_week(here: World, olive: Client) -> None:
    olive.post("/orders/standing/new/", filled(here, weekdays=["4"], every="2"))
    assert StandingOrder.objects.get().rule == "FREQ=WEEKLY;INTERVAL=2;BYDAY=FR"
    assert "Every second Friday" in olive.get("/orders/standing/").content.decode()


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"weekdays": []}, "Choose at least one weekday."),
        ({"starts_on": "2026-05-01"}, "Friday 1 May 2026 is past: a standing order begins today or later."),
        ({"ends_on": "2026-05-07"}, "A standing order cannot end before it begins."),
        ({"starts_on": "someday"}, "This is no date: write it as 2026-05-04."),
    ],
)
def test_what_cannot_be_begun(here: World, olive: Client, wrong: dict[str, object], sentence: str) -> None:
    answer = olive.post("/orders/standing/new/", filled(here) | wrong)
    assert answer.status_code == 422
    assert sentence in answer.content.decode()
    assert not StandingOrder.objects.exists()


def test_no_amounts_and_half_packs(here: World, olive: Client) -> None:
    name = f"amount-{here.product.public_id}"
    assert "at least one line" in olive.post("/orders/standing/new/", filled(here) | {name: "0"}).content.decode()
    assert "packs of 500 g" in olive.post("/orders/standing/new/", filled(here) | {name: "750"}).content.decode()


def test_a_date_is_skipped_and_as_usual_again(olive: Client, begun: StandingOrder) -> None:
    later = (FRIDAY + timedelta(days=4)).isoformat()
    address = f"/orders/standing/{begun.public_id}/"
    assert olive.post(f"{address}skip/", {"on": later}).status_code == 303
    assert order_of(begun, date.fromisoformat(later)).cancelled_at is not None
    assert "skipped" in olive.get(address).content.decode()
    assert olive.post(f"{address}as-usual/", {"on": later}).status_code == 303
    live = begun.orders.get(on=later, cancelled_at__isnull=True)
    assert live.lines.get().ordered == order_of(begun, FRIDAY).lines.get().ordered


def test_other_amounts_on_a_date(here: World, olive: Client, begun: StandingOrder) -> None:
    address, name = f"/orders/standing/{begun.public_id}/", f"amount-{here.product.public_id}"
    on = {"on": FRIDAY.isoformat()}
    assert olive.post(f"{address}amounts/", on | {name: "2500"}).status_code == 303
    assert order_of(begun, FRIDAY).lines.get().ordered == 2_500
    assert "2.5 kg Pearl oyster" in olive.get(address).content.decode()
    assert "packs of 500 g" in olive.post(f"{address}amounts/", on | {name: "700"}).content.decode()
    assert "skip it instead" in olive.post(f"{address}amounts/", on | {name: "0"}).content.decode()


def test_a_pause_and_an_end(olive: Client, begun: StandingOrder) -> None:
    address = f"/orders/standing/{begun.public_id}/"
    backwards = olive.post(f"{address}pause/", {"first": "2026-05-20", "last": "2026-05-10"})
    assert backwards.status_code == 422
    assert "This span ends before it begins." in backwards.content.decode()
    assert olive.post(f"{address}pause/", {"first": "2026-05-11", "last": "2026-05-16"}).status_code == 303
    assert begun.orders.filter(cancelled_at__isnull=False).count() == 2
    assert olive.post(f"{address}end/", {"last_on": "2026-05-22"}).status_code == 303
    assert not begun.orders.filter(on__gt=date(2026, 5, 22), cancelled_at__isnull=True).exists()
    assert "Friday 22 May 2026" in olive.get(address).content.decode()


def test_a_pause_is_cut_short(olive: Client, begun: StandingOrder) -> None:
    address = f"/orders/standing/{begun.public_id}/"
    assert "Resume before" not in olive.get(address).content.decode(), "it is not paused"
    refused = olive.post(f"{address}resume/", {"on": "2026-05-12"})
    assert refused.status_code == 422
    assert "not paused on Tuesday 12 May 2026" in refused.content.decode()
    olive.post(f"{address}pause/", {"first": "2026-05-11", "last": "2026-05-23"})
    page = olive.get(address).content.decode()
    assert "from Monday 11 May 2026 to Saturday 23 May 2026" in page
    assert "Resume before its pause is over" in page
    assert olive.post(f"{address}resume/", {"on": "2026-05-16"}).status_code == 303
    live = set(begun.orders.filter(cancelled_at__isnull=True).values_list("on", flat=True))
    assert date(2026, 5, 15) not in live
    assert date(2026, 5, 19) in live
    assert "to Friday 15 May 2026" in olive.get(address).content.decode()


def test_other_lines_from_a_day_on(here: World, olive: Client, begun: StandingOrder) -> None:
    address, name = f"/orders/standing/{begun.public_id}/", f"amount-{here.product.public_id}"
    StandingLine.objects.update(at_least=1_000)
    half = olive.post(f"{address}lines/", {"from_on": "2026-05-15", name: "1250"})
    assert half.status_code == 422
    assert "packs of 500 g" in half.content.decode()
    none = olive.post(f"{address}lines/", {"from_on": "2026-05-15", name: ""})
    assert "at least one line" in none.content.decode()
    assert StandingLine.objects.count() == 1, "nothing was kept of either"
    assert olive.post(f"{address}lines/", {"from_on": "2026-05-15", name: "2500"}).status_code == 303
    amounts = {
        order.on: order.lines.get(cancelled_at__isnull=True).ordered
        for order in begun.orders.filter(on__lte="2026-05-19")
    }
    assert amounts == {
        FRIDAY: 1_000, date(2026, 5, 12): 1_000, date(2026, 5, 15): 2_500, date(2026, 5, 19): 2_500,
    }  # fmt: skip
    assert begun.lines.get(amount=2_500).at_least == 1_000, "the least that is taken stays"
    page = " ".join(olive.get(address).content.decode().split())
    assert "<dt>From Fri 15 May</dt><dd>2.5 kg Pearl oyster" in page
    assert olive.post(f"{address}lines/", {name: "500"}).status_code == 303
    assert order_of(begun, FRIDAY).lines.get(cancelled_at__isnull=True).ordered == 500, "from the first changeable date"


def test_a_closed_date_goes_to_the_day_that_was_chosen(here: World, olive: Client) -> None:
    closed = date(2026, 5, 15)
    services.close_day(closed, by=ADA, now=NOW, today=MONDAY)
    olive.post("/orders/standing/new/", filled(here))
    begun = StandingOrder.objects.get()
    address = f"/orders/standing/{begun.public_id}/"
    assert "a date without deliveries is left out" in olive.get(address).content.decode()
    assert not begun.orders.filter(standing_on=closed).exists()
    assert olive.post(f"{address}terms/", {"on_closed": "sometimes", "way": "round"}).status_code == 422
    assert olive.post(f"{address}terms/", {"on_closed": "earlier", "way": "round"}).status_code == 303
    assert begun.orders.get(standing_on=closed).on == date(2026, 5, 14)
    assert "delivered on the nearest delivery day before it" in olive.get(address).content.decode()


def test_the_choice_is_made_when_it_is_begun(here: World, olive: Client) -> None:
    assert olive.post("/orders/standing/new/", filled(here, on_closed="later")).status_code == 303
    assert StandingOrder.objects.get().on_closed == "later"


def test_a_day_that_is_no_date_of_it(olive: Client, begun: StandingOrder) -> None:
    answer = olive.post(f"/orders/standing/{begun.public_id}/skip/", {"on": "2026-05-13"})
    assert answer.status_code == 422
    assert "Wednesday 13 May 2026 is no date of this standing order." in answer.content.decode()


def test_standing_orders_are_the_offices(begun: StandingOrder) -> None:
    for client in (signed_in("ben", "packing"), signed_in("ada", "grower"), signed_in("eve")):
        assert client.get("/orders/standing/").status_code == 403
        assert client.post(f"/orders/standing/{begun.public_id}/end/", {"last_on": "2026-05-22"}).status_code == 403
    assert signed_in("ola", "office").post(f"/orders/standing/{begun.public_id}/eat/").status_code == 404
    assert signed_in("oli", "office").get("/orders/standing/K7Q2-M4XJ/").status_code == 404


def test_the_list_costs_a_fixed_number_of_statements(
    here: World, olive: Client, begun: StandingOrder, django_assert_max_num_queries: object
) -> None:
    for number in range(4):
        olive.post("/orders/standing/new/", filled(here, once=f"n{number}", weekdays=["0"]))
    with django_assert_max_num_queries(14):  # type: ignore[operator]  # the fixture of pytest-django
        olive.get("/orders/standing/")
