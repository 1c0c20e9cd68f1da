"""The other bell: a real Celery worker on a real Redis-protocol server drains a real PostgreSQL."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from urllib.parse import quote

import pytest
from django.conf import settings
from django.db import connection, transaction

from fulfilment import bell
from fulfilment.models import Job, Mail, Plan
from fulfilment.services import jobs, mails
from tests import servers, world
from tests.world import NOW

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.skipif(not servers.POSTGRES_ASKED, reason="the other bell rings in the run on PostgreSQL and Redis"),
]

PATIENCE_S = 120.0


@pytest.fixture
def worker() -> Iterator[subprocess.Popen[bytes]]:
    """``celery worker`` as the supervisor starts it, on this test's own database and broker."""
    at = connection.settings_dict
    login = quote(at["USER"]) + (f":{quote(at['PASSWORD'])}" if at["PASSWORD"] else "")
    host = f"{at['HOST']}:{at['PORT']}" if at["PORT"] else at["HOST"]
    environment = os.environ | {
        "DJANGO_SETTINGS_MODULE": "farm_orders.settings",
        "DATABASE_URL": f"postgres://{login}@{host}/{at['NAME']}",
        "REDIS_URL": settings.REDIS_URL,
        "FARM_VAR": str(settings.VAR_DIR),
    }
    started = subprocess.Popen(
        [sys.executable, "-m", "celery", "-A", "farm_orders.celery", "worker", "--pool", "solo", "--without-gossip",
         "--without-mingle", "--without-heartbeat"],
        env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    yield started
    started.send_signal(signal.SIGTERM)
    started.wait(20)


def until(true: Callable[[], bool], *, ringing: bool = False) -> None:
    """``ringing`` rings each time as beat does each second: a bell that is older than ten seconds says nothing more."""
    limit = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < limit, "the worker did not come to it"
        if ringing:
            bell.ring()
        time.sleep(0.5)


def test_a_commit_rings_and_the_worker_drains(worker: subprocess.Popen[bytes]) -> None:
    farm = world.build(bags=5)
    until(lambda: not jobs.waits("replan"), ringing=True)
    assert Plan.objects.exists()
    assert Job.objects.get(kind="replan").attempts == 0
    with transaction.atomic():
        jobs.add("replan", due_at=NOW)
        mails.queue(
            "order_received", kitchen=farm.kitchen, subject={"order": 0}, once="a mail that cannot be written", now=NOW
        )
    until(lambda: not jobs.waits("replan"))
    until(lambda: Mail.objects.get().state == "failed")
    assert worker.poll() is None, "a mail that cannot be written harms nobody but itself"
