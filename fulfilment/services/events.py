"""The one line each change leaves behind: what happened, to what, when, by whom."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from fulfilment.models import Buyer, Event, Kitchen

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
    return Event.objects.create(
        kind=kind,
        subject=subject,
        kitchen=kitchen,
        buyer=buyer,
        data=dict(data or {}),
        at=at,
        by=by[:BY_LENGTH],
    )
