"""The one line each change leaves behind: what happened, to what, when, by whom.

Who asked to be told of it gets a message in the same commit: none is lost, and none goes out of what was taken back.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from django.db import transaction

from fulfilment import bell
from fulfilment.models import Buyer, Event, Kitchen, WebhookEndpoint, WebhookMessage
from fulfilment.read.webhooks import asking, receivers

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
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
    may_be_told: Iterable[WebhookEndpoint] | None = None,
) -> Event:
    """Write an event in the caller's transaction.

    ``kind`` is snake_case and past tense (``harvest_logged``); ``subject`` a public id or an ISO date; ``data`` holds
    numbers and public ids, never a name, an address or a sentence somebody typed.  ``may_be_told``: the endpoints
    that may see it, where they are read already.
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
    if told := receivers(event) if may_be_told is None else asking(event, may_be_told):
        WebhookMessage.objects.bulk_create(
            WebhookMessage(endpoint=endpoint, event=event, due_at=at, made_at=at) for endpoint in told
        )
        transaction.on_commit(bell.ring, robust=True)
    return event
