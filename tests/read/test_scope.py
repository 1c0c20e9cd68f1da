"""Whose rows are whose."""

from __future__ import annotations

from datetime import timedelta

import pytest

from fulfilment.core.problems import Forbidden
from fulfilment.models import Kitchen, Line, Lot, Order, Shipment
from fulfilment.read.scope import EVERYBODY, SIGHTS, STAFF, Actor, require, visible
from fulfilment.services import customers, ordering
from fulfilment.services.ordering import Asked
from tests import world
from tests.world import ADA, MONDAY, NOW

pytestmark = pytest.mark.django_db


def test_a_kitchen_sees_its_own_and_a_shop_what_buyers_ordered() -> None:
    farm = world.build()
    other = customers.add_kitchen(
        "The Gull", email="gull@example.org", address={"street": "3 Quay", "town": "Saltby"}, by=ADA, now=NOW
    )
    farm.harvest(3_000)
    world.plan()
    placed = {
        name: ordering.place(
            [Asked(farm.product.public_id, 500)],
            kitchen=kitchen.public_id,
            on=MONDAY + timedelta(days=3),
            by=ADA,
            now=NOW,
        )
        for name, kitchen in (("heron", farm.kitchen), ("gull", other))
    }
    cleo = Actor("key:cleo", frozenset({"kitchen"}), farm.kitchen.pk)
    shop, office = Actor("key:shop", frozenset({"shop"})), Actor("key:office", frozenset({"office"}))
    nobody, lost = Actor("key:eve", frozenset()), Actor("key:lost", frozenset({"kitchen"}))
    assert list(visible(Order, cleo)) == [placed["heron"]]
    assert list(visible(Kitchen, cleo)) == [farm.kitchen]
    assert {line.order for line in visible(Line, cleo)} == {placed["heron"]}
    assert {shipment.kitchen for shipment in visible(Shipment, cleo)} == {farm.kitchen}
    assert set(visible(Order, office)) == set(placed.values())
    for stranger in (shop, nobody, lost):
        assert not visible(Order, stranger).exists()
    assert not visible(Lot, cleo).exists()
    assert visible(Lot, office).exists()


def test_every_kind_is_seen_by_the_office_and_by_no_scope_that_does_not_exist() -> None:
    for model, sight in SIGHTS.items():
        assert "office" in sight.all <= EVERYBODY, model
        assert not visible(model, Actor("key:eve", frozenset({"owner"}))).exists()


def test_a_scope_is_required() -> None:
    require(Actor("key:ada", frozenset({"grower"})), STAFF)
    with pytest.raises(Forbidden):
        require(Actor("key:shop", frozenset({"shop"})), STAFF)
