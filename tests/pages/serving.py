"""The invented farm for a real browser: built once on a set day, then served as often as a test wants it fresh.

``python -m tests.pages.serving build FOLDER`` lives its weeks; ``… serve FOLDER PORT`` answers on that port and drains
what is due, as a worker would.  Both stand in the same week of May whatever the day is, so that a test knows what it
will find: Wednesday morning, its lists frozen since yesterday noon.
"""

from __future__ import annotations

import os
import sys
import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import time_machine

MORNING: Final = datetime(2026, 5, 6, 5, 30, tzinfo=UTC)
DAYS: Final = 42


def main(what: str, folder: str, port: str = "") -> None:
    os.environ["FARM_VAR"] = folder
    os.environ["DJANGO_SETTINGS_MODULE"] = "farm_orders.settings"
    for name in ("DATABASE_URL", "REDIS_URL", "EMAIL_URL", "CACHE_URL"):
        os.environ.pop(name, None)
    if port:
        os.environ["PUBLIC_URL"] = f"http://127.0.0.1:{port}"
    with time_machine.travel(MORNING, tick=True):
        import django

        django.setup()
        if what == "build":
            build()
        else:
            serve(int(port))


def build() -> None:
    """The database, the farm's weeks, its night, and what fell due after it."""
    from django.core.management import call_command

    from fulfilment import work

    call_command("migrate", verbosity=0)
    call_command("demo_farm", days=DAYS)
    call_command("night")
    while work.drain(now=datetime.now(UTC)):
        pass


def serve(port: int) -> None:
    """Answers in threads until it is ended; one more thread drains."""
    from django.core.servers.basehttp import ThreadedWSGIServer, WSGIRequestHandler

    from farm_orders.wsgi import application

    class Quiet(WSGIRequestHandler):
        def log_message(self, *_: object) -> None:
            """The test says what went wrong."""

    threading.Thread(target=drain, daemon=True).start()
    server = ThreadedWSGIServer(("127.0.0.1", port), Quiet)
    server.set_app(application)
    Path(os.environ["FARM_VAR"], "served").touch()
    server.serve_forever()


def drain() -> None:
    from fulfilment import work

    over = threading.Event()
    while not over.wait(0.3):
        work.drain(now=datetime.now(UTC))


if __name__ == "__main__":
    main(*sys.argv[1:])
