"""The hot paths ask the database a fixed number of times, however long the order or the list is."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import pytest
import time_machine
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fulfilment.services import farm as farm_service
from tests import world
from tests.api.asking import ask, key
from tests.world import ADA, MONDAY, NOW, World

pytestmark = pytest.mark.django_db

MOST = 12
"""Statements that accepting an order takes, savepoints not counted: find the key, begin once, hold the books, read all
the rest, write order, lines, promises, parts, event, mail and the wish for a plan, keep the answer."""
BEGINS = MOST + 1
"""Those of the first order of a shipment, which is written too."""
READ = {"one": 6, "list": 5}
"""Statements that reading one order, and a page of them, may take, the one that finds the key included."""
PLUMBING = ("SAVEPOINT", "RELEASE", "ROLLBACK", "SET LOCAL", "BEGIN", "COMMIT", "PRAGMA")


@pytest.fixture
def farm() -> Iterator[World]:
    cache.clear()
    with time_machine.travel(NOW, tick=False):
        made = world.build()
        world.plan()
        yield made


def statements(secret: str, method: str, address: str, body: object = None, *, status: int) -> list[str]:
    with CaptureQueriesContext(connection) as seen:
        ask(secret, method, address, body, status=status)
    return [query["sql"] for query in seen if not query["sql"].lstrip().upper().startswith(PLUMBING)]


def lines(farm: World, count: int) -> list[dict[str, object]]:
    packs = [100 * (place + 2) for place in range(count - 1)]
    made = [
        farm_service.add_product(
            farm.strain.public_id, grade="a", pack=pack, price_minor=1_500, name=f"Pearl, {pack} g {count}", by=ADA,
            now=NOW,
        )
        for pack in packs
        if pack != farm.product.pack
    ]  # fmt: skip
    return [{"product": each.public_id, "amount_g": each.pack} for each in (farm.product, *made)]


def test_an_order_of_many_lines_takes_as_many_statements_as_one_of_few(farm: World) -> None:
    secret, on = key("kitchen", kitchen=farm.kitchen), (MONDAY + timedelta(days=4)).isoformat()
    many = lines(farm, 12)
    # The first finds what the process then knows, and begins the shipment that the others join.
    statements(secret, "POST", "/orders", {"on": on, "lines": many[:1]}, status=201)
    counts = {}
    for count in (1, 3, len(many)):
        told = statements(secret, "POST", "/orders", {"on": on, "lines": many[:count]}, status=201)
        counts[count] = len(told)
        if count == 3:
            shown = "\n".join(each[:150] for each in told)
    assert len(set(counts.values())) == 1, counts
    assert counts[3] <= MOST, f"{counts[3]} statements:\n{shown}"
    for later, count in ((2, 1), (3, len(many))):
        on = (MONDAY + timedelta(days=later)).isoformat()
        assert len(statements(secret, "POST", "/orders", {"on": on, "lines": many[:count]}, status=201)) <= BEGINS


def test_one_order_and_a_page_of_them_are_read_in_a_fixed_number(farm: World) -> None:
    secret, on = key("kitchen", kitchen=farm.kitchen), (MONDAY + timedelta(days=4)).isoformat()
    many = lines(farm, 6)
    counts = {"one": set(), "list": set()}  # type: dict[str, set[int]]
    for count in (1, 3, len(many)):
        order = ask(secret, "POST", "/orders", {"on": on, "lines": many[:count]}, status=201)["id"]
        counts["one"].add(len(statements(secret, "GET", f"/orders/{order}", status=200)))
        counts["list"].add(len(statements(secret, "GET", "/orders", status=200)))
    assert counts == {what: {most} for what, most in READ.items()}


def test_page_k_of_a_list_costs_what_page_one_costs(farm: World) -> None:
    secret, on = key("kitchen", kitchen=farm.kitchen), (MONDAY + timedelta(days=4)).isoformat()
    for _ in range(7):
        ask(secret, "POST", "/orders", {"on": on, "lines": lines(farm, 1)}, status=201)
    address, counts = "/orders?page_size=2", []
    while address:
        with CaptureQueriesContext(connection) as seen:
            page = ask(secret, "GET", address, status=200)
        counts.append(len(seen))
        assert not any("OFFSET" in query["sql"] for query in seen), "pages begin at a key, and pass nothing over"
        address = (page["next"] or "").partition("/api/v1")[2]
    assert len(counts) == 4
    assert len(set(counts)) == 1, counts
