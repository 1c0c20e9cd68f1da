"""The one Celery task: somebody rang, so drain what is due."""

from __future__ import annotations

from datetime import UTC, datetime

from celery import shared_task

from fulfilment import work


@shared_task(name="fulfilment.tasks.ring", ignore_result=True)
def ring() -> None:
    """Do what is due now."""
    work.drain(now=datetime.now(UTC))
