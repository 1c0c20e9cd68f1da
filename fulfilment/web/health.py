"""What a supervisor, a load balancer and a monitoring server ask; no farm data in any answer."""

from __future__ import annotations

import hmac
import os
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

import structlog
from django.conf import settings
from django.db import Error as DatabaseError
from django.http import Http404, HttpResponse, JsonResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe
from prometheus_client import REGISTRY, CollectorRegistry, generate_latest
from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4
from prometheus_client.metrics_core import GaugeMetricFamily
from prometheus_client.multiprocess import MultiProcessCollector

from fulfilment.read.running import Running, running

if TYPE_CHECKING:
    from collections.abc import Iterator

    from django.http import HttpRequest
    from prometheus_client import Metric

log = structlog.get_logger(__name__)

LATE_AFTER_S: Final = 900
BROKER_TIME_OUT_S: Final = 0.5


@require_safe
@never_cache
def live(request: HttpRequest) -> HttpResponse:
    """The process answers; nothing else is asked, so that an outage elsewhere never restarts it."""
    return JsonResponse({"status": "ok"})


@require_safe
@never_cache
def ready(request: HttpRequest) -> HttpResponse:
    """200 where requests can be served, 503 where the database is away.

    A broker that is away, work that waits too long or stands still make it ``degraded`` and no more: orders can still
    be taken, and taking the web server out of service would help nobody.
    """
    now = datetime.now(UTC)
    try:
        found = running(now=now)
    except DatabaseError as error:
        log.warning("not_ready", error=type(error).__name__)
        return JsonResponse({"status": "unavailable", "database": "away"}, status=503, headers={"Retry-After": "5"})
    broker = _broker()
    waits_s = _waits(found, now=now)
    good = broker in ("ok", "none") and waits_s <= LATE_AFTER_S and not found.jobs_parked
    return JsonResponse(
        {
            "status": "ok" if good else "degraded",
            "database": "ok",
            "broker": broker,
            "last_night": found.last_night,
            "oldest_due_at": found.oldest_due_at,
            "oldest_due_s": waits_s,
            "jobs_parked": found.jobs_parked,
        }
    )


@require_safe
@never_cache
def metrics(request: HttpRequest) -> HttpResponse:
    """Prometheus text: requests of all web processes, and what waits in the database."""
    if settings.METRICS_TOKEN:
        given = request.headers.get("Authorization", "")
        if not hmac.compare_digest(given.encode(), f"Bearer {settings.METRICS_TOKEN}".encode()):
            raise Http404
    elif not settings.LOCAL_ONLY:
        raise Http404
    requests: CollectorRegistry = REGISTRY
    if "PROMETHEUS_MULTIPROC_DIR" in os.environ:
        requests = CollectorRegistry()
        MultiProcessCollector(requests)  # type: ignore[no-untyped-call]  # the library leaves it bare
    waiting = CollectorRegistry()
    waiting.register(_Waiting(datetime.now(UTC)))
    return HttpResponse(generate_latest(requests) + generate_latest(waiting), content_type=CONTENT_TYPE_PLAIN_0_0_4)


class _Waiting:
    """The figures of ``running`` as gauges, read when asked."""

    def __init__(self, now: datetime) -> None:
        self.now = now

    def collect(self) -> Iterator[Metric]:
        try:
            found = running(now=self.now)
        except DatabaseError:
            yield GaugeMetricFamily("farm_database_up", "Whether the database answers.", value=0)
            return
        yield GaugeMetricFamily("farm_database_up", "Whether the database answers.", value=1)
        yield GaugeMetricFamily("farm_jobs_due", "Jobs that are due and not done.", value=found.jobs_due)
        yield GaugeMetricFamily("farm_jobs_parked", "Jobs given up until somebody looks.", value=found.jobs_parked)
        yield GaugeMetricFamily("farm_mails_due", "Mails that are due and not sent.", value=found.mails_due)
        yield GaugeMetricFamily(
            "farm_oldest_due_seconds", "How long the oldest due row waits.", value=_waits(found, now=self.now)
        )


def _waits(found: Running, *, now: datetime) -> int:
    return int((now - found.oldest_due_at).total_seconds()) if found.oldest_due_at else 0


def _broker() -> str:
    """``none``, ``ok``, ``away``, or ``evicts`` where a full Redis would drop messages instead of refusing them."""
    if not settings.REDIS_URL:
        return "none"
    import redis  # only where there is a broker

    try:
        with redis.Redis.from_url(
            settings.REDIS_URL,
            socket_timeout=BROKER_TIME_OUT_S,
            socket_connect_timeout=BROKER_TIME_OUT_S,
            retry=None,
        ) as client:
            policy = client.info("memory").get("maxmemory_policy")
    except redis.RedisError:
        return "away"
    return "ok" if policy == "noeviction" else "evicts"
