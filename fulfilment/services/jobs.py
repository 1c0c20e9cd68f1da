"""Asking for work to be done later or elsewhere, and what a worker does with the row that asks.

A job is due while ``planned < wanted``.  Asking again adds one to ``wanted`` in the asker's own transaction; a worker
stores the value it read before it began, so no earlier worker can take a later wish away.  Three steps:

1. ``claim`` takes due rows under a lease and counts an attempt, committed alone: a job that kills its worker is
   counted.
2. The caller computes, outside any transaction.
3. ``finish`` is called in the transaction that writes the effect, and tells whether the lease is still the caller's.

Jobs never tried before are claimed several at a time, one that was tried before always alone: a job that kills its
worker can then count against its neighbours once, never three times.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from django.db import connection, transaction
from django.db.models import F, Q

from fulfilment import bell
from fulfilment.core.problems import Conflict, Missing
from fulfilment.models import Job
from fulfilment.services import events

if TYPE_CHECKING:
    from collections.abc import Iterable

LEASE: Final = timedelta(minutes=15)
"""Longer than the longest job, a night of a large farm."""

MOST_ATTEMPTS: Final = 3
FIRST_PAUSE: Final = timedelta(seconds=30)
"""After the first failure; doubled after each further one."""

_ASK = """
INSERT INTO fulfilment_job (kind, subject, due_at, wanted, planned, attempts, lease, last_error)
VALUES (%s, %s, %s, 1, 0, 0, '', '')
ON CONFLICT (kind, subject) DO UPDATE SET
  wanted = fulfilment_job.wanted + 1,
  due_at = CASE WHEN fulfilment_job.planned < fulfilment_job.wanted AND fulfilment_job.due_at < excluded.due_at
           THEN fulfilment_job.due_at ELSE excluded.due_at END,
  done_at = NULL
"""

_ANY_DUE = """
SELECT 1 FROM fulfilment_job WHERE planned < wanted AND parked_at IS NULL AND due_at <= %s ORDER BY due_at LIMIT 1
"""
# In order, because PostgreSQL answers a bare "is there any" by reading the whole table, done jobs and all.


@dataclass(frozen=True, slots=True)
class Claim:
    """A job that this worker alone holds until ``until``; ``wanted`` is what it read before it began."""

    id: int
    kind: str
    subject: str
    due_at: datetime
    wanted: int
    attempts: int
    lease: str
    until: datetime


class NotYet(Exception):
    """Raised by whoever does a job: what it read has moved meanwhile; due again at ``due_at``, nothing counted."""

    def __init__(self, due_at: datetime) -> None:
        super().__init__(due_at)
        self.due_at = due_at


def add(kind: str, *, subject: str = "", due_at: datetime) -> None:
    """Ask for this work, in the caller's transaction; one row per kind and subject, due at the earliest time asked for.

    The bell is rung once the transaction has committed.  A parked job stays parked: only a person lets it run again.
    """
    with connection.cursor() as cursor:
        cursor.execute(_ASK, [kind, subject, connection.ops.adapt_datetimefield_value(due_at)])
    transaction.on_commit(bell.ring, robust=True)


def claim(kinds: Iterable[str], *, now: datetime, limit: int) -> list[Claim]:
    """Up to ``limit`` due jobs, oldest first, leased to the caller and committed; other workers pass over them.

    A job that has been begun three times and never ended is parked instead, with an event that says so.
    """
    due = Job.objects.filter(
        Q(lease="") | Q(lease_until__lte=now),
        kind__in=list(kinds),
        planned__lt=F("wanted"),
        parked_at__isnull=True,
        due_at__lte=now,
    ).order_by("due_at", "pk")
    if not _any_due(now):
        # Asked first, because a transaction on SQLite begins with the lock on the whole file.
        return []
    lease, until = secrets.token_hex(16), now + LEASE
    with transaction.atomic():
        rows = list(due.select_for_update(skip_locked=True, no_key=True)[:limit])
        for row in rows:
            if row.attempts >= MOST_ATTEMPTS:
                _park(row, now=now)
        live = [row for row in rows if row.attempts < MOST_ATTEMPTS]
        taken = live[:1] if live and live[0].attempts else [row for row in live if not row.attempts]
        if taken:
            Job.objects.filter(pk__in=[row.pk for row in taken]).update(
                lease=lease, lease_until=until, attempts=F("attempts") + 1
            )
    return [
        Claim(row.pk, row.kind, row.subject, row.due_at, row.wanted, row.attempts + 1, lease, until) for row in taken
    ]


def finish(claimed: Claim, *, now: datetime) -> bool:
    """In the transaction of the effect: the wish that was read is fulfilled.

    False where the lease is no longer the caller's: whoever has it now does the work, and this effect must not stand.
    """
    done = Job.objects.filter(pk=claimed.id, lease=claimed.lease, planned__lt=claimed.wanted).update(
        planned=claimed.wanted, attempts=0, lease="", lease_until=None, done_at=now, last_error=""
    )
    return done == 1


def put_back(claimed: Iterable[Claim], *, due_at: datetime | None = None) -> None:
    """These were not done though nothing went wrong: due again, the attempt not counted."""
    for one in claimed:
        Job.objects.filter(pk=one.id, lease=one.lease).update(
            lease="", lease_until=None, attempts=F("attempts") - 1, due_at=due_at or one.due_at
        )


def fail(claimed: Claim, *, error: str, now: datetime) -> None:
    """It went wrong: due again after a pause that doubles; the third time it is parked for a person."""
    with transaction.atomic():
        row = Job.objects.select_for_update(no_key=True).filter(pk=claimed.id, lease=claimed.lease).first()
        if row is None:
            return
        row.lease, row.lease_until, row.last_error = "", None, error[:300]
        row.due_at = now + FIRST_PAUSE * 2.0 ** (row.attempts - 1)
        row.save(update_fields=["lease", "lease_until", "last_error", "due_at"])
        if row.attempts >= MOST_ATTEMPTS:
            _park(row, now=now)


def retry(kind: str, *, subject: str = "", by: str, now: datetime) -> Job:
    """A person lets a parked job run again, with three fresh attempts."""
    with transaction.atomic():
        row = Job.objects.select_for_update(no_key=True).filter(kind=kind, subject=subject).first()
        if row is None:
            raise Missing(f"There is no {kind} job{f' for {subject}' if subject else ''}.")
        if row.parked_at is None:
            raise Conflict(f"This {kind} job is not parked: it runs by itself.", code="not_parked")
        row.parked_at, row.attempts, row.due_at, row.last_error = None, 0, now, ""
        row.save(update_fields=["parked_at", "attempts", "due_at", "last_error"])
        events.record("job_retried", subject=_about(row), by=by, at=now, data={"kind": kind})
        transaction.on_commit(bell.ring, robust=True)
    return row


def _any_due(now: datetime) -> bool:
    with connection.cursor() as cursor:
        cursor.execute(_ANY_DUE, [connection.ops.adapt_datetimefield_value(now)])
        return cursor.fetchone() is not None


def _park(row: Job, *, now: datetime) -> None:
    row.parked_at, row.lease, row.lease_until = now, "", None
    row.last_error = row.last_error or "Its worker ended each time before the job did."
    row.save(update_fields=["parked_at", "lease", "lease_until", "last_error"])
    events.record("job_parked", subject=_about(row), by="worker", at=now, data={"kind": row.kind, "job": row.pk})


def _about(row: Job) -> str:
    return (row.subject or row.kind)[:20]


def waits(kind: str, *, subject: str = "") -> bool:
    """Whether this work is asked for and not done, parked or not: asking again would only repeat it."""
    return Job.objects.filter(kind=kind, subject=subject, planned__lt=F("wanted")).exists()


def wanted(kind: str, *, subject: str = "") -> int:
    """How often this work has been asked for; read it before doing the work outside a job."""
    return Job.objects.filter(kind=kind, subject=subject).values_list("wanted", flat=True).first() or 0


def settle(kind: str, *, subject: str = "", wanted: int, now: datetime) -> None:
    """The work was done otherwise, as it had been asked for when ``wanted`` was read; later wishes stay due.

    A worker that is at it keeps its lease and finishes by itself.
    """
    Job.objects.filter(kind=kind, subject=subject, lease="", planned__lt=wanted, wanted__gte=wanted).update(
        planned=wanted, attempts=0, done_at=now
    )
