"""Keeps a handful of processes running as one: what dies is started again, one signal ends all.

Each child leads a process group of its own, so that Ctrl-C reaches the supervisor alone, which then asks each child to
end and, after a grace, ends what is left.  A child that dies is started again after a pause that doubles while it keeps
dying young; one that has died young several times running cannot be helped by another start, and all end.
"""

from __future__ import annotations

import os
import signal
import subprocess
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import structlog

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

log = structlog.get_logger(__name__)

YOUNG_S = 10.0
FIRST_PAUSE_S = 0.5
GIVE_UP_AFTER = 6
LOOK_EVERY_S = 0.1


@dataclass(slots=True)
class Child:
    """One command and what became of it; the time of a start and of the next are the monotonic clock's."""

    name: str
    command: Sequence[str]
    env: Mapping[str, str] = field(default_factory=dict)
    cwd: Path | None = None
    process: subprocess.Popen[bytes] | None = None
    started: float = 0.0
    due: float = 0.0
    young_deaths: int = 0

    def start(self) -> None:
        env = {**os.environ, **self.env}
        self.process = subprocess.Popen(self.command, env=env, cwd=self.cwd, start_new_session=True)
        self.started = time.monotonic()

    def look(self) -> bool:
        """Start again what has died and is due; False once it has died young too often."""
        now = time.monotonic()
        if self.process is None:
            if now >= self.due:
                self.start()
            return True
        code = self.process.poll()
        if code is None:
            return True
        self.process = None
        self.young_deaths = self.young_deaths + 1 if now - self.started < YOUNG_S else 0
        log.warning("process_died", process=self.name, code=code, young_deaths=self.young_deaths)
        self.due = now + FIRST_PAUSE_S * 2.0**self.young_deaths
        return self.young_deaths < GIVE_UP_AFTER

    def signal(self, number: int) -> None:
        """To the whole group: a web server's workers and a worker's pool are in it."""
        if self.process is not None:
            with suppress(ProcessLookupError):
                os.killpg(self.process.pid, number)


def supervise(children: Sequence[Child], *, grace_s: float = 15.0) -> int:
    """Run until SIGINT, SIGTERM or SIGHUP (0) or until a child cannot be kept alive (1); nothing is left running."""
    stop = threading.Event()
    before = {
        number: signal.signal(number, lambda *_: stop.set())
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    }
    code = 0
    try:
        while not stop.is_set():
            kept = [child.look() for child in children]
            if not all(kept):
                log.error("gave_up", processes=[child.name for child in children if child.young_deaths])
                code = 1
                break
            stop.wait(LOOK_EVERY_S)
    finally:
        _end(children, grace_s=grace_s)
        for number, handler in before.items():
            signal.signal(number, handler)
    return code


def _end(children: Sequence[Child], *, grace_s: float) -> None:
    running = [child for child in children if child.process is not None]
    for child in running:
        # To the leader alone: it knows how to end its own, in order.
        if child.process is not None and child.process.poll() is None:
            child.process.terminate()
    until = time.monotonic() + grace_s
    for child in running:
        if child.process is not None:
            try:
                child.process.wait(timeout=max(0.0, until - time.monotonic()))
            except subprocess.TimeoutExpired:
                log.warning("process_killed", process=child.name)
            child.signal(signal.SIGKILL)
            child.process.wait()
