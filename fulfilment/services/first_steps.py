"""What a new farm's first steps write that no other noun does."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db import transaction

from fulfilment.models import Event
from fulfilment.read.farm import farm
from fulfilment.services import events
from fulfilment.services.farm import SUBJECT

if TYPE_CHECKING:
    from datetime import datetime


def confirm_delivery_days(*, by: str, now: datetime) -> None:
    """Somebody looked at delivery days and cut-off and they are right as they stand; said twice it is written once."""
    farm()
    with transaction.atomic():
        if not Event.objects.filter(kind="delivery_days_looked_at").exists():
            events.record("delivery_days_looked_at", subject=SUBJECT, by=by, at=now)
