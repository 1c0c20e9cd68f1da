"""Celery as the doorbell: it wakes those who drain the queue, on any machine, and carries nothing.

No message has a payload, an ETA or a result: an emptied broker, a lost worker or a doubled beat changes nothing.
"""

from __future__ import annotations

import os
import threading
from typing import TYPE_CHECKING, Any

import structlog
from celery import Celery, bootsteps
from celery.signals import setup_logging
from django.conf import settings
from django_structlog.celery.steps import DjangoStructLogInitStep

if TYPE_CHECKING:
    from collections.abc import Callable

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "farm_orders.settings")

log = structlog.get_logger(__name__)

RING = "fulfilment.tasks.ring"
# A bell nobody answered within this time has been followed by others.
STALE_AFTER_S = 10.0
TIME_OUT_S = 0.5

app = Celery("farm_orders")
app.conf.update(
    broker_url=settings.REDIS_URL or "memory://",
    broker_connection_retry_on_startup=True,
    broker_connection_max_retries=None,
    task_default_queue="bell",
    task_ignore_result=True,
    task_acks_late=False,
    worker_prefetch_multiplier=1,
    worker_enable_remote_control=False,
    worker_hijack_root_logger=False,
    worker_redirect_stdouts=False,
    timezone="UTC",
    beat_schedule={"ring": {"task": RING, "schedule": 1.0, "options": {"expires": STALE_AFTER_S}}},
    beat_schedule_filename=str(settings.VAR_DIR / "beat"),
    beat_max_loop_interval=1.0,
)
app.autodiscover_tasks(["fulfilment"])
_steps: dict[str, set[type[bootsteps.Step]]] = app.steps
_steps["worker"].add(DjangoStructLogInitStep)


@setup_logging.connect
def _keep_our_logs(**_: Any) -> None:
    """Being connected is what counts: Celery then leaves the logs as the settings made them."""


def publish() -> None:
    """One bell on the broker, given up at once where the broker is away or silent."""
    limits = {"socket_timeout": TIME_OUT_S, "socket_connect_timeout": TIME_OUT_S, "max_retries": 0}
    with app.connection_for_write(connect_timeout=TIME_OUT_S, transport_options=limits) as connection:
        app.send_task(RING, expires=STALE_AFTER_S, connection=connection, retry=False)


class Doorbell:
    """Rings by a thread of its own, so that a request never waits for the broker.

    ``ring`` sets an event; however often it was set while one message was on its way, one more follows.
    """

    def __init__(self, publish: Callable[[], None]) -> None:
        self._publish = publish
        self._lock = threading.Lock()
        self._rung = threading.Event()
        self._process = 0

    def ring(self) -> None:
        if self._process != os.getpid():
            self._start()
        self._rung.set()

    def _start(self) -> None:
        # A forked child has the parent's objects but none of its threads.
        with self._lock:
            if self._process != os.getpid():
                self._rung = threading.Event()
                threading.Thread(target=self._answer, args=(self._rung,), name="doorbell", daemon=True).start()
                self._process = os.getpid()

    def _answer(self, rung: threading.Event) -> None:
        while True:
            rung.wait()
            rung.clear()
            try:
                self._publish()
            except Exception as error:  # noqa: BLE001 - whatever the broker has, the row is there and beat rings too
                log.warning("bell_not_heard", error=type(error).__name__)


doorbell = Doorbell(publish)
