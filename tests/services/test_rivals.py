"""Many at once: two hundred buyers for fifty-seven kits, and kitchens that all want the last grams."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from threading import Barrier

import pytest
from django.db import connections

from fulfilment.core.chances import chances
from fulfilment.models import Book, Line, Order, Promise, PromisePart, Shipment
from fulfilment.read import supply
from fulfilment.services import ordering
from fulfilment.services.ordering import Asked
from tests import world
from tests.world import MONDAY, NOW

pytestmark = pytest.mark.django_db(transaction=True)

FRIDAY = MONDAY + timedelta(days=4)
RIVALS = 8
HUNDRED = 100


def at_once(what: Callable[[int], object], *, times: int, rivals: int = RIVALS) -> None:
    def one(n: int) -> None:
        try:
            what(n)
        finally:
            connections.close_all()

    with ThreadPoolExecutor(rivals) as pool:
        list(pool.map(one, range(times)))


def kept_by_the_rule() -> int:
    """Every part at least as likely as its kitchen asked, counted again from the books; returns the sum promised."""
    rows = list(Book.objects.select_related("forecast"))
    parts = [part for own in supply.parts(rows, today=MONDAY).values() for part in own]
    kept = chances(supply.supplies(rows, today=MONDAY), parts).by_part
    found = list(PromisePart.objects.select_related("promise"))
    assert found
    assert len({part.rank for part in found}) == len(found), "every promise has its own place in the row"
    for part in found:
        assert kept[part.pk] >= part.promise.asked_pct / 100
    return sum(part.amount for part in found)


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
    kept_by_the_rule()


def test_first_orders_of_different_goods_at_once_go_in_one_shipment() -> None:
    """Their books are different, so nothing makes one wait for the other before the shipment itself."""
    farm = world.build(bags=2, kits_wanted=57)
    world.plan()
    for on in (FRIDAY, FRIDAY + timedelta(days=7), FRIDAY + timedelta(days=14)):
        together = Barrier(2)

        def order(n: int, on: date = on, together: Barrier = together) -> None:
            together.wait(timeout=60)
            asked = Asked(farm.kit.public_id, 1) if n % 2 else Asked(farm.product.public_id, 500)
            ordering.place([asked], kitchen=farm.kitchen.public_id, on=on, by=f"key:{n}", now=NOW)

        at_once(order, times=2, rivals=2)
        assert Order.objects.filter(on=on).count() == 2
        assert Shipment.objects.get(on=on).lines.count() == 2


def test_a_hundred_at_once_are_promised_what_one_after_the_other_are() -> None:
    """A hundred threads begin at the same moment; what they get in all is what the rule allows, to the pack."""
    farm = world.build()
    world.plan()
    allowed = ordering.check(
        [Asked(farm.product.public_id, HUNDRED * 1_000)], kitchen=farm.kitchen.public_id, on=FRIDAY, now=NOW
    )[0].answer.largest
    together = Barrier(HUNDRED)

    def order(n: int) -> None:
        together.wait(timeout=60)
        ordering.place(
            [Asked(farm.product.public_id, 1_000)], kitchen=farm.kitchen.public_id, on=FRIDAY, by=f"key:{n}", now=NOW
        )

    at_once(order, times=HUNDRED, rivals=HUNDRED)
    assert Order.objects.count() == HUNDRED
    assert 0 < allowed < HUNDRED * 1_000
    assert kept_by_the_rule() == allowed
