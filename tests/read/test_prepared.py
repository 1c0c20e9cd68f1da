"""A prepared query gives what Django's own way of asking gives, and is put into SQL once."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Any, NamedTuple
from unittest.mock import patch

import pytest
from django.db.models import F
from django.db.models.sql.compiler import SQLCompiler

from fulfilment.models import Farm, Kitchen, Line, Order
from fulfilment.read.prepared import Among, Given, Prepared, columns
from fulfilment.services import customers, ordering
from fulfilment.services.ordering import Asked
from tests import world
from tests.world import ADA, MONDAY, NOW, World

pytestmark = pytest.mark.django_db


class Seen(NamedTuple):
    """A column of every kind that is converted, and some that are not."""

    pk: int
    kitchen: Annotated[str | None, "order__kitchen__public_id"]
    buyer: Annotated[str | None, "order__buyer__public_id"]
    on: Annotated[date, "order__on"]
    gift: Annotated[bool, "order__gift"]
    active: Annotated[bool, "product__active"]
    placed_at: Annotated[datetime, "order__placed_at"]
    cut_off_at: Annotated[datetime, "shipment__cut_off_at"]
    cancelled_at: datetime | None
    why: Annotated[dict[str, Any], "promise__why"]


@pytest.fixture
def farm() -> World:
    made = world.build()
    made.harvest(5_000)
    world.plan()
    for grams in (500, 1_000, 1_500):
        ordering.place(
            [Asked(made.product.public_id, grams), Asked(made.kit.public_id, 1)], kitchen=made.kitchen.public_id,
            on=MONDAY.replace(day=8), by=ADA, now=NOW,
        )  # fmt: skip
    ordering.drop_line(Order.objects.earliest("pk").public_id, number=2, by=ADA, now=NOW)
    return made


def lines() -> Prepared[Seen]:
    return Prepared(Seen, lambda: Line.objects.filter(Among(F("order"), Given("orders"))).order_by("-pk"))


def test_rows_are_those_of_the_query_with_their_values_converted(farm: World) -> None:
    asked = list(Order.objects.values_list("pk", flat=True))
    plain = Line.objects.filter(order__in=asked).order_by("-pk").values_list(*columns(Seen))
    found = lines().rows(orders=asked)
    assert [tuple(row) for row in found] == list(plain)
    assert [[type(value) for value in row] for row in found] == [[type(value) for value in row] for row in plain]
    assert len(found) == 6


def test_none_one_and_many_keys_are_asked_by_the_same_words(farm: World) -> None:
    prepared = lines()
    every = list(Order.objects.order_by("pk").values_list("pk", flat=True))
    with patch.object(SQLCompiler, "as_sql", autospec=True, side_effect=SQLCompiler.as_sql) as written:
        counts = [len(prepared.rows(orders=some)) for some in ([], every[:1], every, every * 40, [2**62])]
    assert counts == [0, 2, 6, 6, 0]
    assert written.call_count == 1


def test_a_text_is_a_value_and_never_part_of_the_words(farm: World) -> None:
    class Name(NamedTuple):
        name: str

    prepared = Prepared(Name, lambda: Kitchen.objects.filter(name=Given("name"), active=True))
    odd = "The % Heron's \"'; DROP TABLE fulfilment_kitchen; -- %s"
    customers.add_kitchen(odd, email="eve@example.org", address={"street": "9", "town": "S"}, by=ADA, now=NOW)
    assert prepared.rows(name=odd) == [(odd,)]
    assert prepared.rows(name="%") == []
    assert Kitchen.objects.count() == 2


def test_what_is_not_given_is_said(farm: World) -> None:
    class Zone(NamedTuple):
        zone: str

    with pytest.raises(KeyError, match="pk"):
        Prepared(Zone, lambda: Farm.objects.filter(pk=Given("pk"))).rows(key=1)
