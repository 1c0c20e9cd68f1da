"""The one line each change leaves behind: what happened, to what, when, by whom.

Who asked to be told of it gets a message in the same commit: none is lost, and none goes out of what was taken back.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from django.db import transaction

from fulfilment import bell
from fulfilment.models import Buyer, Event, Kitchen, WebhookMessage
from fulfilment.read.webhooks import receivers

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

BY_LENGTH: Final = 40


def record(
    kind: str,
    *,
    subject: str,
    by: str,
    at: datetime,
    data: Mapping[str, object] | None = None,
    kitchen: Kitchen | None = None,
    buyer: Buyer | None = None,
) -> Event:
    """Write an event in the caller's transaction.

    ``kind`` is snake_case and past tense (``harvest_logged``); ``subject`` a public id or an ISO date; ``data`` holds
    numbers and public ids, never a name, an address or a sentence somebody typed.
    """
    event = Event.objects.create(
        kind=kind,
        subject=subject,
        kitchen=kitchen,
        buyer=buyer,
        data=dict(data or {}),
        at=at,
        by=by[:BY_LENGTH],
    )
    if told := receivers(event):
        WebhookMessage.objects.bulk_create(
            WebhookMessage(endpoint=endpoint, event=event, due_at=at, made_at=at) for endpoint in told
        )
        transaction.on_commit(bell.ring, robust=True)
    return event
