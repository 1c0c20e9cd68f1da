"""``docs/first-day.md`` and ``docs/api.md`` word for word: their commands are run by bash and curl against a real
server with a real worker.
"""

from __future__ import annotations

import json
import re
import shlex
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
from fulfilment.models import Kit, Line, Order
from fulfilment.services import kits
from tests import world
from tests.world import ADA, MONDAY, NOW

if TYPE_CHECKING:
    from pytest_django import Settings
    from pytest_django.live_server_helper import LiveServer

DOCS = Path(__file__).parents[2] / "docs"


def blocks(page: str) -> list[str]:
    """What stands to be run on a page, but how the farm is started."""
    return re.findall(r"```sh\n(.*?)```", (DOCS / page).read_text(), re.DOTALL)


def key_of(page: str, capsys: pytest.CaptureFixture[str]) -> str:
    """The key that the page's own command makes."""
    [setup] = re.findall(r"```sh setup\n(.*?)```", (DOCS / page).read_text(), re.DOTALL)
    [command] = re.findall(r"manage\.py (.*)\)", setup)
    capsys.readouterr()
    call_command(*shlex.split(command))
    return capsys.readouterr().out.strip()


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
        key = key_of("first-day.md", capsys)
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
    live_server: LiveServer,
    settings: Settings,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    request: pytest.FixtureRequest,
) -> None:
    settings.WEBHOOKS_TO_LOOPBACK = True
    with time_machine.travel(NOW):
        farm = world.build(kits_wanted=4)
        farm.harvest(4_000)
        world.plan()
        kits.seal(farm.crop.batch.public_id, bags=4, sealed_on=MONDAY, by=ADA, now=NOW, today=MONDAY)
        work.drain(now=NOW)
        request.getfixturevalue("worker")
        key = key_of("api.md", capsys)
        done = subprocess.run(
            ["bash", "-euo", "pipefail", "-c", "\n".join(blocks("api.md"))],
            env={"PATH": "/usr/local/bin:/usr/bin:/bin", "FARM": f"{live_server.url}/api/v1", "KEY": key},
            capture_output=True, text=True, timeout=120, check=False, cwd=tmp_path,
        )  # fmt: skip
    assert done.returncode == 0, done.stderr + done.stdout
    first, own, gift, weighed = Order.objects.order_by("pk")
    assert (first.lines.get().ordered, first.cancelled_at is not None) == (500, True)
    for told in ("not_whole_packs", "comes in packs of 500 g", "cancelled", "OP 71 204"):
        assert told in done.stdout
    heard = [json.loads(each) for each in (tmp_path / "heard").read_text().splitlines()]
    assert [(each["type"], each["data"]["order"]) for each in heard[:2]] == [
        ("order.placed", first.public_id), ("order.cancelled", first.public_id),
    ]  # fmt: skip
    assert (own.cancelled_at, gift.cancelled_at is not None, gift.gift) == (None, True, True)
    assert gift.start_on is not None
    assert Kit.objects.get(line__order=own).events.filter(kind="started").exists()
    assert weighed.lines.get().picked == 495, "the scale's weight, less its crate"
