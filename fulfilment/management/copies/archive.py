"""The file a copy is kept in: a gzipped tar of our own plain layout.

    manifest.json    what is in it, with a SHA-256 of every other file; the last member
    farm.sqlite3     the database file, or
    farm.pgdump      what ``pg_dump -Fc`` wrote
    secret_key       what links in mails and sessions are signed with
    media/...        files the farm keeps

Members are regular files with these names and nothing else.  Reading writes them where the reader says and never
follows a name out of there.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import os
import shutil
import tarfile
import zlib
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import IO, TYPE_CHECKING, Any, Final

from fulfilment.core.problems import Conflict, Invalid

if TYPE_CHECKING:
    from collections.abc import Mapping

VERSION: Final = 1
MANIFEST: Final = "manifest.json"
SECRET: Final = "secret_key"  # noqa: S105 - a file's name
MEDIA: Final = "media"
DATABASES: Final = {"sqlite": "farm.sqlite3", "postgresql": "farm.pgdump"}
"""Engine → the name of its member."""

SPARE: Final = 16 * 2**20
"""Bytes left free beyond what is needed."""
_MANIFEST_AT_MOST: Final = 16 * 2**20
_CHUNK: Final = 2**20


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a copy says of itself; ``migrations`` are those its database has seen, ``counts`` rows by noun."""

    version: int
    engine: str
    made_at: str
    migration: str
    migrations: tuple[str, ...]
    database_bytes: int
    counts: Mapping[str, int]

    def words(self) -> str:
        """``42 orders, 31 lots and 28 kits``."""
        parts = [f"{count:,} {noun}" for noun, count in self.counts.items()]
        return f"{', '.join(parts[:-1])} and {parts[-1]}"


def write(target: Path, *, manifest: Manifest, database: Path, secret: str, media: Path) -> None:
    """Make the archive, for its owner only; written aside, safe on the disk, then named.  Never over another file."""
    aside = target.with_name(f".{target.name}.{os.getpid()}")
    sums: dict[str, str] = {}
    try:
        with (
            open(os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as handle,
            tarfile.open(fileobj=handle, mode="w:gz", format=tarfile.PAX_FORMAT, compresslevel=6) as tar,
        ):
            with database.open("rb") as content:
                _add(tar, DATABASES[manifest.engine], content, database.stat().st_size, sums)
            _add_bytes(tar, SECRET, secret.encode(), sums)
            for path in _files(media):
                name = f"{MEDIA}/{path.relative_to(media).as_posix()}"
                with path.open("rb") as content:
                    _add(tar, name, content, os.fstat(content.fileno()).st_size, sums)
            text = json.dumps({**asdict(manifest), "sha256": sums}, indent=1)
            _add_bytes(tar, MANIFEST, text.encode(), {})
        with aside.open("rb") as done:
            os.fsync(done.fileno())
        try:
            os.link(aside, target)
        except FileExistsError as error:
            raise Conflict(f"There is a file {target} already: give another name.", where="to") from error
    finally:
        aside.unlink(missing_ok=True)
    settle(target.parent)


def read(source: Path, into: Path) -> Manifest:
    """Take the archive apart into the folder ``into`` and say what it holds, once every checksum has been met.

    Raises :class:`Invalid` for what is no copy of ours, is cut short, was changed, or reaches outside of ``into``.
    """
    found: dict[str, str] = {}
    try:
        with tarfile.open(source, mode="r:gz") as tar:
            for member in tar:
                _check_member(member, found)
                need_room(into, member.size + SPARE)
                content = tar.extractfile(member)
                assert content is not None
                found[member.name] = _store(content, into / member.name)
    except (tarfile.TarError, EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise Invalid(f"{source} is no copy of a farm, or it is cut short: nothing was changed.") from error
    return _manifest(into, found)


def need_room(folder: Path, size: int) -> None:
    """:class:`Conflict` unless so many bytes are free there."""
    free = shutil.disk_usage(folder).free
    if free < size:
        raise Conflict(
            f"{in_bytes(size)} are needed in {folder} and {in_bytes(free)} are free: make room first.",
            code="disk_full",
            needed=size,
            free=free,
        )


def in_bytes(size: int) -> str:
    return f"{size / 1e6:,.1f} MB" if size >= 1e6 else f"{size / 1e3:,.0f} kB"


def settle(folder: Path) -> None:
    """A new name in a folder outlives a power cut once the folder is written too."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)


class _Summing:
    """A file whose bytes are summed up as they are read."""

    def __init__(self, content: IO[bytes]) -> None:
        self._content = content
        self.sum = hashlib.sha256()

    def read(self, size: int = -1) -> bytes:
        data = self._content.read(size)
        self.sum.update(data)
        return data


def _add(tar: tarfile.TarFile, name: str, content: IO[bytes], size: int, sums: dict[str, str]) -> None:
    member = tarfile.TarInfo(name)
    member.size = size
    member.mode = 0o600
    summing = _Summing(content)
    tar.addfile(member, summing)
    sums[name] = summing.sum.hexdigest()


def _add_bytes(tar: tarfile.TarFile, name: str, data: bytes, sums: dict[str, str]) -> None:
    _add(tar, name, io.BytesIO(data), len(data), sums)


def _files(media: Path) -> list[Path]:
    """Regular files only: a link would be kept as what it points at, wherever that is."""
    return (
        sorted(path for path in media.rglob("*") if path.is_file() and not path.is_symlink()) if media.exists() else []
    )


def _check_member(member: tarfile.TarInfo, found: Mapping[str, str]) -> None:
    name = PurePosixPath(member.name)
    known = member.name in (MANIFEST, SECRET, *DATABASES.values()) or (
        name.parts[:1] == (MEDIA,) and len(name.parts) > 1 and ".." not in name.parts and str(name) == member.name
    )
    if not known or not member.isreg() or member.issparse() or "\0" in member.name or member.name in found:
        raise Invalid(f"The archive holds {member.name[:80]!r}, which no copy of a farm has: nothing was changed.")
    if member.name == MANIFEST and member.size > _MANIFEST_AT_MOST:
        raise Invalid("The archive's manifest is too long to be one: nothing was changed.")


def _store(content: IO[bytes], path: Path) -> str:
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    summing = _Summing(content)
    with open(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as handle:
        while data := summing.read(_CHUNK):
            handle.write(data)
        handle.flush()
        os.fsync(handle.fileno())
    return summing.sum.hexdigest()


def _manifest(folder: Path, found: Mapping[str, str]) -> Manifest:
    sentence = "The archive's manifest is missing or cannot be read, so this is no copy of a farm: nothing was changed."
    try:
        said: dict[str, Any] = json.loads((folder / MANIFEST).read_text())
        sums = {str(name): str(value) for name, value in said["sha256"].items()}
        manifest = Manifest(
            version=int(said["version"]),
            engine=str(said["engine"]),
            made_at=datetime.fromisoformat(said["made_at"]).isoformat(),
            migration=str(said["migration"]),
            migrations=tuple(str(name) for name in said["migrations"]),
            database_bytes=int(said["database_bytes"]),
            counts={str(noun): int(count) for noun, count in said["counts"].items()},
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise Invalid(sentence) from error
    if manifest.version > VERSION:
        raise Invalid(
            f"The archive's layout is version {manifest.version} and this code knows {VERSION}: use the newer code."
        )
    wanted = {*sums, MANIFEST}
    if not {DATABASES.get(manifest.engine, ""), SECRET} <= sums.keys() or wanted != set(found):
        raise Invalid("The archive does not hold what its manifest lists: nothing was changed.")
    for name, value in sums.items():
        if found[name] != value:
            raise Invalid(
                f"The checksum of {name[:80]} in the archive is wrong: it was damaged or changed, and nothing is taken "
                "from it. Use another copy."
            )
    return manifest
