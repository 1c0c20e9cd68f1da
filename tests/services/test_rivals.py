"""Many at once: two hundred buyers for fifty-seven kits, and kitchens that all want the last grams."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from django.db import connections

from fulfilment.core.chances import chances
from fulfilment.models import Book, Line, Order, Promise, PromisePart
from fulfilment.read import supply
from fulfilment.services import ordering
from fulfilment.services.ordering import Asked
from tests import world
from tests.world import MONDAY, NOW

pytestmark = pytest.mark.django_db(transaction=True)

FRIDAY = MONDAY + timedelta(days=4)
RIVALS = 8


def at_once(what: Callable[[int], object], *, times: int) -> None:
    def one(n: int) -> None:
        try:
            what(n)
        finally:
            connections.close_all()

    with ThreadPoolExecutor(RIVALS) as pool:
        list(pool.map(one, range(times)))


def test_two_hundred_buyers_for_fifty_seven_kits() -> None:
    farm = world.build(bags=2, kits_wanted=57)
    world.plan()

    def buy(n: int) -> None:
        ordering.place(
            [Asked(farm.kit.public_id, 1)], buyer=farm.buyer.public_id, on=FRIDAY, by=f"key:shop{n}", now=NOW
        )

    at_once(buy, times=200)
    assert Order.objects.count() == 200
    assert Line.objects.filter(promised=1).count() == 57
    assert Promise.objects.filter(status="declined").count() == 143


def test_kitchens_at_once_are_promised_no_more_than_the_scenarios_carry() -> None:
    farm = world.build()
    world.plan()

    def order(n: int) -> None:
        ordering.place(
            [Asked(farm.product.public_id, 1_000)], kitchen=farm.kitchen.public_id, on=FRIDAY, by=f"key:{n}", now=NOW
        )

    at_once(order, times=40)
    assert Line.objects.filter(promised=0).exists(), "somebody goes short"
    ranks = list(PromisePart.objects.values_list("rank", flat=True))
    assert len(set(ranks)) == len(ranks), "every promise has its own place in the row"
    rows = list(Book.objects.select_related("forecast"))
    parts = [part for own in supply.parts(rows, today=MONDAY).values() for part in own]
    kept = chances(supply.supplies(rows, today=MONDAY), parts).by_part
    for part in PromisePart.objects.select_related("promise"):
        assert kept[part.pk] >= part.promise.asked_pct / 100
