"""``docs/webhooks.md`` word for word: its listener and its commands against a real server with a real worker."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from django.core.management import call_command
from django.db import connections
from pytest_django import Settings

from fulfilment import work
from fulfilment.models import WebhookTry
from fulfilment.services import events
from fulfilment.services.webhooks import queue
from tests.people import ADA

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pytest_django.live_server_helper import LiveServer

PAGE = (Path(__file__).parents[2] / "docs" / "webhooks.md").read_text()
[LISTENER] = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
[COMMANDS] = re.findall(r"```sh\n(.*?)```", PAGE, re.DOTALL)


@pytest.fixture
def worker(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(work, "SWEEPS", ())
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
def test_the_listener_hears_and_believes(
    live_server: LiveServer, capsys: pytest.CaptureFixture[str], worker: None, settings: Settings, tmp_path: Path
) -> None:
    settings.WEBHOOKS_TO_LOOPBACK = True
    port = str(a_free_port())
    (tmp_path / "listener.py").write_text(LISTENER.replace("8001", port))
    call_command("key", "make", "listener", scopes="office")
    key = capsys.readouterr().out.strip()
    commands = COMMANDS.replace("8001", port).replace(".venv/bin/python", sys.executable)
    shell = subprocess.Popen(
        ["bash", "-euo", "pipefail", "-c", f"{commands}\nread -r _\nkill %1"],
        env={"PATH": "/usr/local/bin:/usr/bin:/bin", "FARM": f"{live_server.url}/api/v1", "KEY": key},
        cwd=tmp_path, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    with shell:
        try:
            wait_for(1)
            events.record("order_placed", subject="K7Q2-M4XJ", by=ADA, at=datetime.now(UTC), data={"on": "2026-05-08"})
            wait_for(2)
        finally:
            said, wrong = shell.communicate("done\n", timeout=60)
    assert shell.returncode == 0, wrong
    assert re.search(r'^webhook\.ping \{"endpoint": ', said, re.MULTILINE), said
    assert 'order.placed {"order": "K7Q2-M4XJ", "on": "2026-05-08"}' in said
    assert '"outcome":"delivered"' in said
    assert [each.outcome for each in WebhookTry.objects.all()] == ["delivered"] * 2


def a_free_port() -> int:
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        return int(held.getsockname()[1])


def wait_for(tries: int) -> None:
    """Until so many posts were made."""
    over = threading.Event()
    for _ in range(300):
        if WebhookTry.objects.count() >= tries:
            return
        over.wait(0.1)
    pytest.fail("nothing was posted")


def test_the_page_says_the_schedule_that_is_kept() -> None:
    [row] = re.findall(r"\| after the one before \| at once \| (.*) \|", PAGE)
    seconds = {"s": 1, "min": 60, "h": 3600}
    said = [int(each.split()[0]) * seconds[each.split()[1]] for each in row.split(" | ")]
    assert said == [wait.total_seconds() for wait in queue.SCHEDULE[1:]]
