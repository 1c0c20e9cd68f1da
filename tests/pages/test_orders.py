"""Olive's orders: the week by delivery day, one order, and what she changes of it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
import time_machine
from django.contrib.auth.models import User
from django.test import Client

from fulfilment.models import Event, Kitchen, Line, Order
from fulfilment.services import customers, farm, ordering, planning
from fulfilment.services.ordering import Asked
from tests import world
from tests.pages.growing import signed_in
from tests.world import ADA, MONDAY, NOW, World

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.django_db

FRIDAY = MONDAY + timedelta(days=4)
AFTER_CUT_OFF = datetime(2026, 5, 7, 12, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _morning() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def here() -> World:
    made = world.build(kits_wanted=5)
    world.plan()
    return made


@pytest.fixture
def olive() -> Client:
    return signed_in("olive", "office")


def place(here: World, grams: int = 2_000, **more: object) -> Order:
    wanted = {"kitchen": here.kitchen.public_id, "on": FRIDAY, "by": ADA, "now": NOW} | more
    return ordering.place([Asked(here.product.public_id, grams)], **wanted)  # type: ignore[arg-type]  # test data


def text(client: Client, address: str, *, status: int = 200) -> str:
    answer = client.get(address)
    assert answer.status_code == status
    return answer.content.decode()


# ---- The week -------------------------------------------------------------------------------------------------------


def test_the_week_says_each_day_with_its_orders_and_totals(here: World, olive: Client) -> None:
    place(here, reference="PO 7")
    ordering.place([Asked(here.kit.public_id, 2)], buyer=here.buyer.public_id, on=FRIDAY, by=ADA, now=NOW)
    planning.replan(now=NOW)
    page = text(olive, "/orders/?week=2026-05-06")
    for words in (
        "Friday 8 May 2026", "until Thu 7 May, 12:00", "The Heron", "one-off", "theirs PO 7", "2 kg", "planned", "Dai",
        "ordered 2 kits", "No deliveries on Saturdays, Sundays",
    ):  # fmt: skip
        assert words in page, words
    assert "?week=2026-04-27" in page
    assert "?week=2026-05-11" in page
    assert "Monday 11 May 2026" in text(olive, "/orders/?week=2026-05-11")


def test_a_short_line_says_why_and_the_chance_that_was_asked(here: World, olive: Client) -> None:
    place(here, 400_000)
    planning.replan(now=NOW)
    page = text(olive, "/orders/")
    assert "1 line short" in page
    assert 'class="why"' in page
    assert "90 % asked" not in page, "what it was promised is as sure as it was asked"
    Line.objects.update(chance_pct=40)
    assert "△ 90 % asked" in text(olive, "/orders/")


def test_a_closed_day_says_so_and_a_day_past_its_cut_off_too(here: World, olive: Client) -> None:
    farm.close_day(FRIDAY, reason="Fair", by=ADA, now=NOW, today=MONDAY)
    page = text(olive, "/orders/")
    assert "the farm is closed that day" in page
    assert "cut-off past" in page, "today's own cut-off was yesterday"


@pytest.mark.parametrize("week", ["tomorrow", "2026-13-01", "99999-01-01"])
def test_a_week_that_is_no_date_is_told(here: World, olive: Client, week: str) -> None:
    assert "This is no date: write it as 2026-05-04." in text(olive, f"/orders/?week={week}", status=400)


def test_the_week_costs_the_same_however_many_orders(
    here: World, olive: Client, django_assert_max_num_queries: object
) -> None:
    for _ in range(12):
        place(here, 500)
    with django_assert_max_num_queries(12):  # type: ignore[operator]  # the fixture of pytest-django
        text(olive, "/orders/")


def test_who_may_read_and_who_may_not(here: World) -> None:
    order = place(here)
    ben, ada, eve = signed_in("ben", "packing"), signed_in("ada", "grower"), Client()
    page = text(ben, f"/orders/{order.public_id}/")
    assert "Cancel the whole order" not in page
    assert "heron@example.org" not in page, "addresses of mail are the office's"
    assert "New order" not in text(ben, "/orders/")
    assert ben.post(f"/orders/{order.public_id}/cancel/").status_code == 403
    assert ben.get("/orders/new/").status_code == 403
    assert ada.get("/orders/").status_code == 403
    assert eve.get("/orders/").headers["Location"].startswith("/sign-in/")
    cleo = signed_in("cleo")
    Kitchen.objects.update(user=User.objects.get(username="cleo"))
    assert "/admin/" in cleo.get(f"/orders/{order.public_id}/").headers["Location"], "a kitchen has pages of its own"


# ---- One order ------------------------------------------------------------------------------------------------------


def test_an_order_tells_its_amounts_promises_sources_and_events(here: World, olive: Client) -> None:
    order = place(here, 3_000)
    planning.replan(now=NOW)
    ordering.change_line(order.public_id, number=1, to=2_000, by=ADA, now=NOW)
    page = text(olive, f"/orders/{order.public_id}/")
    for words in (
        "The Heron", "Ordered", "Accepted", "all promised", "to be harvested", "Every promise made (2)", "Lowered",
        "Line 1 changed from 3000 to 2000", "heron@example.org", "1 Quay, Saltby",
    ):  # fmt: skip
        assert words in page, words
    assert text(olive, f"/orders/{order.public_id.lower()}/"), "a code is read in any case"


def test_an_order_that_is_not_there(here: World, olive: Client) -> None:
    assert "There is no order" in text(olive, "/orders/K7Q2-M4XJ/", status=404)
    assert "There is no order" in text(olive, "/orders/nonsense/", status=404)


def test_one_order_costs_a_fixed_number_of_statements(
    here: World, olive: Client, django_assert_max_num_queries: object
) -> None:
    order = place(here)
    for grams in (1_000, 1_500, 2_500, 3_000):
        ordering.change_line(order.public_id, number=1, to=grams, by=ADA, now=NOW)
    with django_assert_max_num_queries(18):  # type: ignore[operator]  # the fixture of pytest-django
        text(olive, f"/orders/{order.public_id}/")


def test_a_line_is_changed_once_however_often_it_is_sent(here: World, olive: Client) -> None:
    order = place(here)
    address, sent = f"/orders/{order.public_id}/lines/1/amount/", {"once": "abc", "amount": "3000"}
    for _ in range(2):
        answer = olive.post(address, sent)
        assert (answer.status_code, answer.headers["Location"]) == (303, f"/orders/{order.public_id}/")
    assert Line.objects.get(order=order).ordered == 3_000
    assert Event.objects.get(kind="line_changed").by == "user:olive"


@pytest.mark.parametrize(
    ("amount", "sentence"),
    [
        ("1250", "Pearl oyster, 500 g comes in packs of 500 g: order 1000 or 1500 g, not 1250 g."),
        ("0", "0 grams is too little: at least 1 gram."),
        ("-500", "-500 grams is too little: at least 1 gram."),
        ("1.5", "This must be a whole number of grams."),
        ("999999999999", "999999999999 grams is too much: at most 100000000 grams."),
    ],
)
def test_an_amount_that_cannot_be_is_told_beside_it(here: World, olive: Client, amount: str, sentence: str) -> None:
    order = place(here)
    answer = olive.post(f"/orders/{order.public_id}/lines/1/amount/", {"amount": amount})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert f"<li>{sentence}</li>" in page
    assert f'value="{amount}"' in page, "what was typed stays"
    assert Line.objects.get(order=order).ordered == 2_000


def test_after_the_cut_off_a_reason_is_asked_and_kept(here: World, olive: Client) -> None:
    order = place(here)
    with time_machine.travel(AFTER_CUT_OFF, tick=False):
        assert "cut-off past" in text(olive, f"/orders/{order.public_id}/")
        address = f"/orders/{order.public_id}/lines/1/amount/"
        refused = olive.post(address, {"amount": "1000"})
        assert refused.status_code == 422
        assert "Say why: a change after the cut-off needs a reason." in refused.content.decode()
        assert olive.post(address, {"amount": "1000", "because": "the chef rang"}).status_code == 303
        assert "the chef rang" in text(olive, f"/orders/{order.public_id}/")
        refused = olive.post(f"/orders/{order.public_id}/cancel/", {})
        assert "Say why: cancelling after the cut-off needs a reason." in refused.content.decode()
        assert olive.post(f"/orders/{order.public_id}/cancel/", {"because": "closed"}).status_code == 303
    order.refresh_from_db()
    assert order.cancelled_at == AFTER_CUT_OFF
    assert Event.objects.get(kind="order_cancelled").data["because"] == "closed"


def test_a_line_dropped_leaves_the_others_and_the_last_takes_the_order(here: World, olive: Client) -> None:
    lines = [Asked(here.product.public_id, 500), Asked(here.kit.public_id, 1)]
    order = ordering.place(lines, kitchen=here.kitchen.public_id, on=FRIDAY, by=ADA, now=NOW)
    assert olive.post(f"/orders/{order.public_id}/lines/1/drop/", {}).status_code == 303
    assert [line.number for line in order.lines.filter(cancelled_at__isnull=True)] == [2]
    assert olive.post(f"/orders/{order.public_id}/lines/2/drop/", {}).status_code == 303
    page = text(olive, f"/orders/{order.public_id}/")
    assert "cancelled" in page
    assert "Cancel the whole order" not in page
    assert olive.post(f"/orders/{order.public_id}/lines/9/drop/", {}).status_code == 404


def test_a_substitute_is_named_in_the_promise(here: World, olive: Client) -> None:
    here.harvest(3_000, grade="b")
    world.plan()
    pair = (here.strain.public_id, "a", here.strain.public_id, "b")
    customers.set_substitutes(here.kitchen.public_id, [pair], by=ADA, now=NOW)
    order = place(here, 400_000, on=MONDAY + timedelta(days=3))
    assert "Pearl oyster b (instead)" in text(olive, f"/orders/{order.public_id}/")


def test_a_farm_without_orders_is_friendly(olive: Client) -> None:
    assert "There is no farm yet" in text(olive, "/orders/", status=404)
    farm.set_up("Tide Mill Mushrooms", zone="Etc/UTC", by=ADA, now=NOW)
    assert "No orders for this day yet." in text(olive, "/orders/")
