"""The farm is kept while it runs and put back row by row, or not at all."""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
import sqlite3
import tarfile
import threading
from datetime import UTC, datetime
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import DatabaseError, connection, connections, transaction
from django.db.backends.base.base import BaseDatabaseWrapper

from fulfilment.management.copies import archive, keeping, postgres
from fulfilment.models import Event, Farm, Kitchen, Lot, StockEntry, triggers
from fulfilment.services import customers, events
from tests import servers
from tests import world as farm_world

if TYPE_CHECKING:
    from collections.abc import Callable

    from django.conf import LazySettings

pytestmark = pytest.mark.django_db(transaction=True)

NOW = farm_world.NOW
POSTGRES = servers.POSTGRES_ASKED


@pytest.fixture(autouse=True)
def place(transactional_db: None, monkeypatch: pytest.MonkeyPatch, settings: LazySettings, tmp_path: Path) -> Path:
    """The installation's folder, and PostgreSQL's own programs of the server's version."""
    usual = BaseDatabaseWrapper.ensure_connection

    def also_the_copy(self: BaseDatabaseWrapper) -> None:
        """A test may reach no database that its settings do not name; the copy is named while it is looked at."""
        if self.alias == "copy" and self.connection is None:
            self.connect()
        else:
            usual(self)

    monkeypatch.setattr(BaseDatabaseWrapper, "ensure_connection", also_the_copy)
    settings.VAR_DIR = tmp_path
    settings.MEDIA_ROOT = tmp_path / "media"
    (tmp_path / "secret_key").write_text(settings.SECRET_KEY)
    if POSTGRES:
        programs = servers.postgres_programs()
        monkeypatch.setenv("PATH", f"{programs}{os.pathsep}{os.environ['PATH']}")
    return tmp_path


@pytest.fixture
def world() -> farm_world.World:
    made = farm_world.build()
    made.harvest(4000)
    farm_world.plan()
    return made


def said(command: str, *arguments: str) -> str:
    out = StringIO()
    call_command(command, *arguments, stdout=out)
    return out.getvalue()


def kept(place: Path, name: str = "copy.tar.gz") -> Path:
    said("backup", "--to", str(place / name))
    return place / name


def rows() -> dict[str, list[tuple[Any, ...]]]:
    """Every table with every row."""
    with connection.cursor() as cursor:
        found = {}
        for table in sorted(connection.introspection.table_names(cursor)):
            cursor.execute(f'SELECT * FROM "{table}"')
            found[table] = sorted(
                (tuple(bytes(value) if isinstance(value, memoryview) else value for value in row) for row in cursor),
                key=repr,
            )
    return found


def leftovers(place: Path) -> list[str]:
    """What a copy leaves lying about; PostgreSQL's schemas too."""
    names = [path.name for path in place.iterdir() if path.name.startswith(".")]
    if POSTGRES:
        with connection.cursor() as cursor:
            cursor.execute("SELECT nspname FROM pg_namespace WHERE nspname LIKE 'farm%'")
            names += [name for (name,) in cursor]
    else:
        home = Path(connection.settings_dict["NAME"])
        names += [path.name for path in home.parent.glob(f"{home.name}.*")]
    return names


def rewrite(source: Path, target: Path, change: Callable[[dict[str, bytes]], None], *, sums: bool = True) -> Path:
    """The archive with other members; the manifest's checksums follow unless said otherwise."""
    with tarfile.open(source) as tar:
        members = {member.name: tar.extractfile(member).read() for member in tar}  # type: ignore[union-attr]  # files only
    change(members)
    if sums:
        manifest = json.loads(members["manifest.json"])
        manifest["sha256"] = {
            name: hashlib.sha256(data).hexdigest() for name, data in members.items() if name != "manifest.json"
        }
        members["manifest.json"] = json.dumps(manifest).encode()
    with tarfile.open(target, "w:gz") as tar:
        for name, data in members.items():
            member = tarfile.TarInfo(name)
            member.size = len(data)
            tar.addfile(member, io.BytesIO(data))
    return target


def manifest_with(**other: object) -> Callable[[dict[str, bytes]], None]:
    def change(members: dict[str, bytes]) -> None:
        members["manifest.json"] = json.dumps({**json.loads(members["manifest.json"]), **other}).encode()

    return change


@pytest.mark.usefixtures("world")
def test_a_copy_is_one_private_file_that_says_what_is_in_it(place: Path) -> None:
    (place / "media/photos").mkdir(parents=True)
    (place / "media/photos/crop.jpg").write_bytes(b"pins")
    (place / "media/outside").symlink_to("/etc/passwd")
    told = said("backup")
    (path,) = (place / "backups").iterdir()
    assert str(path) in told
    assert "0 orders, 1 lots and 0 kits" in told
    assert "personal data and the key" in told
    assert path.stat().st_mode & 0o777 == 0o600
    assert (place / "backups").stat().st_mode & 0o777 == 0o700
    with tarfile.open(path) as tar:
        names = tar.getnames()
        manifest = json.load(tar.extractfile("manifest.json"))  # type: ignore[arg-type]  # it is there
    database = archive.DATABASES[connection.vendor]
    assert names == [database, "secret_key", "media/photos/crop.jpg", "manifest.json"]
    assert manifest["engine"] == connection.vendor
    assert manifest["migration"].startswith("0")
    assert set(manifest["sha256"]) == set(names) - {"manifest.json"}
    assert leftovers(place) == []
    with pytest.raises(CommandError, match="give another name"):
        call_command("backup", "--to", str(path))


@pytest.mark.usefixtures("world")
def test_what_is_put_back_is_what_was_kept_row_by_row(place: Path, settings: LazySettings) -> None:
    (place / "media").mkdir()
    (place / "media/note.txt").write_text("then")
    before = rows()
    copy = kept(place)

    customers.add_kitchen("The Swan", email="s@example.org", address={"street": "1", "town": "S"}, by="user:a", now=NOW)
    (place / "media/note.txt").write_text("now")
    (place / "media/new.txt").write_text("new")
    (place / "secret_key").write_text("another key")
    assert rows() != before

    told = said("restore", str(copy), "--replace")
    assert rows() == before
    assert (place / "media/note.txt").read_text() == "then"
    assert not (place / "media/new.txt").exists()
    assert (place / "secret_key").read_text() == settings.SECRET_KEY
    assert (place / "secret_key").stat().st_mode & 0o777 == 0o600
    (earlier,) = (place / "backups").iterdir()
    assert str(earlier) in told
    assert "0 orders, 1 lots and 0 kits" in told
    assert leftovers(place) == []

    # The farm works on: what the database refuses it refuses, what it adds up it adds up, new rows find free ids.
    assert set(triggers.expected()) <= triggers.standing(connection)
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        Event.objects.update(kind="nothing")
    with pytest.raises(DatabaseError, match="sum of its entries"), transaction.atomic():
        Lot.objects.update(quantity=1)
    lot = Lot.objects.get()
    entry = StockEntry.objects.get()
    StockEntry.objects.create(lot=lot, kind="sample", quantity=-100, at=NOW, by="user:ada")
    lot.refresh_from_db()
    assert lot.quantity == entry.quantity - 100
    # And what was there before can be had again.
    said("restore", str(earlier), "--replace")
    assert Kitchen.objects.filter(name="The Swan").exists()


@pytest.mark.usefixtures("world")
def test_a_farm_that_stands_is_not_written_over_unasked(place: Path) -> None:
    copy = kept(place)
    before = rows()
    with pytest.raises(CommandError, match="REPLACE=1"):
        call_command("restore", str(copy))
    assert rows() == before
    assert not (place / "backups").exists()


@pytest.mark.usefixtures("world")
def test_a_copy_goes_into_an_empty_installation(place: Path) -> None:
    before = rows()
    copy = kept(place)
    if POSTGRES:
        with connection.cursor() as cursor:
            cursor.execute("DROP SCHEMA public CASCADE")
            cursor.execute("CREATE SCHEMA public")
    else:
        connection.close()
        for path in Path(connection.settings_dict["NAME"]).parent.glob(
            f"{Path(connection.settings_dict['NAME']).name}*"
        ):
            path.unlink()
    (place / "secret_key").unlink()
    with pytest.raises(CommandError, match="nothing to keep"):
        call_command("backup", "--to", str(place / "empty.tar.gz"))
    said("restore", str(copy))
    assert rows() == before


@pytest.mark.parametrize(
    ("change", "sums", "says"),
    [
        (lambda m: m.update(secret_key=b"eve's own"), False, "checksum of secret_key"),
        (lambda m: m.pop("secret_key"), True, "does not hold what its manifest lists"),
        (lambda m: m.update({"../evil": b"x"}), True, "no copy of a farm has"),
        (lambda m: m.update({"/tmp/evil": b"x"}), True, "no copy of a farm has"),  # noqa: S108 - never written
        (lambda m: m.update({"media/../../evil": b"x"}), True, "no copy of a farm has"),
        (lambda m: m.update({"media//evil": b"x"}), True, "no copy of a farm has"),
        (lambda m: m.update({"settings.py": b"x"}), True, "no copy of a farm has"),
        (lambda m: m.update({"media/unlisted": b"x"}), False, "does not hold what its manifest lists"),
        (lambda m: m.update({"manifest.json": b"[]"}), False, "manifest is missing or cannot be read"),
        (lambda m: m.pop("manifest.json"), False, "manifest is missing or cannot be read"),
        (manifest_with(version=2), True, "use the newer code"),
        (manifest_with(engine="oracle"), True, "does not hold what its manifest lists"),
        (manifest_with(migrations=["fulfilment.0001_initial", "fulfilment.9999_later"]), True, "newer code .*9999"),
    ],
)
@pytest.mark.usefixtures("world")
def test_what_is_wrong_with_an_archive_is_told_and_the_farm_stays(
    place: Path, change: Callable[[dict[str, bytes]], None], sums: bool, says: str
) -> None:
    copy = rewrite(kept(place), place / "changed.tar.gz", change, sums=sums)
    before = rows()
    with pytest.raises(CommandError, match=says):
        call_command("restore", str(copy), "--replace")
    assert rows() == before
    assert leftovers(place) == []
    assert not (place / "backups").exists()
    assert not (place.parent / "evil").exists()


@pytest.mark.usefixtures("world")
def test_a_link_in_an_archive_is_refused(place: Path) -> None:
    copy = kept(place)
    with tarfile.open(place / "link.tar.gz", "w:gz") as tar, tarfile.open(copy) as good:
        link = tarfile.TarInfo("media/link")
        link.type, link.linkname = tarfile.SYMTYPE, "/etc"
        tar.addfile(link)
        for member in good:
            tar.addfile(member, good.extractfile(member))
    with pytest.raises(CommandError, match="no copy of a farm has"):
        call_command("restore", str(place / "link.tar.gz"), "--replace")


@pytest.mark.usefixtures("world")
def test_half_an_archive_and_no_archive_at_all(place: Path) -> None:
    copy = kept(place)
    before = rows()
    whole = copy.read_bytes()
    for name, data in {"half": whole[: len(whole) // 2], "text": b"a letter", "none": b""}.items():
        (place / name).write_bytes(data)
        with pytest.raises(CommandError, match="cut short"):
            call_command("restore", str(place / name), "--replace")
    with pytest.raises(CommandError, match="There is no file"):
        call_command("restore", str(place / "nowhere"), "--replace")
    assert rows() == before


@pytest.mark.usefixtures("world")
def test_a_copy_of_the_other_engine_is_named(place: Path) -> None:
    other = "sqlite" if POSTGRES else "postgresql"

    def change(members: dict[str, bytes]) -> None:
        members[archive.DATABASES[other]] = members.pop(archive.DATABASES[connection.vendor])
        manifest_with(engine=other)(members)

    copy = rewrite(kept(place), place / "other.tar.gz", change)
    with pytest.raises(CommandError, match=r"SQLite.*PostgreSQL|PostgreSQL.*SQLite"):
        call_command("restore", str(copy), "--replace")


@pytest.mark.usefixtures("world")
def test_a_database_in_the_copy_that_is_broken_changes_nothing(place: Path) -> None:
    def change(members: dict[str, bytes]) -> None:
        name = archive.DATABASES[connection.vendor]
        # Where tables begin, or a dump's list of them: in the middle may lie what is free.
        members[name] = members[name][:4096] + b"\x7f" * 9000 + members[name][13_096:]

    copy = rewrite(kept(place), place / "broken.tar.gz", change)
    before = rows()
    with pytest.raises(CommandError):
        call_command("restore", str(copy), "--replace")
    assert rows() == before
    assert leftovers(place) == []


@pytest.mark.usefixtures("world")
def test_a_full_disk_is_told_before_anything_is_written(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    copy = kept(place)
    before = rows()
    usage = shutil.disk_usage(place)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=1_000_000))
    with pytest.raises(CommandError, match=r"1\.0 MB are free"):
        call_command("backup", "--to", str(place / "second.tar.gz"))
    with pytest.raises(CommandError, match=r"1\.0 MB are free"):
        call_command("restore", str(copy), "--replace")
    assert not (place / "second.tar.gz").exists()
    assert rows() == before


@pytest.mark.usefixtures("world")
def test_a_disk_that_fills_on_the_way_leaves_nothing_half_done(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    copy = kept(place)
    before = rows()

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(archive, "_add_bytes", full)
    with pytest.raises(CommandError, match="No space left"):
        call_command("backup", "--to", str(place / "second.tar.gz"))
    assert not (place / "second.tar.gz").exists()
    assert leftovers(place) == []
    # The copy of what is there cannot be kept, so what is there is not replaced.
    with pytest.raises(CommandError, match="No space left"):
        call_command("restore", str(copy), "--replace")
    assert rows() == before
    monkeypatch.setattr(archive, "_store", full)
    with pytest.raises(CommandError, match="No space left"):
        call_command("restore", str(copy), "--replace")
    assert rows() == before


@pytest.mark.usefixtures("world")
def test_a_restore_that_breaks_while_migrating_leaves_the_farm(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    copy = kept(place)
    events.record("later", subject="x", by="user:ada", at=NOW)
    before = rows()

    def broken(*_: object, **__: object) -> None:
        raise OSError("the lamp went out")

    monkeypatch.setattr(keeping, "_check_database", broken)
    with pytest.raises(CommandError, match="the lamp went out"):
        call_command("restore", str(copy), "--replace")
    assert rows() == before
    assert leftovers(place) == []
    assert Farm.objects.exists()


@pytest.mark.usefixtures("world")
def test_a_copy_taken_while_others_write_is_one_moment(place: Path) -> None:
    """Two events a transaction: a copy with an odd number of them, or with an event missing in the middle, is torn."""
    written = Event.objects.count()
    ended = threading.Event()
    failed: list[BaseException] = []

    def write() -> None:
        try:
            while not ended.is_set():
                with transaction.atomic():
                    events.record("pair", subject="first", by="user:ada", at=NOW)
                    events.record("pair", subject="second", by="user:ada", at=NOW)
        except BaseException as error:  # noqa: BLE001 - told below
            failed.append(error)
        finally:
            connections.close_all()

    writers = [threading.Thread(target=write) for _ in range(2)]
    for writer in writers:
        writer.start()
    try:
        copies = [kept(place, f"{number}.tar.gz") for number in range(3)]
    finally:
        ended.set()
        for writer in writers:
            writer.join()
    assert not failed
    assert Event.objects.count() > written + 4
    for copy in copies:
        said("restore", str(copy), "--replace")
        pairs = list(Event.objects.filter(kind="pair").order_by("pk").values_list("subject", flat=True))
        assert len(pairs) % 2 == 0
        assert pairs.count("first") == pairs.count("second")
        for path in (place / "backups").iterdir():
            path.unlink()


@pytest.mark.usefixtures("world")
def test_a_farm_that_runs_is_not_taken_away_under_its_feet(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    copy = kept(place)
    before = rows()
    monkeypatch.setattr(postgres, "ASKED", 2)
    other = connections.create_connection("default")
    try:
        with other.cursor() as cursor:
            cursor.execute("SELECT count(*) FROM fulfilment_event")
        with pytest.raises(CommandError, match="Somebody is working with this farm"):
            call_command("restore", str(copy), "--replace")
    finally:
        other.close()
    assert rows() == before
    assert leftovers(place) == []
    assert not (place / "backups").exists()


@pytest.mark.usefixtures("world")
def test_a_key_from_the_environment_is_told(place: Path, settings: LazySettings) -> None:
    copy = kept(place)
    (place / "secret_key").unlink()
    old, settings.SECRET_KEY = settings.SECRET_KEY, "the key that the environment names, and no file"
    told = said("restore", str(copy), "--replace")
    assert "SECRET_KEY_FALLBACKS" in told
    assert old not in told
    assert (place / "secret_key").read_text() == old


@pytest.mark.skipif(POSTGRES, reason="a file that cannot be read is SQLite's trouble")
@pytest.mark.usefixtures("world")
def test_a_damaged_file_is_set_aside_and_the_copy_takes_its_place(place: Path) -> None:
    before = rows()
    copy = kept(place)
    home = Path(connection.settings_dict["NAME"])
    connection.close()
    home.write_bytes(b"not a database at all" * 4000)
    try:
        with pytest.raises(CommandError, match="REPLACE=1"):
            call_command("restore", str(copy))
        assert "could not be read" in said("restore", str(copy), "--replace")
        assert rows() == before
        assert home.with_name(f"{home.name}.damaged").read_bytes().startswith(b"not a database")
    finally:
        home.with_name(f"{home.name}.damaged").unlink()


@pytest.mark.skipif(not POSTGRES, reason="these programs are PostgreSQL's")
@pytest.mark.usefixtures("world")
def test_programs_that_are_missing_or_too_old_are_named(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(place))
    with pytest.raises(CommandError, match=r"pg_dump is not on this machine: install .* postgresql-client"):
        call_command("backup", "--to", str(place / "copy.tar.gz"))
    old = place / "pg_dump"
    old.write_text("#!/bin/sh\necho 'pg_dump: error: aborting because of server version mismatch' >&2\nexit 1\n")
    old.chmod(0o700)
    with pytest.raises(CommandError, match="server version mismatch"):
        call_command("backup", "--to", str(place / "copy.tar.gz"))
    assert leftovers(place) == ["pg_dump"] or leftovers(place) == []


@pytest.mark.skipif(not POSTGRES, reason="SQLite has no password")
def test_a_password_is_never_on_a_command_line(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = keeping.engine()
    assert isinstance(target, postgres.Postgres)
    target.settings = {**target.settings, "PASSWORD": "a secret of the farm's"}
    shown = place / "shown"
    program = place / "pg_dump"
    program.write_text(f'#!/bin/sh\necho "$@" > {shown}\necho "$PGPASSWORD" > {shown}.env\n')
    program.chmod(0o700)
    monkeypatch.setenv("PATH", f"{place}{os.pathsep}{os.environ['PATH']}")
    (place / "dump").write_bytes(b"")
    target.dump(place / "dump", look=lambda _: None)
    assert "a secret" not in shown.read_text()
    assert (place / "shown.env").read_text().strip() == "a secret of the farm's"


@pytest.mark.skipif(POSTGRES, reason="the file itself is looked at")
@pytest.mark.usefixtures("world")
def test_the_copied_file_is_whole_and_needs_no_log_beside_it(place: Path) -> None:
    copy = kept(place)
    with tarfile.open(copy) as tar:
        (place / "looked-at").write_bytes(tar.extractfile("farm.sqlite3").read())  # type: ignore[union-attr]
    database = sqlite3.connect(f"file:{place / 'looked-at'}?mode=ro&immutable=1", uri=True)
    try:
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert database.execute("PRAGMA foreign_key_check").fetchall() == []
        assert database.execute("SELECT count(*) FROM fulfilment_farm").fetchone() == (1,)
    finally:
        database.close()


def test_the_usual_name_says_when() -> None:
    assert keeping.usual_place(datetime(2026, 5, 4, 6, 7, 8, tzinfo=UTC)).name == "farm-20260504T060708Z.tar.gz"
