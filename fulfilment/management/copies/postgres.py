"""PostgreSQL: copied by ``pg_dump``, put back into a schema of its own, which then takes the farm's place.

The password goes to these programs in their environment, never on a command line that others can read.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import time
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any, Final

from django.db import connections, transaction
from django.db.utils import DatabaseError, OperationalError

from fulfilment.core.problems import Conflict, Invalid

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

SCHEMA: Final = "farm_restoring"
ASIDE: Final = "farm_aside"
LOCK_WAIT: Final = "10s"
ASKED: Final = 12
PAUSE_S: Final = 0.25

_BEFORE: Final = f"""
DROP SCHEMA IF EXISTS {SCHEMA} CASCADE;
ALTER SCHEMA public RENAME TO {ASIDE};
CREATE SCHEMA public;
"""
_AFTER: Final = f"""
ALTER SCHEMA public RENAME TO {SCHEMA};
ALTER SCHEMA {ASIDE} RENAME TO public;
"""
"""A dump names its schema in every line, so the farm's own steps aside while it is read, inside one transaction that
nobody else sees."""

_SWAP: Final = (
    f"SET LOCAL lock_timeout = '{LOCK_WAIT}'",
    f"ALTER SCHEMA public RENAME TO {ASIDE}",
    f"ALTER SCHEMA {SCHEMA} RENAME TO public",
    f"DROP SCHEMA {ASIDE} CASCADE",
    "GRANT USAGE ON SCHEMA public TO PUBLIC",
)


class Postgres:
    """The farm's PostgreSQL database; ``settings`` are those of its Django connection."""

    name = "postgresql"

    def __init__(self, settings: dict[str, Any]) -> None:
        self.settings = settings

    def size(self) -> int:
        with connections["default"].cursor() as cursor:
            cursor.execute("SELECT pg_database_size(current_database())")
            return int(cursor.fetchone()[0])

    def dump(self, into: Path, *, look: Callable[[str], None]) -> None:
        """One consistent state while others work; ``look`` reads the very state that is dumped."""
        program = _program("pg_dump")
        with transaction.atomic(), connections["default"].cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
            cursor.execute("SELECT pg_export_snapshot()")
            snapshot = str(cursor.fetchone()[0])
            look("default")
            self._run(
                *(program, "--format=custom", "--schema=public", "--no-owner", "--no-privileges"),
                *(f"--snapshot={snapshot}", "--no-password", "--file", str(into)),
            )
        into.chmod(0o600)

    @contextmanager
    def beside(self, dump: Path) -> Iterator[tuple[str, Callable[[], Path | None]]]:
        """The dump as a schema next to the farm's, and what puts it in the farm's place."""
        pg_restore, psql = _program("pg_restore"), _program("psql")
        script, before, after = (dump.with_name(name) for name in ("restore.sql", "before.sql", "after.sql"))
        # The rows as text first, so that one transaction takes all or nothing of them.
        self._run(
            *(pg_restore, "--schema=public", "--no-owner", "--no-privileges", "--no-comments"),
            *("--file", str(script), str(dump)),
        )
        before.write_text(_BEFORE)
        after.write_text(_AFTER)
        connections["default"].close()
        self._run(
            *(psql, "--no-psqlrc", "--quiet", "--no-password", "--single-transaction", "--output", os.devnull),
            *("--set", "ON_ERROR_STOP=1", "--file", str(before), "--file", str(script), "--file", str(after)),
        )
        script.unlink()
        alias = "copy"
        options = dict(self.settings.get("OPTIONS") or {})
        options["options"] = f"{options.get('options', '')} -c search_path={SCHEMA}".strip()
        connections.settings[alias] = {**connections.settings["default"], "OPTIONS": options, "CONN_MAX_AGE": 0}
        try:
            yield alias, lambda: self._swap(alias)
        finally:
            connections[alias].close()
            del connections[alias]
            del connections.settings[alias]
            with suppress(DatabaseError), transaction.atomic(), connections["default"].cursor() as cursor:
                cursor.execute(f"DROP SCHEMA IF EXISTS {SCHEMA} CASCADE")

    def require_idle(self) -> None:
        """:class:`Conflict` where somebody else is connected as the farm."""
        if others := _others():
            raise Conflict(
                f"Somebody is working with this farm ({others} connections): end its web server and workers, then "
                "restore again.",
                code="in_use",
                connections=others,
            )

    def _swap(self, alias: str) -> None:
        """One transaction: whoever looks sees the farm as it was, or the copy."""
        connections[alias].close()
        self.require_idle()
        try:
            with transaction.atomic(), connections["default"].cursor() as cursor:
                for statement in _SWAP:
                    cursor.execute(statement)
        except OperationalError as error:
            raise Conflict(
                "Somebody is working with this farm: end its web server and workers, then restore again.", code="in_use"
            ) from error
        except DatabaseError as error:
            raise Conflict(f"The database did not let the copy take the farm's place: {error}") from error
        # Names that were looked up before the change mean the old tables.
        connections["default"].close()

    def _run(self, *command: str) -> None:
        done = subprocess.run(  # noqa: S603 - our own words and the installation's settings
            command,
            env=self._environment(),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            errors="replace",
            check=False,
        )
        if done.returncode:
            raise Invalid(f"{command[0].rpartition('/')[2]} ended with an error: {_last_words(done.stderr)}")

    def _environment(self) -> dict[str, str]:
        """How PostgreSQL's own programs are told where the database is."""
        options = self.settings.get("OPTIONS") or {}
        said = {
            "PGHOST": self.settings.get("HOST"),
            "PGPORT": self.settings.get("PORT"),
            "PGUSER": self.settings.get("USER"),
            "PGPASSWORD": self.settings.get("PASSWORD"),
            "PGDATABASE": self.settings.get("NAME"),
            "PGCONNECT_TIMEOUT": options.get("connect_timeout"),
            "PGSSLMODE": options.get("sslmode"),
            "PGSSLROOTCERT": options.get("sslrootcert"),
            "PGSSLCERT": options.get("sslcert"),
            "PGSSLKEY": options.get("sslkey"),
            "PGSERVICE": options.get("service"),
            "PGPASSFILE": options.get("passfile"),
        }
        kept = {name: value for name, value in os.environ.items() if not name.startswith("PG") or name == "PGPASSFILE"}
        return {**kept, **{name: str(value) for name, value in said.items() if value not in (None, "")}, "LC_ALL": "C"}


def _others() -> int:
    """Connections of the farm besides ours; those that we have just closed are given a moment to end."""
    others = 0
    for _ in range(ASKED):
        with connections["default"].cursor() as cursor:
            cursor.execute(
                "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND usename = current_user "
                "AND pid <> pg_backend_pid() AND backend_type = 'client backend'"
            )
            others = int(cursor.fetchone()[0])
        if not others:
            break
        time.sleep(PAUSE_S)
    return others


def _program(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        raise Conflict(
            f"{name} is not on this machine: install PostgreSQL's client programs, of the server's version or newer "
            "(Debian: postgresql-client).",
            code="no_program",
        )
    return found


def _last_words(errors: str) -> str:
    """What it said last, without what a row may hold."""
    lines = [line for line in errors.splitlines() if re.search(r"error|fatal|mismatch|version", line, re.IGNORECASE)]
    return " / ".join(line.strip()[:200] for line in lines[-2:]) or "it did not say why."
