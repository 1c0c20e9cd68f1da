"""Run by the rows ``list`` and ``get``, each in a process and a database of its own: prints seconds of the API and of
its limit, a pair a round.

The API is called as the web server calls it (WSGI), key and permission included, by one client at a time.  The limit
fetches the very same rows with prepared statements on one connection of the database's own driver (sqlite3, psycopg).
"""

from __future__ import annotations

import os
import sys
from datetime import timedelta
from time import perf_counter
from typing import Any

import django

from bench.measure import ROUNDS

READS = 8


def main(what: str) -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "farm_orders.settings"
    os.environ["API_PER_MINUTE"] = "1000000000"
    django.setup()
    from django.core.management import call_command

    call_command("migrate", verbosity=0)
    api = Api()
    api.order()
    work, limit = {"list": api.listing, "get": api.getting}[what]()
    for place in range(ROUNDS + 1):
        took: dict[Any, float] = {}
        for each in (work, limit) if place % 2 else (limit, work):
            begun = perf_counter()
            each()
            took[each] = perf_counter() - begun
        if place:
            print(f"{took[work]:.5f} {took[limit]:.5f}")


class Api:
    """A small farm, Cleo's key, and orders of three lines."""

    def __init__(self) -> None:
        from django.test import Client
        from django.utils import timezone

        from fulfilment.services import farm as farm_service
        from fulfilment.services import keys
        from tests import world

        self.now = world.NOW
        farm = world.build()
        farm_service.change_farm(scenarios=1000, by=world.ADA, now=world.NOW)
        more = [
            farm_service.add_product(
                farm.strain.public_id, grade="a", pack=pack, price_minor=1_500, name=f"Pearl, {pack} g", by=world.ADA,
                now=world.NOW,
            )
            for pack in (10, 15, 20)
        ]  # fmt: skip
        # Enough that every line is promised whole.
        farm.harvest(90_000)
        world.plan()
        secret = keys.make("bench", scopes=["kitchen"], kitchen=farm.kitchen, by=world.ADA, now=timezone.now())[1]
        self.headers = {"Authorization": f"Bearer {secret}"}
        self.client = Client(SERVER_NAME="localhost")
        lines = [{"product": each.public_id, "amount_g": each.pack} for each in more]
        self.body = {"on": (world.MONDAY + timedelta(days=4)).isoformat(), "lines": lines}
        self.number = 0

    def order(self) -> str:
        import time_machine

        self.number += 1
        with time_machine.travel(self.now, tick=False):
            answer = self.client.post(
                "/api/v1/orders", self.body, "application/json",
                headers=self.headers | {"Idempotency-Key": f"bench-{self.number}"},
            )  # fmt: skip
        assert answer.status_code == 201, answer.content
        return str(answer.json()["id"])

    def read(self, address: str, *, times: int) -> None:
        for _ in range(times):
            answer = self.client.get(f"/api/v1{address}", headers=self.headers)
            assert answer.status_code == 200, answer.content

    def listing(self) -> tuple[Any, Any]:
        for _ in range(60):
            self.order()
        return (lambda: self.read("/orders", times=READS)), _fetching(READS, orders=50)

    def getting(self) -> tuple[Any, Any]:
        for _ in range(5):
            code = self.order()
        return (lambda: self.read(f"/orders/{code}", times=READS * 4)), _fetching(READS * 4, orders=1)


def _fetching(times: int, *, orders: int) -> Any:
    """Fetches the same orders' rows: orders, lines, promises and parts, four statements."""
    own = _own_connection()
    some = f'(SELECT id FROM "fulfilment_order" ORDER BY id DESC LIMIT {orders})'
    lines = f'(SELECT id FROM "fulfilment_line" WHERE order_id IN {some})'
    promises = f'(SELECT promise_id FROM "fulfilment_line" WHERE order_id IN {some})'
    statements = (
        f'SELECT * FROM "fulfilment_order" WHERE id IN {some}',
        f'SELECT * FROM "fulfilment_line" WHERE id IN {lines}',
        f'SELECT * FROM "fulfilment_promise" WHERE id IN {promises}',
        f'SELECT * FROM "fulfilment_promisepart" WHERE promise_id IN {promises}',
    )

    def fetch() -> None:
        for _ in range(times):
            for each in statements:
                assert own.execute(each).fetchall()
        own.commit()

    return fetch


def _own_connection() -> Any:
    """A connection of the driver's own to the same database."""
    from django.db import connection

    if connection.vendor == "sqlite":
        import sqlite3

        return sqlite3.connect(str(connection.settings_dict["NAME"]), timeout=20)
    import psycopg

    settings = connection.get_connection_params()
    return psycopg.connect(
        host=settings["host"], port=settings["port"], user=settings["user"], dbname=settings["dbname"],
        prepare_threshold=1,
    )  # fmt: skip


if __name__ == "__main__":
    main(sys.argv[1])
