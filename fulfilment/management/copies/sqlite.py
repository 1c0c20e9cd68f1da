"""SQLite: copied through its own online backup, put back by renaming."""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from django.db import connections

from fulfilment.core.problems import Conflict, Invalid
from fulfilment.management.copies import archive

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

WAIT_S = 20


class Sqlite:
    """The farm's database file; ``settings`` are those of its Django connection."""

    name = "sqlite"

    def __init__(self, settings: dict[str, Any]) -> None:
        self.path = Path(settings["NAME"]).absolute()

    def size(self) -> int:
        return sum(path.stat().st_size for path in (self.path, _wal(self.path)) if path.exists())

    def dump(self, into: Path, *, look: Callable[[str], None]) -> None:
        """One consistent state of the file while others read and write it; ``look`` is given it as a database."""
        with (
            closing(sqlite3.connect(self.path, timeout=WAIT_S)) as source,
            closing(sqlite3.connect(into, timeout=WAIT_S)) as copy,
        ):
            source.backup(copy)
        into.chmod(0o600)
        _check(into)
        with _opened({"NAME": str(into)}) as alias:
            look(alias)
        _to_one_file(into)

    @contextmanager
    def beside(self, dump: Path) -> Iterator[tuple[str, Callable[[], Path | None]]]:
        """The dump as a database of its own next to the farm's, and what puts it in the farm's place."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        candidate = self.path.with_name(f"{self.path.name}.restoring")
        _remove(candidate)
        try:
            archive.need_room(self.path.parent, dump.stat().st_size + archive.SPARE)
            shutil.copyfile(dump, candidate)
            candidate.chmod(0o600)
            _check(candidate)
            with _opened({"NAME": str(candidate)}) as alias:
                yield alias, lambda: self._swap(candidate, alias)
        finally:
            _remove(candidate)

    def require_idle(self) -> None:
        """:class:`Conflict` where another process has the file open."""
        connections["default"].close()
        try:
            # Only the last one to have the file open may take it out of write-ahead logging.
            _to_one_file(self.path)
        except sqlite3.OperationalError as error:
            raise Conflict(
                "Somebody is working with this farm: end what runs (Ctrl-C in its window), then restore again.",
                code="in_use",
            ) from error

    def _swap(self, candidate: Path, alias: str) -> Path | None:
        """The rename, and where a file went that could not be read any more."""
        damaged: Path | None = None
        connections[alias].close()
        _to_one_file(candidate)
        with candidate.open("rb") as handle:
            os.fsync(handle.fileno())
        if self.path.exists():
            try:
                self.require_idle()
            except sqlite3.DatabaseError:
                # It is no database any more, which may be why a copy is wanted; somebody may still get something out.
                damaged = self.path.with_name(f"{self.path.name}.damaged")
                if _wal(self.path).exists():
                    os.replace(_wal(self.path), _wal(damaged))
                os.replace(self.path, damaged)
            self.path.with_name(f"{self.path.name}-shm").unlink(missing_ok=True)
        os.replace(candidate, self.path)
        archive.settle(self.path.parent)
        return damaged


@contextmanager
def _opened(change: dict[str, Any]) -> Iterator[str]:
    """A second database under an alias of its own, for as long as it is looked at."""
    alias = "copy"
    connections.settings[alias] = {**connections.settings["default"], **change}
    try:
        yield alias
    finally:
        connections[alias].close()
        del connections[alias]
        del connections.settings[alias]


def _check(path: Path) -> None:
    try:
        with closing(sqlite3.connect(path)) as copy:
            (found,) = copy.execute("PRAGMA integrity_check(1)").fetchone()
    except sqlite3.DatabaseError as error:
        found = str(error)
    if found != "ok":
        raise Invalid(f"The copy's database is damaged ({found[:120]}): it is not used.", code="damaged")


def _to_one_file(path: Path) -> None:
    """All that was written into the file itself, without a log beside it; nobody else may have it open."""
    with closing(sqlite3.connect(path, timeout=1)) as database:
        (mode,) = database.execute("PRAGMA journal_mode=DELETE").fetchone()
    if mode != "delete":
        raise sqlite3.OperationalError("database is locked")


def _wal(path: Path) -> Path:
    return path.with_name(f"{path.name}-wal")


def _remove(path: Path) -> None:
    for name in (path, _wal(path), path.with_name(f"{path.name}-shm"), path.with_name(f"{path.name}-journal")):
        name.unlink(missing_ok=True)
