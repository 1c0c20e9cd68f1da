"""``docs/first-day.md`` and ``docs/api.md`` word for word: their commands are run by bash and curl against a real
server with a real worker.
"""

from __future__ import annotations

import json
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
from tests.api.asking import key
from tests.world import NOW

if TYPE_CHECKING:
    from pytest_django import Settings
    from pytest_django.live_server_helper import LiveServer

DOCS = Path(__file__).parents[2] / "docs"


def blocks(page: str) -> list[str]:
    """What stands to be run on a page, but how the farm is started."""
    return re.findall(r"```sh\n(.*?)```", (DOCS / page).read_text(), re.DOTALL)


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
            ["bash", "-euo", "pipefail", "-c", "\n".join(blocks("first-day.md"))],
            env={"PATH": "/usr/local/bin:/usr/bin:/bin", "FARM": f"{live_server.url}/api/v1", "KEY": key},
            capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip
    assert done.returncode == 0, done.stderr
    line = Line.objects.get()
    assert Order.objects.count() == 1
    assert (line.ordered, line.promised, line.picked) == (2_000, 2_000, 1_980)
    assert "comes in packs of 500 g" in done.stdout


@pytest.mark.django_db(transaction=True)
def test_the_newcomer_s_hour_works_as_written(
    live_server: LiveServer, settings: Settings, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    settings.WEBHOOKS_TO_LOOPBACK = True
    with time_machine.travel(NOW):
        farm = world.build()
        farm.harvest(4_000)
        world.plan()
        request.getfixturevalue("worker")
        done = subprocess.run(
            ["bash", "-euo", "pipefail", "-c", "\n".join(blocks("api.md"))],
            env={"PATH": "/usr/local/bin:/usr/bin:/bin", "FARM": f"{live_server.url}/api/v1", "KEY": key("office")},
            capture_output=True, text=True, timeout=120, check=False, cwd=tmp_path,
        )  # fmt: skip
    assert done.returncode == 0, done.stderr + done.stdout
    order, line = Order.objects.get(), Line.objects.get()
    assert (line.ordered, order.cancelled_at is not None) == (500, True)
    for told in ("not_whole_packs", "comes in packs of 500 g", "cancelled"):
        assert told in done.stdout
    heard = [json.loads(each) for each in (tmp_path / "heard").read_text().splitlines()]
    assert [(each["type"], each["data"]["order"]) for each in heard] == [
        ("order.placed", order.public_id), ("order.cancelled", order.public_id),
    ]  # fmt: skip
