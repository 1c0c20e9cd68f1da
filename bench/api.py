"""Run by the rows ``list`` and ``get``, each in a process and a database of its own: prints milliseconds of one request
to the API, of its limit, of a request whose answer holds nothing, and for a list of its fifth page; a line a round.

The API is called as the web server calls it (WSGI), key and permission included, by one client at a time.  The limit
fetches the very same rows with prepared statements on one connection of the database's own driver (sqlite3, psycopg).
"""

from __future__ import annotations

import json
import os
import sys
from datetime import timedelta
from time import perf_counter
from typing import Any
from urllib.parse import urlsplit
from wsgiref.util import setup_testing_defaults

import django

from bench.measure import ROUNDS

PAGES = 5
PAGE = 50


def main(what: str) -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "farm_orders.settings"
    os.environ["API_PER_MINUTE"] = "1000000000"
    django.setup()
    from django.core.management import call_command

    call_command("migrate", verbosity=0)
    api = Api()
    api.order()
    columns, times = {"list": api.listing, "get": api.getting}[what]()
    for place in range(ROUNDS + 1):
        took: dict[Any, float] = dict.fromkeys(columns, 0)
        for turn in range(times):
            for each in columns if turn % 2 else columns[::-1]:
                begun = perf_counter()
                each()
                took[each] += 1000 * (perf_counter() - begun) / times
        if place:
            print(*(f"{took[each]:.5f}" for each in columns))


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

    def read(self, path: str, query: str = "") -> bytes:
        """One request as the web server makes it of what comes in by the line."""
        from farm_orders.wsgi import application

        environ = {
            "PATH_INFO": f"/api/v1{path}", "QUERY_STRING": query, "HTTP_AUTHORIZATION": self.headers["Authorization"],
            "HTTP_HOST": "localhost", "REMOTE_ADDR": "127.0.0.1",
        }  # fmt: skip
        setup_testing_defaults(environ)
        begun: list[str] = []
        answer = application(environ, lambda status, *_: begun.append(status))  # type: ignore[arg-type]  # nothing is written the old way
        body = b"".join(answer)
        answer.close()
        assert begun == ["200 OK"], body
        return body

    def nothing(self) -> None:
        """Let in by its key, led to its view, answered: the least that any request takes."""
        assert json.loads(self.read("/orders", "on=2001-01-01")) == {"items": [], "next": None}

    def listing(self) -> tuple[list[Any], int]:
        while self.number < PAGES * PAGE:
            self.order()
        query = ""
        for _ in range(PAGES - 1):
            query = urlsplit(json.loads(self.read("/orders", query))["next"]).query
        return [lambda: self.read("/orders"), _fetching(PAGE), self.nothing, lambda: self.read("/orders", query)], 8

    def getting(self) -> tuple[list[Any], int]:
        for _ in range(5):
            code = self.order()
        return [lambda: self.read(f"/orders/{code}"), _fetching(1), self.nothing], 32


def _fetching(orders: int) -> Any:
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
