"""What is told of an order when it is placed is what is read of it afterwards."""

from __future__ import annotations

from datetime import timedelta

import pytest

from fulfilment.read.orders.whole import wholes
from fulfilment.services import customers, ordering
from fulfilment.services.ordering import Asked, Wish
from tests import world
from tests.world import ADA, MONDAY, NOW

pytestmark = pytest.mark.django_db

FRIDAY = MONDAY + timedelta(days=4)
MUCH = 1_000_000
"""Grams: more than there will be."""


def test_a_kitchens_order_is_told_as_it_is_read() -> None:
    farm = world.build()
    farm.harvest(3_000, grade="b")
    world.plan()
    customers.set_substitutes(
        farm.kitchen.public_id, [(farm.strain.public_id, "a", farm.strain.public_id, "b")], by=ADA, now=NOW
    )
    asked = [Asked(farm.product.public_id, MUCH)]
    wish = Wish(on=FRIDAY, reference="T-9", note="Ring twice")
    made = ordering.accept(asked, wish, kitchen=farm.kitchen.public_id, by=ADA, now=NOW)
    told = ordering.as_read(made)
    assert [told] == wholes([made.order.pk])
    assert len(told.parts[told.lines[0].promise or 0]) == 2, "part of it is a substitute"


def test_a_buyers_gift_is_told_as_it_is_read() -> None:
    farm = world.build(bags=2, kits_wanted=5)
    world.plan()
    wish = Wish(on=FRIDAY, gift=True, greeting="Good luck", start_on=FRIDAY + timedelta(days=3))
    for units in (2, 400):
        made = ordering.accept([Asked(farm.kit.public_id, units)], wish, buyer=farm.buyer.public_id, by=ADA, now=NOW)
        assert [ordering.as_read(made)] == wholes([made.order.pk])
