"""Drains the queue until told to stop: all of the work without a broker, a second pair of hands with one."""

from __future__ import annotations

import signal
import threading
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import structlog
from django.core.management.base import BaseCommand
from django.db import InterfaceError, OperationalError, close_old_connections

from fulfilment import work

if TYPE_CHECKING:
    from django.core.management.base import CommandParser

log = structlog.get_logger(__name__)

LONGEST_PAUSE_S = 30.0


class Command(BaseCommand):
    help = "Do what is due: send mails, replan, run the night. Stops cleanly on SIGTERM or Ctrl-C."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--once", action="store_true", help="stop as soon as nothing is due")
        parser.add_argument("--pause", type=float, default=1.0, help="seconds between two looks (default 1)")

    def handle(self, *, once: bool, pause: float, **_: Any) -> None:
        if once:
            self.stdout.write(f"{empty()} done")
            return
        stop = threading.Event()
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: stop.set())
        wait = pause
        while not stop.is_set():
            close_old_connections()
            try:
                done = work.drain(now=datetime.now(UTC))
            except (OperationalError, InterfaceError) as error:
                log.warning("database_unavailable", error=type(error).__name__)
                wait = min(wait * 2, LONGEST_PAUSE_S)
            else:
                wait = 0.0 if done else pause
            stop.wait(wait)


def empty() -> int:
    """Drain until nothing is due; what falls due meanwhile is done too."""
    total = 0
    while done := work.drain(now=datetime.now(UTC)):
        total += done
    return total
