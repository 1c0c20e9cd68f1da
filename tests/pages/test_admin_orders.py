"""Orders and standing orders in the records: checked, placed, changed and ended through the services."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from html import unescape
from typing import TYPE_CHECKING, Any

import pytest
import time_machine
from django.contrib.auth.models import User
from django.test import Client

from fulfilment.models import Event, Line, Order, Promise, StandingOrder
from fulfilment.services import people
from tests import world
from tests.people import ADA
from tests.world import MONDAY, NOW

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pytest_django import DjangoAssertNumQueries

    from tests.world import World

pytestmark = pytest.mark.django_db

PASSWORD = "a quiet cellar in the hills"
TUESDAY = MONDAY + timedelta(days=1)
FRIDAY = MONDAY + timedelta(days=4)
AFTER_CUT_OFF = datetime(2026, 5, 4, 13, 0, tzinfo=UTC)
ADD = "/admin/fulfilment/order/add/"


@pytest.fixture
def clock() -> Iterator[time_machine.Traveller]:
    with time_machine.travel(NOW, tick=False) as found:
        yield found


@pytest.fixture
def farm(clock: time_machine.Traveller) -> World:
    built = world.build()
    built.harvest(3000)
    world.plan()
    people.add_user("olive", password=PASSWORD, roles=["office"], by=ADA, now=NOW)
    people.add_user("ben", password=PASSWORD, roles=["packing"], by=ADA, now=NOW)
    people.add_user("cleo", password=PASSWORD, kitchen=built.kitchen.public_id, by=ADA, now=NOW)
    return built


def sign_in(name: str) -> Client:
    client = Client()
    client.force_login(User.objects.get(username=name))
    return client


def page(answer: Any) -> str:
    """What the page says, its tags taken out."""
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", answer.content.decode())))


def asked(farm: World, *, amount: str = "1 kg", on: object = TUESDAY, **more: Any) -> dict[str, Any]:
    return {
        "kitchen": farm.kitchen.public_id, "on": str(on), "product_0": farm.product.public_id, "amount_0": amount,
        "once": "a form of its own", **more,
    }  # fmt: skip


def own(farm: World, **more: Any) -> dict[str, Any]:
    return {name: value for name, value in asked(farm, **more).items() if name != "kitchen"}


def at(order: Order, what: str) -> str:
    return f"/admin/fulfilment/order/{order.public_id}/{what}/"


# ---- Before and after -----------------------------------------------------------------------------------------------


def test_the_promise_is_shown_before_and_nothing_is_kept(farm: World) -> None:
    said = page(sign_in("olive").post(ADD, asked(farm, look="1")))
    assert "What would be promised for Tuesday 5 May 2026" in said
    assert "1 kg all of it 100 % (asked 90 %)" in said
    assert "Place the order" in said
    assert not Order.objects.exists()


def test_the_order_cannot_be_placed_on_the_page_before_it_was_checked(farm: World) -> None:
    assert "Place the order" not in page(sign_in("olive").get(ADD))


def test_the_promise_is_shown_after_with_what_serves_it(farm: World) -> None:
    client = sign_in("olive")
    answer = client.post(ADD, asked(farm))
    order = Order.objects.get()
    assert answer.status_code == 303
    assert answer["Location"] == at(order, "change")
    said = page(client.get(answer["Location"]))
    assert "promised: all of it" in said
    assert "1 kg, 100 % (asked 90 %)" in said
    assert "nothing yet" in said
    assert order.placed_by == "user:olive"
    world.plan()
    said = page(client.get(answer["Location"]))
    assert "Everything ordered is set aside." in said
    assert "1 kg from lot" in said


def test_sent_twice_it_is_placed_once(farm: World) -> None:
    client = sign_in("olive")
    first, second = client.post(ADD, asked(farm)), client.post(ADD, asked(farm))
    assert first["Location"] == second["Location"]
    assert Order.objects.count() == 1


def test_a_buyers_kit_and_a_promise_that_cannot_be_made(farm: World) -> None:
    client = sign_in("olive")
    form = {"buyer": farm.buyer.public_id, "on": str(FRIDAY), "product_0": farm.kit.public_id, "amount_0": "2"}
    assert "none of it" in page(client.post(ADD, {**form, "look": "1"}))
    client.post(ADD, form)
    order = Order.objects.get()
    assert order.buyer == farm.buyer
    assert "promised: none of it" in page(client.get(at(order, "change")))


def test_the_office_may_promise_below_the_asked_chance_and_it_is_said(farm: World) -> None:
    client = sign_in("olive")
    more = "500 kg"
    assert "none of it" not in page(client.post(ADD, asked(farm, amount=more, look="1", below_chance="on")))
    client.post(ADD, asked(farm, amount=more, below_chance="on"))
    assert Promise.objects.get().below_asked
    assert "Promised in full on purpose" in page(client.get(at(Order.objects.get(), "change")))


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"amount_0": "700"}, "comes in packs of 500 g: order 500 or 1000 g, not 700 g."),
        ({"amount_0": "much"}, "'much' is no weight"),
        ({"amount_0": ""}, "Say how much."),
        ({"product_0": ""}, "Say of what."),
        ({"product_0": "", "amount_0": ""}, "An order needs at least one line."),
        ({"on": "soon"}, "This is no date: write it as 2026-05-04."),
        ({"on": "2026-05-01"}, "Friday 1 May 2026"),
        ({"on": "2026-05-09"}, "Saturday"),
        ({"on": "2028-05-09"}, "more than a year ahead"),
        ({"kitchen": ""}, "one kitchen’s or one buyer’s"),
        ({"kitchen": "", "buyer": "nobody"}, "This is not the id of a buyer"),
        ({"at_least_0": "2 kg"}, "The least that is taken, 2000 grams, is more than the 1000 grams that are ordered"),
    ],
)
def test_what_cannot_be_ordered_is_told_beside_its_field(farm: World, change: dict[str, str], sentence: str) -> None:
    client = sign_in("olive")
    for look in ({"look": "1"}, {}):
        answer = client.post(ADD, {**asked(farm), **change, **look})
        assert answer.status_code == 422
        assert sentence in page(answer).replace("'", "’").replace("’much’", "'much'")
    assert not Order.objects.exists()


# ---- Changing -------------------------------------------------------------------------------------------------------


@pytest.fixture
def order(farm: World) -> Order:
    sign_in("olive").post(ADD, asked(farm))
    return Order.objects.get()


def test_a_line_is_changed_dropped_and_the_order_cancelled_with_it(farm: World, order: Order) -> None:
    client = sign_in("olive")
    assert client.post(at(order, "change-line"), {"number": "1", "to": "1.5 kg"}).status_code == 303
    assert Line.objects.get().ordered == 1500
    assert "comes in packs" in page(client.post(at(order, "change-line"), {"number": "1", "to": "1.6 kg"}))
    assert client.post(at(order, "drop-line"), {"number": "1"}).status_code == 303
    order.refresh_from_db()
    assert order.cancelled_at is not None
    assert "cancelled" in page(client.get(at(order, "change")))
    assert "Change a line" not in page(client.get(at(order, "change")))


def test_after_the_cut_off_the_office_says_why(farm: World, order: Order, clock: time_machine.Traveller) -> None:
    clock.move_to(AFTER_CUT_OFF)
    client = sign_in("olive")
    answer = client.post(at(order, "change-line"), {"number": "1", "to": "500"})
    assert answer.status_code == 422
    assert "The cut-off for Tuesday 5 May 2026 is past" in page(answer)
    assert client.post(at(order, "change-line"), {"number": "1", "to": "500", "because": "she rang"}).status_code == 303
    assert Event.objects.filter(kind="line_changed", data__because="she rang").exists()
    assert client.post(at(order, "cancel"), {"because": "closed"}).status_code == 303


def test_a_kitchen_cannot_after_the_cut_off_whatever_it_sends(
    farm: World, order: Order, clock: time_machine.Traveller
) -> None:
    client = sign_in("cleo")
    assert client.post(at(order, "change-line"), {"number": "1", "to": "500"}).status_code == 303
    clock.move_to(AFTER_CUT_OFF)
    for what, form in (
        ("change-line", {"number": "1", "to": "1 kg"}),
        ("drop-line", {"number": "1"}),
        ("cancel", {}),
    ):
        answer = client.post(at(order, what), {**form, "because": "please"})
        assert answer.status_code == 422, what
        assert "please call the farm" in page(answer)
    assert "please call the farm" in page(client.get(at(order, "change")))
    assert client.post(ADD, own(farm, because="please")).status_code == 422
    assert Line.objects.get().ordered == 500


def test_a_kitchen_orders_for_itself_in_words(farm: World) -> None:
    client = sign_in("cleo")
    said = page(client.post(ADD, own(farm, look="1")))
    assert "1 kg all of it sure" in said
    assert "90 %" not in said
    answer = client.post(ADD, own(farm, below_chance="on", amount="500 kg", buyer=farm.buyer.public_id))
    assert answer.status_code == 303
    order = Order.objects.get()
    assert order.kitchen == farm.kitchen
    assert not Promise.objects.get().below_asked


def test_ben_reads_orders_and_changes_none(farm: World, order: Order) -> None:
    client = sign_in("ben")
    assert "Change a line" not in page(client.get(at(order, "change")))
    assert client.post(at(order, "cancel"), {"because": "no"}).status_code == 403
    assert client.post(ADD, asked(farm, once="another")).status_code == 403
    assert Order.objects.filter(cancelled_at__isnull=True).count() == 1


def test_a_list_costs_the_same_statements_for_more_orders(
    farm: World, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    client = sign_in("olive")
    for place in range(6):
        client.post(ADD, asked(farm, amount="500", once=f"form {place}", way="collected" if place % 2 else ""))
    assert Order.objects.count() == 6
    with django_assert_max_num_queries(16):
        client.get("/admin/fulfilment/order/")
    with django_assert_max_num_queries(20):
        client.get(at(Order.objects.latest("pk"), "change"))


# ---- Standing orders ------------------------------------------------------------------------------------------------


def begin(client: Client, farm: World, **more: object) -> Any:
    form = {
        "days": ["TU", "FR"], "every": "1", "starts_on": str(TUESDAY), "way": "round",
        "product_0": farm.product.public_id, "amount_0": "500", "kitchen": farm.kitchen.public_id, **more,
    }  # fmt: skip
    return client.post("/admin/fulfilment/standingorder/add/", form)


@pytest.mark.parametrize("name", ["olive", "cleo"])
def test_a_standing_order_lives_its_life(farm: World, name: str) -> None:
    client = sign_in(name)
    assert begin(client, farm).status_code == 303
    row = StandingOrder.objects.get()
    base = f"/admin/fulfilment/standingorder/{row.public_id}"
    said = page(client.get(f"{base}/change/"))
    assert "every Tuesday and Friday" in said
    assert "Tue 5 May order" in said

    first = row.orders.get(on=TUESDAY)
    assert client.post(f"{base}/skip/", {"on": str(TUESDAY)}).status_code == 303
    first.refresh_from_db()
    assert first.cancelled_at is not None

    amount = {f"amount_{farm.product.public_id}": "1 kg"}
    assert client.post(f"{base}/amounts/", {"on": str(FRIDAY), **amount}).status_code == 303
    assert row.orders.get(on=FRIDAY).lines.get().ordered == 1000
    assert client.post(f"{base}/as-usual/", {"on": str(FRIDAY)}).status_code == 303
    assert row.orders.get(on=FRIDAY).lines.get().ordered == 500

    pause = {"first": "2026-05-11", "last": "2026-05-17"}
    assert client.post(f"{base}/pause/", pause).status_code == 303
    assert not row.orders.filter(on__range=("2026-05-11", "2026-05-17"), cancelled_at__isnull=True).exists()
    assert client.post(f"{base}/resume/", {"on": "2026-05-14"}).status_code == 303
    assert row.orders.get(on="2026-05-15", cancelled_at__isnull=True).lines.get().ordered == 500
    lines = {"product_0": farm.product.public_id, "amount_0": "1.5 kg", "from_on": "2026-05-14"}
    assert client.post(f"{base}/lines/", lines).status_code == 303
    assert row.orders.get(on="2026-05-15", cancelled_at__isnull=True).lines.get().ordered == 1_500
    assert row.orders.get(on=FRIDAY).lines.get().ordered == 500
    assert client.post(f"{base}/end/", {"last_on": str(FRIDAY)}).status_code == 303
    row.refresh_from_db()
    assert row.ends_on == FRIDAY
    assert not row.orders.filter(on__gt=FRIDAY, cancelled_at__isnull=True).exists()


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"days": []}, "the one or the other"),
        ({"rule": "FREQ=HOURLY", "days": []}, "HOURLY"),
        ({"starts_on": "2026-05-01"}, "is past"),
        ({"ends_on": "2026-05-04", "starts_on": "2026-05-05"}, "cannot end before it begins"),
        ({"amount_0": "700"}, "comes in packs of 500 g"),
    ],
)
def test_a_standing_order_that_cannot_be_is_told(farm: World, change: dict[str, Any], sentence: str) -> None:
    answer = begin(sign_in("olive"), farm, **change)
    assert answer.status_code == 422
    assert sentence in page(answer)
    assert not StandingOrder.objects.exists()


def test_a_date_that_is_none_of_its_own_is_told_with_the_next(farm: World) -> None:
    client = sign_in("cleo")
    begin(client, farm)
    row = StandingOrder.objects.get()
    base = f"/admin/fulfilment/standingorder/{row.public_id}"
    answer = client.post(f"{base}/skip/", {"on": "2026-05-06"})
    assert answer.status_code == 422
    assert "Its next date is Friday 8 May 2026." in page(answer)
    assert "ends before it begins" in page(client.post(f"{base}/pause/", {"first": "2026-05-12", "last": "2026-05-11"}))
