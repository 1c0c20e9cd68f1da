"""Olive takes orders by phone: for a kitchen from its last one, for a buyer of kits, known or new."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
import time_machine

from fulfilment.models import Buyer, Event, Line, Order, Promise
from fulfilment.services import customers, farm, ordering
from fulfilment.services.ordering import Asked
from tests import world
from tests.pages.growing import signed_in
from tests.world import ADA, MONDAY, NOW, World

if TYPE_CHECKING:
    from collections.abc import Iterator

    from django.test import Client

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


def filled(here: World, grams: str = "2000", **more: str) -> dict[str, str]:
    amount = {f"amount-{here.product.public_id}": grams}
    return {"kitchen": here.kitchen.public_id, "on": FRIDAY.isoformat(), "once": "a", **amount} | more


def kits(here: World, count: str = "2", **more: str) -> dict[str, str]:
    amount = {f"amount-{here.kit.public_id}": count}
    return {"on": FRIDAY.isoformat(), "way": "carrier", "once": "k", **amount} | more


NEW = {
    "name": "Fay", "email": "fay@example.org", "street": "3 Mill Lane", "town": "Saltby", "zone": "Etc/UTC",
}  # fmt: skip


# ---- Whose ----------------------------------------------------------------------------------------------------------


def test_a_few_letters_find_the_kitchen(here: World, olive: Client) -> None:
    customers.add_kitchen(
        "Heronry", email="nest@example.org", address={"street": "4 Quay", "town": "Saltby"}, by=ADA, now=NOW
    )
    assert "autofocus" in olive.get("/orders/new/").content.decode()
    assert "Order of The Heron" in olive.get("/orders/new/?customer=the h").content.decode()
    assert "Order of Heronry" in olive.get("/orders/new/?customer=heronr").content.decode()
    assert "Order of Heronry" in olive.get("/orders/new/?customer=her").content.decode(), "its name begins so"
    both = olive.get("/orders/new/?customer=ron").content.decode()
    assert "Which one?" in both
    assert f"?customer={here.kitchen.public_id}" in both
    unknown = olive.get("/orders/new/?customer=zebra")
    assert unknown.status_code == 422
    assert "There is no kitchen with “zebra” in its name." in unknown.content.decode()


def test_a_kitchen_no_longer_supplied_is_not_offered(here: World, olive: Client) -> None:
    customers.change_kitchen(here.kitchen.public_id, active=False, by=ADA, now=NOW)
    assert olive.get("/orders/new/?customer=heron").status_code == 422
    answer = olive.post("/orders/new/", filled(here, save="yes"))
    assert answer.status_code == 404
    assert f"There is no kitchen {here.kitchen.public_id}." in answer.content.decode()


# ---- The order ------------------------------------------------------------------------------------------------------


def test_the_last_order_is_the_start_with_its_promise_already_shown(here: World, olive: Client) -> None:
    asked = [Asked(here.product.public_id, 500)]
    customers.change_kitchen(here.kitchen.public_id, delivery_weekdays=[4], by=ADA, now=NOW)
    made = ordering.place(asked, kitchen=here.kitchen.public_id, on=FRIDAY, by=ADA, now=NOW)
    page = olive.get("/orders/new/?customer=heron").content.decode()
    assert 'value="500"' in page
    assert made.public_id in page, "an order that is still to come is shown, so that nobody takes it twice"
    assert "all promised" in page
    empty = olive.get("/orders/new/?customer=heron&empty").content.decode()
    assert 'value="500"' not in empty


def test_the_day_is_the_next_that_is_open_for_this_kitchen(here: World, olive: Client) -> None:
    assert 'value="2026-05-05"' in olive.get("/orders/new/?customer=heron").content.decode()
    customers.change_kitchen(here.kitchen.public_id, delivery_weekdays=[4], by=ADA, now=NOW)
    assert 'value="2026-05-08"' in olive.get("/orders/new/?customer=heron").content.decode()
    with time_machine.travel(AFTER_CUT_OFF, tick=False):
        assert 'value="2026-05-15"' in olive.get("/orders/new/?customer=heron").content.decode()


def test_a_check_shows_the_promise_and_keeps_nothing(here: World, olive: Client) -> None:
    before = Order.objects.count(), Promise.objects.count(), Event.objects.count()
    for address in ("/orders/new/", "/orders/new/check/"):
        page = olive.post(address, filled(here)).content.decode()
        assert "all promised" in page
        assert "2 kg" in page
    assert (Order.objects.count(), Promise.objects.count(), Event.objects.count()) == before
    assert 'class="main" autofocus' in olive.post("/orders/new/", filled(here)).content.decode()


def test_the_check_says_what_the_order_is_then_promised(here: World, olive: Client) -> None:
    page = olive.post("/orders/new/check/", filled(here, "400000")).content.decode()
    assert "part promised" in page
    olive.post("/orders/new/", filled(here, "400000", save="yes"))
    promise = Line.objects.get().promise
    assert promise is not None
    assert f"{promise.amount / 1000:g} kg of 400 kg, {promise.chance_pct} %" in page


def test_saving_places_the_order_once(here: World, olive: Client) -> None:
    sent = filled(here, save="yes", reference="PO 9")
    answers = [olive.post("/orders/new/", sent) for _ in range(2)]
    order = Order.objects.get()
    assert {(each.status_code, each.headers["Location"]) for each in answers} == {(303, f"/orders/{order.public_id}/")}
    assert (order.reference, order.placed_by, order.on) == ("PO 9", "user:olive", FRIDAY)
    assert "this is what was promised" in olive.get(f"/orders/{order.public_id}/").content.decode()


@pytest.mark.parametrize(
    ("grams", "sentence"),
    [
        ("1250", "Pearl oyster, 500 g comes in packs of 500 g: order 1000 or 1500 g, not 1250 g."),
        ("-500", "-500 grams is too little: at least 1 gram."),
        ("half", "This must be a whole number of grams."),
        ("0", "An order needs at least one line."),
        ("", "An order needs at least one line."),
    ],
)
@pytest.mark.parametrize("save", [{}, {"save": "yes"}])
def test_amounts_that_cannot_be(here: World, olive: Client, grams: str, sentence: str, save: dict[str, str]) -> None:
    answer = olive.post("/orders/new/", filled(here, grams, **save))
    assert answer.status_code == 422
    assert sentence in answer.content.decode()
    assert not Order.objects.exists()


@pytest.mark.parametrize(
    ("on", "sentence"),
    [
        ("2026-05-01", "Friday 1 May 2026 is past. The next day you can order for is Tuesday 5 May 2026."),
        ("2026-05-09", "There is no delivery on Saturday 9 May 2026: the farm does not deliver on Saturdays."),
        ("2026-05-06", "There is no delivery on Wednesday 6 May 2026: the farm is closed that day."),
        ("2026-05-04", "Orders for Monday 4 May 2026 closed on Sunday 3 May 2026 at 12:00."),
        ("2028-05-04", "Thursday 4 May 2028 is more than a year ahead."),
        ("soon", "This is no date: write it as 2026-05-04."),
    ],
)
def test_days_that_cannot_be(here: World, olive: Client, on: str, sentence: str) -> None:
    farm.close_day(MONDAY + timedelta(days=2), reason="Fair", by=ADA, now=NOW, today=MONDAY)
    answer = olive.post("/orders/new/", filled(here, on=on, save="yes"))
    assert answer.status_code == 422
    assert f'<ul class="errorlist" id="id_on_error"><li>{sentence}' in answer.content.decode()
    assert not Order.objects.exists()


def test_after_the_cut_off_the_office_orders_with_a_reason(here: World, olive: Client) -> None:
    with time_machine.travel(AFTER_CUT_OFF, tick=False):
        refused = olive.post("/orders/new/", filled(here, save="yes"))
        assert "Orders for Friday 8 May 2026 closed on" in refused.content.decode()
        late = filled(here, because="a wedding")
        assert "promised" in olive.post("/orders/new/check/", late).content.decode()
        assert olive.post("/orders/new/", late | {"save": "yes"}).status_code == 303
    assert Event.objects.get(kind="order_placed").data["because"] == "a wedding"


def test_below_the_asked_chance_on_purpose(here: World, olive: Client) -> None:
    much = filled(here, "60000", below_chance="on")
    page = olive.post("/orders/new/check/", much).content.decode()
    assert "Promised on purpose below the 90 % asked" in page
    assert olive.post("/orders/new/", much | {"save": "yes"}).status_code == 303
    promise = Line.objects.get().promise
    assert promise is not None
    assert (promise.status, promise.below_asked) == ("full", True)


def test_taking_an_order_is_the_offices(here: World) -> None:
    for client in (signed_in("ada", "grower"), signed_in("ben", "packing"), signed_in("eve")):
        for address in ("/orders/new/", "/orders/new/check/", "/orders/new/kits/", "/orders/new/kits/check/"):
            assert client.post(address, filled(here, save="yes")).status_code == 403
    assert not Order.objects.exists()


def test_a_new_farm_says_what_is_missing(olive: Client) -> None:
    farm.set_up("Tide Mill Mushrooms", zone="Etc/UTC", by=ADA, now=NOW)
    assert "No kitchen is supplied yet" in olive.get("/orders/new/").content.decode()
    assert "Nothing is sold at present" in olive.get("/orders/new/kits/?buyer=new").content.decode()
    assert "No kitchen has a standing order yet." in olive.get("/orders/standing/").content.decode()


# ---- Kits -----------------------------------------------------------------------------------------------------------


def test_a_known_buyers_kits(here: World, olive: Client) -> None:
    assert "Kits for Dai" in olive.get("/orders/new/kits/?buyer=dai@ex").content.decode()
    sent = kits(here, buyer=here.buyer.public_id, gift="on", greeting="Enjoy", save="yes")
    answer = olive.post("/orders/new/kits/", sent)
    assert answer.status_code == 303
    order = Order.objects.get()
    assert (order.buyer, order.gift, order.greeting) == (here.buyer, True, "Enjoy")
    assert "a gift" in olive.get(answer.headers["Location"]).content.decode()


def test_a_new_buyer_comes_with_the_order_and_only_with_it(here: World, olive: Client) -> None:
    assert 'value="Etc/UTC"' in olive.get("/orders/new/kits/?buyer=new").content.decode()
    refused = olive.post("/orders/new/kits/", kits(here, "0", **NEW, save="yes"))
    assert "An order needs at least one line." in refused.content.decode()
    assert not Buyer.objects.filter(name="Fay").exists()
    for _ in range(2):
        assert olive.post("/orders/new/kits/", kits(here, **NEW, save="yes", once="z")).status_code == 303
    fay = Buyer.objects.get(name="Fay")
    assert (fay.email, fay.addresses.get().street) == ("fay@example.org", "3 Mill Lane")
    assert Order.objects.get().buyer == fay


def test_a_new_buyers_promise_is_known_before_the_buyer(here: World, olive: Client) -> None:
    page = olive.post("/orders/new/kits/check/", kits(here)).content.decode()
    assert "all promised" in page
    page = olive.post("/orders/new/kits/check/", kits(here, "9")).content.decode()
    assert "5 kits of 9 kits" in page
    assert not Order.objects.exists()


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"email": "fay at home"}, "This is no mail address: it must look like name@example.org."),
        ({"zone": "Saltby"}, "There is no time zone"),
        ({"street": ""}, "An address needs a street."),
        ({"name": ""}, "This must not be empty."),
        ({"country": "12"}, "A country is given by the two letters of ISO 3166, such as DE."),
        ({"on": "2026-05-09"}, "There is no delivery on Saturday 9 May 2026"),
    ],
)
def test_a_new_buyer_that_cannot_be(here: World, olive: Client, wrong: dict[str, str], sentence: str) -> None:
    answer = olive.post("/orders/new/kits/", kits(here, **(NEW | wrong), save="yes"))
    assert answer.status_code == 422
    assert sentence in answer.content.decode()
    assert not Buyer.objects.filter(name="Fay").exists()


def test_an_unknown_buyer(here: World, olive: Client) -> None:
    page = olive.get("/orders/new/kits/?buyer=zebra")
    assert page.status_code == 422
    assert "There is no buyer with “zebra”" in page.content.decode()
