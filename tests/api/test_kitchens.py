"""A kitchen's own terms by HTTP: its agreed prices."""

from __future__ import annotations

import pytest
import time_machine

from fulfilment.models import Event, Kitchen
from fulfilment.services import customers
from tests import world
from tests.api.asking import ask, key
from tests.world import ADA, MONDAY, NOW, World

pytestmark = pytest.mark.django_db


@pytest.fixture
def farm() -> World:
    with time_machine.travel(NOW, tick=False):
        made = world.build()
        world.plan()
    return made


def eur(amount: str) -> dict[str, str]:
    return {"amount": amount, "currency": "EUR"}


def test_a_kitchen_pays_what_was_agreed_with_it_and_nobody_else_sees_that(farm: World) -> None:
    eve = customers.add_kitchen(
        "Eve's", email="eve@example.org", address={"street": "9 Row", "town": "Saltby"}, by=ADA, now=NOW
    )
    office, cleo = key("office"), key("kitchen", kitchen=farm.kitchen)
    hers = key("kitchen", kitchen=eve)
    prices, product = f"/kitchens/{farm.kitchen.public_id}/prices", farm.product.public_id
    agreed = {"prices": [{"product": product, "price": eur("12.50")}]}
    order = {"on": MONDAY.replace(day=5).isoformat(), "lines": [{"product": product, "amount_g": 1_000}]}
    with time_machine.travel(NOW, tick=False):
        before = ask(cleo, "POST", "/orders", order, status=201)
        version = Kitchen.objects.get(pk=farm.kitchen.pk).version
        ask(office, "POST", prices, agreed, status=200)
        after = ask(cleo, "POST", "/orders", order, status=201)
        theirs = ask(hers, "POST", "/orders", order, status=201)
        assert [each["lines"][0]["price"]["amount"] for each in (before, after, theirs)] == ["14.00", "12.50", "14.00"]
        assert ask(cleo, "GET", prices, status=200)["items"] == agreed["prices"]
        told = [
            ask(each, "GET", f"/products/{product}", status=200)["price"]["amount"] for each in (cleo, hers, office)
        ]
        assert told == ["12.50", "14.00", "14.00"]
        assert ask(hers, "GET", prices, status=404)["code"] == "not_found"
        assert ask(cleo, "POST", prices, agreed, status=403)["code"] == "scope_missing"
        theirs = ask(hers, "GET", "/events?page_size=200", status=200)["items"]
        assert "prices_set" not in {each["kind"] for each in theirs}
        assert Kitchen.objects.get(pk=farm.kitchen.pk).version == version + 1
        ask(office, "POST", prices, {"prices": []}, status=200)
        assert ask(cleo, "GET", f"/products/{product}", status=200)["price"]["amount"] == "14.00"
    assert Event.objects.filter(kind="prices_set", kitchen=farm.kitchen).count() == 2


@pytest.mark.parametrize(
    ("prices", "code", "pointer"),
    [
        ([("own", "1.00"), ("own", "2.00")], "named_twice", "/prices"),
        ([("K7Q2-M4XJ", "1.00")], "not_found", "/prices/0/product"),
        ([("own", "-1.00")], "invalid", "/prices/0/price"),
    ],
)
def test_prices_that_cannot_be(farm: World, prices: list[tuple[str, str]], code: str, pointer: str) -> None:
    asked = [
        {"product": farm.product.public_id if product == "own" else product, "price": eur(amount)}
        for product, amount in prices
    ]
    with time_machine.travel(NOW, tick=False):
        told = ask(key("office"), "POST", f"/kitchens/{farm.kitchen.public_id}/prices", {"prices": asked}, status=400)
    assert told["code"] == code
    assert told["errors"][0]["pointer"] == pointer
