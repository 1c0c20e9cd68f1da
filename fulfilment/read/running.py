"""How the house itself is running: what waits, what stands still, which night was the last."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.db.models import Count, F, Min

from fulfilment.models import Job, Mail, Night

if TYPE_CHECKING:
    from datetime import date, datetime


@dataclass(frozen=True, slots=True)
class Running:
    jobs_due: int
    jobs_parked: int
    mails_due: int
    oldest_due_at: datetime | None
    last_night: date | None


def running(*, now: datetime) -> Running:
    """Four indexed reads; raises what the database raises where it is away."""
    open_jobs = Job.objects.filter(planned__lt=F("wanted"))
    jobs = open_jobs.filter(parked_at__isnull=True, due_at__lte=now).aggregate(n=Count("pk"), oldest=Min("due_at"))
    mails = Mail.objects.filter(
        state__in=[Mail.State.PLANNED, Mail.State.SENDING, Mail.State.UNKNOWN], due_at__lte=now
    ).aggregate(n=Count("pk"), oldest=Min("due_at"))
    oldest = [found["oldest"] for found in (jobs, mails) if found["oldest"] is not None]
    return Running(
        jobs_due=jobs["n"],
        jobs_parked=open_jobs.filter(parked_at__isnull=False).count(),
        mails_due=mails["n"],
        oldest_due_at=min(oldest, default=None),
        last_night=Night.objects.filter(done_at__isnull=False).order_by("-on").values_list("on", flat=True).first(),
    )
