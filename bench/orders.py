"""Run by the row ``order``, in a process and a database of its own: prints orders a second of the service and of its
limit, a pair a round.

The service is a real web server as ``make run`` starts it (two processes, loopback), asked by eight clients that keep
their connections; key, permission, idempotency, promise and event included.  The limit writes the very same rows into
bare copies of their tables, without an index, a trigger or a reference: on PostgreSQL pgbench with prepared statements
and eight clients (the database's driver with eight threads where there is no pgbench), on SQLite its own driver, which
has one writer as the file has.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor
from http.client import HTTPConnection
from itertools import count
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING, Any, Final, Self

import django

from bench.measure import ROUNDS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from bench.api import Api

Rows = dict[str, list[tuple[Any, ...]]]

CLIENTS: Final = 8
EACH: Final = 5
"""Orders of a client in a round: three hundred in all, a busy week of a small farm."""
SECONDS: Final = 1
"""Of pgbench in a round."""
WRITTEN: Final = ("once", "shipment", "order", "line", "promise", "promisepart", "event", "mail")
START_S: Final = 60


def main() -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "farm_orders.settings"
    os.environ["API_PER_MINUTE"] = "1000000000"
    django.setup()
    from django.core.management import call_command

    from bench.api import Api

    call_command("migrate", verbosity=0)
    api = Api()
    before = _newest()
    api.order()
    limit = _limit(_rows_since(before))
    with Served(api) as served:
        for place in range(ROUNDS + 1):
            measured = {}
            for each in (served.rate, limit) if place % 2 else (limit, served.rate):
                measured[each] = each()
            if place:
                print(f"{measured[served.rate]:.3f} {measured[limit]:.3f}")


class Served:
    """The web server with the application of :mod:`bench.served`, and its clients."""

    def __init__(self, api: Api) -> None:
        self.api = api
        self.numbers = count()
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = int(free.getsockname()[1])

    def __enter__(self) -> Self:
        from fulfilment.management.commands.serve import web

        started = web(host="127.0.0.1", port=self.port, workers=2)
        *command, _ = started.command
        self.server = subprocess.Popen(
            [*command, "bench.served:application"], cwd=started.cwd, env=os.environ | dict(started.env or {}),
            stdout=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        until = time.monotonic() + START_S
        while True:
            try:
                self.clients = [self._client() for _ in range(CLIENTS)]
            except OSError:
                if time.monotonic() > until:
                    raise
                time.sleep(0.1)
            else:
                return self

    def __exit__(self, *_: object) -> None:
        for client in self.clients:
            client.close()
        os.killpg(self.server.pid, signal.SIGTERM)
        try:
            self.server.wait(10)
        except subprocess.TimeoutExpired:
            os.killpg(self.server.pid, signal.SIGKILL)
            self.server.wait()

    def rate(self) -> float:
        """Orders a second, all clients together."""
        begun = perf_counter()
        with ThreadPoolExecutor(CLIENTS) as pool:
            list(pool.map(self._order, self.clients))
        return CLIENTS * EACH / (perf_counter() - begun)

    def _client(self) -> HTTPConnection:
        client = HTTPConnection("127.0.0.1", self.port, timeout=60)
        client.connect()
        return client

    def _order(self, client: HTTPConnection) -> None:
        body = json.dumps(self.api.body)
        for _ in range(EACH):
            headers = self.api.headers | {
                "Content-Type": "application/json",
                "Idempotency-Key": f"served-{next(self.numbers)}",
            }
            client.request("POST", "/api/v1/orders", body, headers)
            answer = client.getresponse()
            told = answer.read()
            assert answer.status == 201, told


# ---- The limit ------------------------------------------------------------------------------------------------------


def _newest() -> dict[str, int]:
    from django.db import connection

    with connection.cursor() as cursor:
        found = {}
        for table in WRITTEN:
            cursor.execute(f'SELECT COALESCE(MAX(id), 0) FROM "fulfilment_{table}"')
            found[table] = cursor.fetchone()[0]
        return found


def _rows_since(before: dict[str, int]) -> Rows:
    from django.db import connection

    with connection.cursor() as cursor:
        found = {}
        for table, last in before.items():
            cursor.execute(f'SELECT * FROM "fulfilment_{table}" WHERE id > %s', [last])
            found[table] = [_plain(row) for row in cursor.fetchall()]
            assert table in ("shipment", "mail") or found[table], f"an order writes no {table}"
        return found


def _plain(row: tuple[Any, ...]) -> tuple[Any, ...]:
    return tuple(json.dumps(value) if isinstance(value, dict | list) else value for value in row)


def _limit(rows: Rows) -> Callable[[], float]:
    """Orders a second, written as fast as the database itself can."""
    from django.db import connection

    with connection.cursor() as cursor:
        for table in rows:
            cursor.execute(f'CREATE TABLE bare_{table} AS SELECT * FROM "fulfilment_{table}" WHERE 1 = 0')
    if connection.vendor == "sqlite":
        return _by_sqlite(rows)
    program = _pgbench()
    if program is None:
        print("written by the driver, since pgbench is missing")
        return _by_driver(rows)
    return _by_pgbench(program, rows)


def _statements(rows: Rows, *, mark: str) -> Iterator[tuple[str, tuple[Any, ...]]]:
    for table, some in rows.items():
        for row in some:
            yield f"INSERT INTO bare_{table} VALUES ({', '.join([mark] * len(row))})", row


def _by_sqlite(rows: Rows) -> Callable[[], float]:
    import sqlite3

    from django.db import connection

    own = sqlite3.connect(str(connection.settings_dict["NAME"]), timeout=20)
    own.execute("PRAGMA synchronous = FULL")
    return lambda: _timed(own, rows, mark="?")


def _by_driver(rows: Rows) -> Callable[[], float]:
    import psycopg

    connections = [psycopg.connect(**_where(), prepare_threshold=1) for _ in range(CLIENTS)]

    def rate() -> float:
        with ThreadPoolExecutor(CLIENTS) as pool:
            return sum(pool.map(lambda own: _timed(own, rows, mark="%s"), connections))

    return rate


def _timed(own: Any, rows: Rows, *, mark: str) -> float:
    begun, done = perf_counter(), 0
    while perf_counter() - begun < SECONDS:
        for statement, row in _statements(rows, mark=mark):
            own.execute(statement, row)
        own.commit()
        done += 1
    return done / (perf_counter() - begun)


def _by_pgbench(program: Path, rows: Rows) -> Callable[[], float]:
    """Its script names each value as a variable, which makes it a parameter; nothing and empty text cannot be one."""
    where, values, script = _where(), list[str](), ["BEGIN;"]
    for statement, row in _statements(rows, mark="%s"):
        marks = []
        for value in row:
            if value is None or value == "":
                marks.append("NULL" if value is None else "''")
            else:
                marks.append(f":v{len(values)}")
                values.append(_text(value))
        script.append(statement.replace("%s", "{}").format(*marks) + ";")
    file = Path(os.environ["FARM_VAR"]) / "order.sql"
    file.write_text("\n".join([*script, "COMMIT;"]))
    command = [
        *(str(program), "-n", "-M", "prepared", "-c", str(CLIENTS), "-j", "2", "-T", str(SECONDS), "-f", str(file)),
        *(word for place, value in enumerate(values) for word in ("-D", f"v{place}={value}")),
        *("-h", where["host"], "-p", str(where["port"]), "-U", where["user"], where["dbname"]),
    ]

    def rate() -> float:
        done = subprocess.run(command, check=False, capture_output=True, text=True)
        found = re.search(r"tps = ([\d.]+)", done.stdout)
        assert found is not None, done.stdout + done.stderr
        assert done.returncode == 0, done.stderr
        return float(found[1])

    return rate


def _text(value: Any) -> str:
    return f"\\x{bytes(value).hex()}" if isinstance(value, bytes | memoryview) else str(value)


def _where() -> dict[str, Any]:
    from django.db import connection

    settings = connection.get_connection_params()
    return {name: settings[name] for name in ("host", "port", "user", "dbname")}


def _pgbench() -> Path | None:
    from tests import servers

    places = [servers.postgres_programs() / "pgbench", *sorted(Path("/usr/lib/postgresql").glob("*/bin/pgbench"))]
    on_path = shutil.which("pgbench")
    return next((place for place in places if place.exists()), Path(on_path) if on_path else None)


if __name__ == "__main__":
    main()
