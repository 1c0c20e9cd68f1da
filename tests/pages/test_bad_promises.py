"""Amounts and terms that cannot be, typed at every page and in the records: told in place, and nothing is kept."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
import time_machine
from django.core.cache import cache
from django.test import Client

from fulfilment.models import AgreedPrice, Change, Event, Farm, Kitchen, Line, Order, Product, StandingOrder
from fulfilment.services import ordering, standing
from fulfilment.services.ordering import Asked
from tests import world
from tests.pages.growing import signed_in
from tests.pages.signed import kitchen_token
from tests.world import ADA, MONDAY, NOW, World

pytestmark = pytest.mark.django_db

FRIDAY = MONDAY + timedelta(days=4)
RECORDS = "/admin/fulfilment"

TYPED = (
    "-1", "-500", "499", "0.5", "1e3", "1e308", "2147483648", "9223372036854775808", "9" * 40, "NaN", "inf", "½",
    "500 g each", "5,00,0", "0x1F4", "\x00", "=1+1", "<b>500</b>", "true", "500\n500",
)  # fmt: skip
"""None of these is an amount of a product in packs of 500 g."""


class Here:
    """A farm with an order and a standing order of Cleo's; Olive is the office."""

    def __init__(self) -> None:
        self.farm: World = world.build()
        kitchen, product = self.farm.kitchen.public_id, self.farm.product.public_id
        self.product = product
        self.order = ordering.place([Asked(product, 1_000)], kitchen=kitchen, on=FRIDAY, by=ADA, now=NOW).public_id
        self.usual = standing.begin(
            kitchen, rule="FREQ=WEEKLY;BYDAY=TU", starts_on=MONDAY + timedelta(days=8), lines=[Asked(product, 500)],
            by=ADA, now=NOW,
        ).public_id  # fmt: skip
        self.olive, self.cleo = signed_in("olive", "office"), Client()
        self.page = f"/k/{kitchen_token(self.farm.kitchen, now=NOW)}"
        self.kitchen = f"{RECORDS}/kitchen/{kitchen}"

    def form(self, address: str, **typed: str) -> Any:
        """The records' form as it is shown, with this typed into it."""
        form = self.olive.get(address).context["form"]
        shown = {name: form[name].field.prepare_value(form[name].value()) for name in form.fields}
        kept = {name: "on" if value is True else value for name, value in shown.items() if value not in (None, False)}
        kept.pop("confirmed", None)
        return self.olive.post(address, {**kept, **typed})


@pytest.fixture
def here() -> Iterator[Here]:
    cache.clear()
    with time_machine.travel(NOW, tick=False):
        yield Here()


def everything() -> tuple[Any, ...]:
    kept = (Order, Line, StandingOrder, Change, AgreedPrice, Product, Kitchen, Farm)
    return (*(list(model._default_manager.order_by("pk").values()) for model in kept), Event.objects.count())


Door = Callable[[Here, str], Any]

AMOUNTS: dict[str, Door] = {
    "the office takes an order": lambda h, text: h.olive.post(
        "/orders/new/",
        {"kitchen": h.farm.kitchen.public_id, "on": str(FRIDAY), f"amount-{h.product}": text, "save": "yes"},
    ),
    "it looks first": lambda h, text: h.olive.post(
        "/orders/new/check/",
        {"kitchen": h.farm.kitchen.public_id, "on": str(FRIDAY), f"amount-{h.product}": text},
    ),
    "it changes a line": lambda h, text: h.olive.post(f"/orders/{h.order}/lines/1/amount/", {"amount": text}),
    "it begins a standing order": lambda h, text: h.olive.post(
        "/orders/standing/new/",
        {
            "kitchen": h.farm.kitchen.public_id, "weekdays": ["1"], "starts_on": str(FRIDAY),
            f"amount-{h.product}": text,
        },
    ),
    "it changes one date": lambda h, text: h.olive.post(
        f"/orders/standing/{h.usual}/amounts/", {"on": "2026-05-12", f"amount-{h.product}": text}
    ),
    "it writes an order down in the records": lambda h, text: h.olive.post(
        f"{RECORDS}/order/add/",
        {
            "kitchen": h.farm.kitchen.public_id, "on": str(FRIDAY), "product_0": h.product, "amount_0": text,
            "once": "x" + str(abs(hash(text))),
        },
    ),
    "the kitchen orders": lambda h, text: h.cleo.post(f"{h.page}/order/", {"on": str(FRIDAY), h.product: text}),
    "the kitchen asks": lambda h, text: h.cleo.get(
        f"{h.page}/order/", {"ask": "1", "on": str(FRIDAY), h.product: text}
    ),
    "the kitchen changes an order": lambda h, text: h.cleo.post(
        f"{h.page}/orders/{h.order}/amounts/", {h.product: text}
    ),
}  # fmt: skip


@pytest.mark.parametrize("door", AMOUNTS)
def test_an_amount_that_cannot_be_typed(here: Here, door: str) -> None:
    before = everything()
    for text in TYPED:
        answer = AMOUNTS[door](here, text)
        # What is only looked at is a piece of the page, which says it in its own place.
        assert answer.status_code in ((200,) if door == "it looks first" else (400, 422)), (text, answer.status_code)
        assert told(answer) or b'class="caution"' in answer.content, text
        assert everything() == before, text


TERMS: dict[str, tuple[Door, tuple[str, ...]]] = {
    "tier": (lambda h, text: h.form(f"{h.kitchen}/edit/", tier=text), ("0", "-1", "6", "99", "")),
    "days since harvest": (
        lambda h, text: h.form(f"{h.kitchen}/edit/", max_age_days=text), ("0", "-3", "15", "10000", ""),
    ),
    "chance": (lambda h, text: h.form(f"{h.kitchen}/edit/", chance_pct=text), ("0", "49", "100", "101", "90 %", "")),
    "tolerance": (lambda h, text: h.form(f"{h.kitchen}/edit/", tolerance_pct=text), ("-1", "26", "")),
    "window": (lambda h, text: h.form(f"{h.kitchen}/edit/", window_to=text), ("00:00", "25:00", "soon", "")),
    "an agreed price": (
        lambda h, text: h.form(f"{h.kitchen}/prices/", **{f"price_{h.product}": text}),
        ("-1", "0.005", "1e12", "1000001", "NaN", "12 EUR"),
    ),
    "a product's price": (
        lambda h, text: h.form(f"{RECORDS}/product/{h.product}/edit/", price=text),
        ("-1", "0.005", "1e12", "NaN", "12 EUR", ""),
    ),
    "a pack": (
        lambda h, text: h.form(
            f"{RECORDS}/product/add/", strain=h.farm.strain.public_id, grade="b", name="Seconds", price="9", pack=text
        ),
        ("0", "-1", "100001", "1e5", "9223372036854775808", "half", ""),
    ),
    "the farm's rule": (
        lambda h, text: h.form(f"{RECORDS}/farm/1/edit/", sharing_rule=text), ("dance", "", "PRO_RATA"),
    ),
}  # fmt: skip
"""What is written in the records → the form it is typed in, and what cannot be."""


@pytest.mark.parametrize("term", TERMS)
def test_a_term_that_cannot_be_typed(here: Here, term: str) -> None:
    door, texts = TERMS[term]
    before = everything()
    for text in (*texts, "9" * 40, "\x00"):
        answer = door(here, text)
        assert answer.status_code == 422, (text, answer.status_code)
        assert told(answer), text
        assert everything() == before, text


def told(answer: Any) -> list[str]:
    """The sentences beside the fields, or above them."""
    html = answer.content.decode()
    found = re.findall(r'<ul class="errorlist[^"]*"[^>]*>(.*?)</ul>|role="alert"[^>]*>(.*?)</div>', html, re.DOTALL)
    texts = [" ".join(unescape(re.sub(r"<[^>]+>", " ", one or other)).split()) for one, other in found]
    return [text for text in texts if len(text) > 10]
