"""Making a copy of the farm while it runs, and putting one back: whole, or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from itertools import chain, count
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from django.conf import settings
from django.core import checks
from django.core.management import call_command
from django.db import DatabaseError, OperationalError, connections
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder

from fulfilment.core.problems import Conflict, Invalid
from fulfilment.management.copies import archive
from fulfilment.management.copies.archive import Manifest
from fulfilment.management.copies.postgres import Postgres
from fulfilment.management.copies.sqlite import Sqlite
from fulfilment.models import Farm, Kit, Lot, Order

if TYPE_CHECKING:
    from collections.abc import Iterator

APP: Final = "fulfilment"
COUNTED: Final = {"orders": Order, "lots": Lot, "kits": Kit}
WORDS: Final = {"sqlite": "SQLite", "postgresql": "PostgreSQL"}


@dataclass(frozen=True, slots=True)
class Kept:
    """A copy that was made."""

    path: Path
    size: int
    manifest: Manifest


@dataclass(frozen=True, slots=True)
class Restored:
    """A copy that was put back.  ``before`` is what the farm that stood there was kept in first, or ``damaged`` the
    file that could not be read; ``key_in_use`` is false where the environment names another key than the copy's.
    """

    manifest: Manifest
    before: Kept | None
    damaged: Path | None
    key_in_use: bool


def engine() -> Sqlite | Postgres:
    connection = connections["default"]
    whose = connection.settings_dict
    return Postgres(whose) if connection.vendor == "postgresql" else Sqlite(whose)


def usual_place(now: datetime, *, name: str = "farm") -> Path:
    """Where a copy goes that nobody named a place for: by its instant, and never where a file is."""
    stem = Path(settings.VAR_DIR) / "backups" / f"{name}-{now:%Y%m%dT%H%M%SZ}"
    names = (f"{stem}{more}.tar.gz" for more in chain([""], (f"-{number}" for number in count(2))))
    return next(path for path in map(Path, names) if not path.exists())


def keep(to: Path, *, now: datetime) -> Kept:
    """A copy of the farm as it is at this moment, under a name that is not taken yet."""
    if standing() == "none":
        raise Conflict("There is no farm in this database, so there is nothing to keep.", code="no_farm")
    if to.exists():
        raise Conflict(f"There is a file {to} already: give another name.", where="to")
    source, media = engine(), Path(settings.MEDIA_ROOT)
    size = source.size()
    to.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    # The database twice: once as it is, once in the archive, should it hardly shrink.
    archive.need_room(to.parent, 2 * size + _size(media) + archive.SPARE)
    seen: list[Manifest] = []
    with _folder(to.parent) as aside:
        dump = aside / archive.DATABASES[source.name]
        source.dump(dump, look=lambda alias: seen.append(_describe(alias, source.name, size=size, now=now)))
        (manifest,) = seen
        archive.write(to, manifest=manifest, database=dump, secret=settings.SECRET_KEY, media=media)
    return Kept(to, to.stat().st_size, manifest)


def restore(source: Path, *, replace: bool, now: datetime) -> Restored:
    """Put a copy in the farm's place.  Until the very last step, which is one rename, the farm stays as it was."""
    if not source.is_file():
        raise Invalid(f"There is no file {source}.", where="file")
    target = engine()
    there = standing()
    if there != "none" and not replace:
        raise Conflict(
            "There is a farm in this database already. To put the copy in its place say so with --replace "
            "(make restore FILE=… REPLACE=1): what is there is kept in a copy first.",
            code="farm_stands",
        )
    with _folder(Path(settings.VAR_DIR)) as aside:
        manifest = archive.read(source, aside)
        _check_fits(manifest, target.name)
        if there == "stands":
            target.require_idle()
        before = keep(usual_place(now, name="before-restore"), now=now) if there == "stands" else None
        archive.need_room(aside, 2 * manifest.database_bytes + archive.SPARE)
        with target.beside(aside / archive.DATABASES[target.name]) as (alias, swap):
            call_command("migrate", database=alias, interactive=False, verbosity=0)
            _check_database(alias)
            damaged = swap()
        # What is left are renames of what lies on the disk already.
        key_in_use = _put_secret(aside / archive.SECRET)
        _put_media(aside / archive.MEDIA)
    return Restored(manifest, before, damaged, key_in_use)


def standing(alias: str = "default") -> Literal["none", "stands", "damaged"]:
    """Whether there is a farm in this database, or a file that cannot be read as one."""
    connection = connections[alias]
    sqlite = connection.vendor == "sqlite"
    if sqlite and not Path(connection.settings_dict["NAME"]).exists():
        return "none"
    try:
        tables = connection.introspection.table_names()
        there = Farm._meta.db_table in tables and Farm.objects.using(alias).exists()  # noqa: SLF001 - public by Django's documentation
    except DatabaseError as error:
        # Locked, or a server that does not answer, is another matter.
        if not sqlite or isinstance(error, OperationalError):
            raise
        connection.close()
        return "damaged"
    return "stands" if there else "none"


def _describe(alias: str, name: str, *, size: int, now: datetime) -> Manifest:
    applied = sorted(MigrationRecorder(connections[alias]).applied_migrations())
    return Manifest(
        version=archive.VERSION,
        engine=name,
        made_at=now.isoformat(),
        migration=max(step for app, step in applied if app == APP),
        migrations=tuple(f"{app}.{step}" for app, step in applied),
        database_bytes=size,
        counts={noun: model._default_manager.using(alias).count() for noun, model in COUNTED.items()},  # noqa: SLF001
    )


def _check_fits(manifest: Manifest, name: str) -> None:
    if manifest.engine != name:
        raise Conflict(
            f"This is a copy of a farm on {WORDS[manifest.engine]}, and this installation uses {WORDS[name]}: set "
            f"DATABASE_URL to a {WORDS[manifest.engine]} database and restore it there.",
            code="other_engine",
        )
    loader = MigrationLoader(None)
    known = set(loader.disk_migrations)
    for migration in loader.disk_migrations.values():
        known.update(migration.replaces)
    newer = [
        step
        for step in manifest.migrations
        if (parts := step.partition("."))[0] in loader.migrated_apps and (parts[0], parts[2]) not in known
    ]
    if newer:
        raise Conflict(
            f"This copy was made by newer code ({newer[-1]} is not known here): update the code, then restore it.",
            code="newer",
        )


def _check_database(alias: str) -> None:
    found = checks.run_checks(tags=[checks.Tags.database], databases=[alias])
    if found:
        raise Invalid(f"The copy does not pass the checks: {' '.join(str(each.msg) for each in found)}", code="checks")
    if standing(alias) != "stands":
        raise Invalid("The copy holds no farm.", code="no_farm")


def _put_secret(copied: Path) -> bool:
    """The key this copy's links are signed with; false where the environment names another one."""
    path = Path(settings.VAR_DIR) / archive.SECRET
    from_file = path.exists() and path.read_text().strip() == settings.SECRET_KEY
    same = copied.read_text() == settings.SECRET_KEY
    os.replace(copied, path)
    return from_file or same


def _put_media(media: Path) -> None:
    place = Path(settings.MEDIA_ROOT)
    old = place.with_name(f".{place.name}.before")
    shutil.rmtree(old, ignore_errors=True)
    if place.exists():
        os.replace(place, old)
    if media.exists():
        os.replace(media, place)
    shutil.rmtree(old, ignore_errors=True)


def _size(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) if folder.exists() else 0


@contextmanager
def _folder(beside: Path) -> Iterator[Path]:
    """A folder for the owner only, gone afterwards whatever happened."""
    with tempfile.TemporaryDirectory(prefix=".copy-", dir=beside) as name:
        yield Path(name)
