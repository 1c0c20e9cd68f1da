"""Amounts, days and terms that cannot be, at every door of the API: a sentence at its place, and nothing is kept."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.core.cache import cache

from fulfilment.models import AgreedPrice, Change, Kitchen, Line, Order, Product, StandingOrder
from fulfilment.services import ordering, standing
from fulfilment.services.ordering import Asked
from tests import world
from tests.api.asking import ask, key
from tests.world import ADA, MONDAY, NOW, World

pytestmark = pytest.mark.django_db

FRIDAY = MONDAY + timedelta(days=4)
TUESDAY = MONDAY + timedelta(days=8)
ON_FRIDAY = {"on": FRIDAY.isoformat()}

WHOLE = "This must be a whole number."
AMOUNTS: dict[str, tuple[Any, str]] = {
    "none": (0, "0 grams is too little: at least 1 gram."),
    "less than none": (-1, "-1 grams is too little: at least 1 gram."),
    "half a pack": (499, "comes in packs of 500 g"),
    "more than any farm has": (100_000_001, "100000001 grams is too much: at most 100000000 grams."),
    "a column's end": (2**31, "This number is too large: at most "),
    "more than a column": (2**63, "This number is too large: at most "),
    "a huge float": (1e308, WHOLE),
    "half a gram": (0.5, WHOLE),
    "nothing with a sign": (-0.0, WHOLE),
    "a text": ("1e3", WHOLE),
    "true": (True, WHOLE),
    "a list": ([500], WHOLE),
    "an object": ({"g": 500}, WHOLE),
    "null": (None, "This needs a value: null is none."),
}

Door = Callable[[World, str, str, Any], tuple[str, str, Any, str]]
"""(farm, order, standing order, amount) → method, address, body, pointer."""

DOORS: dict[str, Door] = {
    "a check": lambda w, _o, _s, g: ("POST", "/promise-checks", _lines(w, g) | ON_FRIDAY, "/lines/0/amount_g"),
    "an order": lambda w, _o, _s, g: ("POST", "/orders", _lines(w, g) | ON_FRIDAY, "/lines/0/amount_g"),
    "a line more": lambda w, o, _s, g: ("POST", f"/orders/{o}/lines", _lines(w, g), "/lines/0/amount_g"),
    "another amount": lambda _w, o, _s, g: ("POST", f"/orders/{o}/lines/1/amount", {"amount_g": g}, "/amount_g"),
    "the whole order": lambda w, o, _s, g: ("PATCH", f"/orders/{o}", _lines(w, g), "/lines/0/amount_g"),
    "a standing order": lambda w, _o, _s, g: (
        "POST", "/standing-orders", _lines(w, g) | {"rule": "FREQ=WEEKLY;BYDAY=TU", "starts_on": str(TUESDAY)},
        "/lines/0/amount_g",
    ),
    "its lines": lambda w, _o, s, g: ("PATCH", f"/standing-orders/{s}", _lines(w, g), "/lines/0/amount_g"),
}  # fmt: skip


def _lines(w: World, grams: Any) -> dict[str, Any]:
    return {"lines": [{"product": w.product.public_id, "amount_g": grams}]}


@pytest.fixture
def farm() -> Iterator[World]:
    cache.clear()
    with time_machine.travel(NOW, tick=False):
        made = world.build()
        world.plan()
        yield made


def everything() -> tuple[Any, ...]:
    kept = (Order, Line, StandingOrder, Change, AgreedPrice, Product, Kitchen)
    return tuple(list(model._default_manager.order_by("pk").values()) for model in kept)


@pytest.mark.parametrize("door", DOORS)
def test_an_amount_that_cannot_be(farm: World, door: str) -> None:
    order = ordering.place(
        [Asked(farm.product.public_id, 1_000)], kitchen=farm.kitchen.public_id, on=FRIDAY, by=ADA, now=NOW
    ).public_id
    usual = standing.begin(
        farm.kitchen.public_id, rule="FREQ=WEEKLY;BYDAY=TU", starts_on=TUESDAY,
        lines=[Asked(farm.product.public_id, 500)], by=ADA, now=NOW,
    ).public_id  # fmt: skip
    cleo, before = key("kitchen", kitchen=farm.kitchen), everything()
    for case, (grams, sentence) in AMOUNTS.items():
        method, address, body, pointer = DOORS[door](farm, order, usual, grams)
        match = {"match": "*"} if method == "PATCH" else {}
        told = ask(cleo, method, address, body, status=400, **match)
        assert sentence in told["errors"][0]["detail"], case
        assert told["errors"][0]["pointer"] == pointer, case
    assert everything() == before


MINIMUMS: dict[str, tuple[Any, str]] = {
    "above what is ordered": (
        1_000,
        "The least that is taken, 1000 grams, is more than the 500 grams that are",
    ),
    "below none": (-1, "at least 0"),
    "half a gram": (0.5, WHOLE),
    "more than a column": (2**63, "This number is too large: at most 2147483647."),
    "a text": ("500", WHOLE),
}


def test_a_minimum_that_cannot_be(farm: World) -> None:
    cleo, before = key("kitchen", kitchen=farm.kitchen), everything()
    for case, (least, sentence) in MINIMUMS.items():
        line = {"product": farm.product.public_id, "amount_g": 500, "at_least": least}
        told = ask(cleo, "POST", "/orders", {"on": str(FRIDAY), "lines": [line]}, status=400)
        assert sentence in told["errors"][0]["detail"], case
        assert told["errors"][0]["pointer"] == "/lines/0/at_least", case
    assert everything() == before


DAYS: dict[str, tuple[str, str, str]] = {
    "yesterday": ("2026-05-03", "delivery_in_the_past", "is past. The next day you can order for is Tuesday 5 May"),
    "long ago": ("0001-01-01", "delivery_in_the_past", "is past. The next day you can order for is Tuesday 5 May"),
    "a closed day": ("2026-05-09", "no_delivery_day", "the farm does not deliver on Saturdays. The next day"),
    "two years ahead": ("2028-05-04", "too_far_ahead", "The last day that can be planned for is Wednesday 5 May 2027."),
    "the end of days": ("9999-12-31", "too_far_ahead", "The last day that can be planned for is Wednesday 5 May 2027."),
}


@pytest.mark.parametrize("because", ["", "told by phone"])
def test_a_day_that_cannot_be_also_not_with_leave(farm: World, because: str) -> None:
    office, before = key("office"), everything()
    body = _lines(farm, 500) | {"kitchen": farm.kitchen.public_id} | ({"because": because} if because else {})
    for case, (on, code, sentence) in DAYS.items():
        told = ask(office, "POST", "/orders", body | {"on": on}, status=400)
        assert (told["errors"][0]["pointer"], told["code"]) == ("/on", code), case
        assert sentence in told["detail"], case
    assert everything() == before


def test_a_day_beyond_the_forecast_is_no_error_and_says_so(farm: World) -> None:
    cleo = key("kitchen", kitchen=farm.kitchen)
    far = (MONDAY + timedelta(days=57)).isoformat()
    made = ask(cleo, "POST", "/orders", _lines(farm, 500) | {"on": far}, status=201)
    promise = made["lines"][0]["promise"]
    assert (promise["status"], promise["amount"]) == ("declined", 0)
    assert promise["says"].startswith("Too far ahead to say: the forecast reaches to")


PACKS: dict[str, tuple[Any, str]] = {
    "none": (0, "0 grams is too little: at least 1 gram."),
    "less than none": (-1, "-1 grams is too little: at least 1 gram."),
    "a hundred kilos and one": (100_001, "100001 grams is too much: at most 100000 grams."),
    "more than a column": (2**63, "This number is too large"),
    "half a gram": (0.5, WHOLE),
    "a text": ("1e3", WHOLE),
}
PRICES = (0, -1, 2**63, 1e308, 0.5, "1e3", {"amount": "-1.00", "currency": "EUR"}, {"amount": "1", "currency": "EUR"})


def test_packs_and_prices_that_cannot_be(farm: World) -> None:
    office, before = key("office"), everything()
    price = {"amount": "12.00", "currency": "EUR"}
    new = {"strain": farm.strain.public_id, "grade": "b", "name": "Seconds"}
    for case, (pack, sentence) in PACKS.items():
        told = ask(office, "POST", "/products", new | {"pack": pack, "price": price}, status=400)
        assert sentence in told["errors"][0]["detail"], case
        assert told["errors"][0]["pointer"] == "/pack", case
    for given in PRICES:
        told = ask(office, "POST", "/products", new | {"pack": 500, "price": given}, status=400)
        assert told["errors"][0]["pointer"] == "/price", given
        address = f"/kitchens/{farm.kitchen.public_id}/prices"
        agreed = {"prices": [{"product": farm.product.public_id, "price": given}]}
        told = ask(office, "POST", address, agreed, status=400)
        assert told["errors"][0]["pointer"] == "/prices/0/price", given
        assert 'Money is {"amount": "12.50", "currency": "EUR"}' in told["errors"][0]["detail"]
    assert everything() == before


TERMS: dict[str, tuple[tuple[Any, ...], str]] = {
    "tier": ((0, -1, 6, 99), "This must be a whole number from 1 to 5"),
    "max_age_days": ((0, -1, 15, 10_000), "This must be a whole number from 1 to 14 (days since harvest)."),
    "chance_pct": ((0, 49, 100, 101), "This must be a whole number from 50 to 99 (percent)."),
    "tolerance_pct": ((-1, 26), "This must be a whole number from 0 to 25 (percent)."),
}


def test_a_kitchens_terms_that_cannot_be(farm: World) -> None:
    office, before = key("office"), everything()
    address = f"/kitchens/{farm.kitchen.public_id}"
    for field, (values, sentence) in TERMS.items():
        for value in values:
            told = ask(office, "PATCH", address, {field: value}, match="*", status=400)
            assert (told["errors"][0]["pointer"], told["errors"][0]["detail"][: len(sentence)]) == (
                f"/{field}", sentence,
            ), value  # fmt: skip
        for value in ("3", 0.5, True, 2**63, [1]):
            told = ask(office, "PATCH", address, {field: value}, match="*", status=400)
            assert told["errors"][0]["pointer"] == f"/{field}"
            assert "whole number" in told["errors"][0]["detail"] or "too large" in told["errors"][0]["detail"]
    assert everything() == before
