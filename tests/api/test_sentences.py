"""Whatever is wrong with a field is said in the house's words, with what would be right."""

from __future__ import annotations

import pytest
import time_machine

from fulfilment.models import Buyer
from tests import world
from tests.api.asking import ask, key
from tests.world import NOW, World

pytestmark = pytest.mark.django_db

HOME = {"street": "4 Hill", "town": "Upton"}


@pytest.fixture
def farm() -> World:
    return world.build()


@pytest.mark.parametrize(
    ("address", "body", "pointer", "says"),
    [
        ("/buyers", {"email": "fay@example.org", "address": HOME}, "/name", "This is needed, and was not given."),
        ("/buyers", {"name": None, "email": "fay@example.org", "address": HOME}, "/name", "null is none"),
        ("/buyers", {"name": "", "email": "fay@example.org", "address": HOME}, "/name", "must not be empty"),
        ("/buyers", {"name": "F" * 121, "email": "f@example.org", "address": HOME}, "/name", "at most 120 characters"),
        ("/buyers", {"name": "Fay", "email": "f@example.org", "address": "4 Hill"}, "/address", "must be an object"),
        ("/buyers", {"name": "Fay", "email": "f@example.org", "address": {**HOME, "county": "X"}}, "/address/county",
         "There is no field 'county' here; there are: name, street, postcode, town"),
        ("/orders", {"on": "2026-05-08", "lines": []}, "/lines", "give at least one"),
        ("/orders", {"on": "2026-05-08", "lines": {}}, "/lines", "must be a list"),
        ("/orders", {"on": "2026-05-08", "way": "drone", "lines": [{"product": "K7Q2-M4XJ", "units": 1}]}, "/way",
         "round, carrier, collected"),
        ("/orders", {"on": "2026-05-08", "address": 0, "lines": [{"product": "K7Q2-M4XJ", "units": 1}]}, "/address",
         "too small: at least 1"),
    ],
)  # fmt: skip
def test_what_is_wrong_and_what_would_be_right(
    farm: World, address: str, body: dict[str, object], pointer: str, says: str
) -> None:
    before = Buyer.objects.count()
    with time_machine.travel(NOW):
        told = ask(key("office"), "POST", address, body, status=400)
    [wrong] = told["errors"]
    assert wrong["pointer"] == pointer
    assert says in wrong["detail"]
    assert told["detail"] == wrong["detail"]
    assert Buyer.objects.count() == before


def test_an_amount_is_pointed_at_as_the_body_spells_it(farm: World) -> None:
    """RFC 6901: a pointer leads to a member of the very document."""
    office, when = key("office", "packing"), "2026-05-08"
    kitchen = farm.kitchen.public_id
    with time_machine.travel(NOW):
        for name, amount, product in (("amount_g", 700, farm.product), ("units", 0, farm.kit)):
            line = {"product": product.public_id, name: amount}
            told = ask(office, "POST", "/orders", {"kitchen": kitchen, "on": when, "lines": [line]}, status=400)
            assert [each["pointer"] for each in told["errors"]] == [f"/lines/0/{name}"], told
        told = ask(office, "POST", "/picks", {"line": "K7Q2-M4XJ/1", "lot": "K7Q2-M4XJ"}, status=400)
        assert "gross_g with tare_g" in told["detail"]


def test_what_the_address_names_has_no_pointer(farm: World) -> None:
    office = key("office", "packing")
    with time_machine.travel(NOW):
        line = {"product": farm.product.public_id, "amount_g": 500}
        placed = ask(
            office, "POST", "/orders", {"kitchen": farm.kitchen.public_id, "on": "2026-05-08", "lines": [line]},
            status=201,
        )  # fmt: skip
        parcel = f"/shipments/{placed['shipments'][0]}/parcel"
        told = ask(office, "POST", parcel, {"carrier": "Overland Post"}, status=409)
    assert told["code"] == "other_way"
    assert "errors" not in told


def test_money_in_another_currency_is_pointed_at_where_it_stands(farm: World) -> None:
    office, money = key("office"), {"amount": "5.00", "currency": "GBP"}
    prices = [{"product": farm.product.public_id, "price": money}]
    with time_machine.travel(NOW):
        told = ask(office, "POST", f"/kitchens/{farm.kitchen.public_id}/prices", {"prices": prices}, status=400)
        assert [each["pointer"] for each in told["errors"]] == ["/prices/0/price"]
        told = ask(office, "PATCH", f"/products/{farm.product.public_id}", {"price": money}, match="*", status=400)
        assert [each["pointer"] for each in told["errors"]] == ["/price"]
