"""The whole service as one command: the web server and what works behind it, ended together by one Ctrl-C."""

from __future__ import annotations

import os
import shutil
import sys
from typing import TYPE_CHECKING, Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from farm_orders.supervisor import Child, supervise

if TYPE_CHECKING:
    from django.core.management.base import CommandParser


class Command(BaseCommand):
    help = "Serve the farm: web server and worker, or with REDIS_URL Celery worker and beat."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default: this machine only)")
        parser.add_argument("--port", type=int, default=8000)
        parser.add_argument("--workers", type=int, default=2, help="web processes (default 2)")
        parser.add_argument("--only", choices=["web"], help="the web server alone; work runs elsewhere")

    def handle(self, *, host: str, port: int, workers: int, only: str | None, **_: Any) -> None:
        if "PUBLIC_URL_FILE" not in os.environ:
            # Links in mails lead to the port that is served, unless they are said to lead elsewhere.
            os.environ.setdefault("PUBLIC_URL", f"http://127.0.0.1:{port}")
        children = [web(host=host, port=port, workers=workers)]
        if only is None:
            children += behind()
        self.stdout.write(f"Serving on http://{host}:{port}  (Ctrl-C ends)")
        self.stdout.flush()
        if code := supervise(children):
            raise CommandError("A process could not be kept running; its last lines are above.", returncode=code)


def web(*, host: str, port: int, workers: int) -> Child:
    """Granian speaking WSGI.  SQLite gets one thread a process, as one writer a process is all it can use."""
    threads = 1 if settings.DATABASES["default"]["ENGINE"].endswith("sqlite3") else 4
    figures = settings.VAR_DIR / "metrics"
    shutil.rmtree(figures, ignore_errors=True)
    figures.mkdir(parents=True)
    command = [
        *(sys.executable, "-m", "granian", "--interface", "wsgi", "--host", host, "--port", str(port)),
        *("--workers", str(workers), "--blocking-threads", str(threads), "--respawn-failed-workers"),
        *("--no-ws", "--workers-kill-timeout", "10", "--log-level", "warning", "farm_orders.wsgi:application"),
    ]
    return Child("web", command, env={"PROMETHEUS_MULTIPROC_DIR": str(figures)}, cwd=settings.BASE_DIR)


def behind() -> list[Child]:
    """One process that looks by itself, or Celery where there is a broker to ring it."""
    if not settings.REDIS_URL:
        return [Child("work", [sys.executable, "manage.py", "work"], cwd=settings.BASE_DIR)]
    celery = [sys.executable, "-m", "celery", "-A", "farm_orders.celery"]
    quiet = ["--without-gossip", "--without-mingle", "--without-heartbeat"]
    return [
        Child("worker", [*celery, "worker", "--concurrency", "2", *quiet], cwd=settings.BASE_DIR),
        Child("beat", [*celery, "beat", "--pidfile", ""], cwd=settings.BASE_DIR),
    ]
