"""``docs/first-day.md`` word for word: its commands are run by bash and curl against a real server with a real
worker.
"""

from __future__ import annotations

import re
import subprocess
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import time_machine
from django.core.management import call_command
from django.db import connections

from fulfilment import work
from fulfilment.models import Line, Order
from tests import world
from tests.world import NOW

if TYPE_CHECKING:
    from pytest_django.live_server_helper import LiveServer

PAGE = Path(__file__).parents[2] / "docs" / "first-day.md"
BLOCKS = re.findall(r"```sh\n(.*?)```", PAGE.read_text(), re.DOTALL)


@pytest.fixture
def worker() -> Iterator[None]:
    """Drains like ``manage.py work`` until the test is over."""
    over = threading.Event()

    def loop() -> None:
        while not over.wait(0.2):
            work.drain(now=datetime.now(UTC))
        connections.close_all()

    thread = threading.Thread(target=loop)
    thread.start()
    yield
    over.set()
    thread.join()


@pytest.mark.django_db(transaction=True)
def test_the_first_day_works_as_written(
    live_server: LiveServer, capsys: pytest.CaptureFixture[str], request: pytest.FixtureRequest
) -> None:
    with time_machine.travel(NOW):
        world.build()
        world.plan()
        request.getfixturevalue("worker")
        capsys.readouterr()
        call_command("key", "make", "first day", scopes="office,grower,packing")
        key = capsys.readouterr().out.strip()
        done = subprocess.run(
            ["bash", "-euo", "pipefail", "-c", "\n".join(BLOCKS)],
            env={"PATH": "/usr/local/bin:/usr/bin:/bin", "FARM": f"{live_server.url}/api/v1", "KEY": key},
            capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip
    assert done.returncode == 0, done.stderr
    line = Line.objects.get()
    assert Order.objects.count() == 1
    assert (line.ordered, line.promised, line.picked) == (2_000, 2_000, 1_980)
    assert "comes in packs of 500 g" in done.stdout
