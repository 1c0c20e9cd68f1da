"""The queue of messages to other programs: claimed in turns, settled when the talk is over.

The message's row is the queue; it was written in the commit of its event.  A *turn* is what one worker posts to one
endpoint before it goes on to the others: up to :data:`A_TURN` messages, oldest first.  Three steps:

1. :func:`claim` leases endpoints that have something due, those served longest ago first, and counts a try for each
   message, committed alone: a post that kills its worker is counted.
2. The caller posts, outside any transaction, to several endpoints at once and to each one message after another; the
   first failure ends the turn.
3. :func:`settle` writes how it went, only while the lease is still the caller's.  A worker that dies leaves its
   messages waiting: once the lease has run out they are posted again under the same id.

What keeps one endpoint from taking the others' time: one worker at a time posts to it; after a slow turn it rests four
times as long as the turn took, after a failure longer each time.  Each message is tried along :data:`SCHEDULE`; where
nothing was accepted for :data:`FAILING_FOR` the endpoint is switched off and its owner told.

Source of the schedule and of what each status means: Standard Webhooks 1.0.0, "Operational considerations".
"""

from __future__ import annotations

import secrets
from datetime import datetime, timedelta
from hashlib import sha256
from typing import TYPE_CHECKING, Final

import structlog
from django.db import transaction
from django.db.models import Exists, F, OuterRef, Q

from fulfilment.models import WebhookEndpoint, WebhookMessage, WebhookTry
from fulfilment.read import webhooks
from fulfilment.read.webhooks import Outcome, Post, Turn
from fulfilment.services import events, mails

if TYPE_CHECKING:
    from collections.abc import Sequence

    from django.db.models import QuerySet

    from fulfilment.read.webhooks import Result

log = structlog.get_logger(__name__)

SCHEDULE: Final = (
    timedelta(0), timedelta(seconds=5), timedelta(minutes=5), timedelta(minutes=30), timedelta(hours=2),
    timedelta(hours=5), timedelta(hours=10), timedelta(hours=14), timedelta(hours=20), timedelta(hours=24),
)  # fmt: skip
"""The pause before the first try, the second, …; 75 h 35 min from the first to the last, without jitter."""
JITTER: Final = 0.2
"""The largest part by which a pause is longer than the schedule says."""
LATEST: Final = timedelta(hours=24)
"""For how long an endpoint's own ``Retry-After`` is heeded."""

A_TURN: Final = 50
AT_ONCE: Final = 8
LEASE: Final = timedelta(minutes=5)
"""Several times as long as the longest turn."""
QUICK: Final = timedelta(seconds=2)
REST: Final = 4
"""Times what a turn took that was not quick: such an endpoint has at most a fifth of a worker's time."""
FIRST_REST: Final = timedelta(seconds=5)
LONGEST_REST: Final = timedelta(minutes=5)
FAILING_FOR: Final = timedelta(days=3)
KEPT: Final = timedelta(days=30)
"""For so long messages and tries can be looked at and replayed."""


def claim(*, now: datetime) -> list[Turn]:
    """Up to :data:`AT_ONCE` turns, leased to the caller and committed; other workers pass over their endpoints."""
    due = _due(now)
    if not due.exists():
        # Asked first, because a transaction on SQLite begins with the lock on the whole file.
        return []
    until = now + LEASE
    turns: list[Turn] = []
    with transaction.atomic():
        for row in list(due.order_by("served_at", "pk").select_for_update(skip_locked=True, no_key=True)[:AT_ONCE]):
            posts = _posts(row, now=now)
            if not posts:
                continue
            signs = tuple(webhooks.live_secrets(row, now=now))
            if not signs:
                _switch_off(row, why=WebhookEndpoint.Why.UNSIGNED, now=now)
                continue
            lease = secrets.token_hex(16)
            WebhookMessage.objects.filter(pk__in=[post.pk for post in posts]).update(tries=F("tries") + 1)
            WebhookEndpoint.objects.filter(pk=row.pk).update(lease=lease, lease_until=until)
            turns.append(Turn(row.pk, row.public_id, row.address, signs, posts, lease, until))
    return turns


def settle(turn: Turn, results: Sequence[Result], *, now: datetime) -> bool:
    """Write how a turn went; False where the lease ran out meanwhile and somebody else has the endpoint.

    Posts that are not among ``results`` were not talked about: their try is not counted.
    """
    with transaction.atomic():
        row = WebhookEndpoint.objects.select_for_update(no_key=True).filter(pk=turn.endpoint, lease=turn.lease).first()
        if row is None:
            log.warning("webhook_turn_overtaken", endpoint=turn.public_id)
            return False
        WebhookTry.objects.bulk_create(
            WebhookTry(
                message_id=each.post.pk, endpoint_id=row.pk, at=now, outcome=each.outcome.value, status=each.status,
                took_ms=round(each.took.total_seconds() * 1000),
            )
            for each in results
        )  # fmt: skip
        for each in results:
            _mark(each, now=now)
        untouched = {post.pk for post in turn.posts} - {each.post.pk for each in results}
        WebhookMessage.objects.filter(pk__in=untouched, tries__gt=0).update(tries=F("tries") - 1)
        row.lease, row.lease_until, row.served_at = "", None, now
        if rest := _rest(row, results, now=now):
            row.rests_until = now + rest
        row.save(update_fields=["lease", "lease_until", "served_at", "rests_until", "failing_since", "failures"])
        _look_at(row, results, now=now)
    return True


def forget(*, before: datetime) -> int:
    """Remove messages, with their tries, that were made before this instant and are settled; how many."""
    old = WebhookMessage.objects.filter(made_at__lt=before).exclude(state=WebhookMessage.State.WAITING)
    return old.delete()[1].get("fulfilment.WebhookMessage", 0)


def disable(row: WebhookEndpoint, *, why: WebhookEndpoint.Why, now: datetime) -> None:
    """Nothing more is posted to a locked endpoint; the caller saves it and writes the event."""
    row.state, row.why_disabled, row.disabled_at = WebhookEndpoint.State.DISABLED, why, now
    row.messages.filter(state=WebhookMessage.State.WAITING).update(state=WebhookMessage.State.DROPPED)


def pause(message_id: str, *, tries: int) -> timedelta | None:
    """How long to wait after so many tries that failed; None where that was the last.

    The jitter is the message's own, so that it can be told and tests need no luck.
    """
    if tries >= len(SCHEDULE):
        return None
    drawn = int.from_bytes(sha256(f"{message_id}:{tries}".encode()).digest()[:4]) / 2**32
    return SCHEDULE[tries] * (1 + JITTER * drawn)


def _due(now: datetime) -> QuerySet[WebhookEndpoint]:
    """Enabled endpoints with something due that nobody is posting to and that need no rest: one look into the index of
    waiting messages for each endpoint, however many messages there are.
    """
    waiting = WebhookMessage.objects.filter(
        endpoint=OuterRef("pk"), state=WebhookMessage.State.WAITING, due_at__lte=now
    )
    return WebhookEndpoint.objects.filter(
        Exists(waiting),
        Q(lease="") | Q(lease_until__lte=now),
        state=WebhookEndpoint.State.ENABLED,
        rests_until__lte=now,
    )


def _posts(row: WebhookEndpoint, *, now: datetime) -> tuple[Post, ...]:
    found = (
        row.messages.filter(state=WebhookMessage.State.WAITING, due_at__lte=now)
        .select_related("event")
        .order_by("due_at", "event_id")[:A_TURN]
    )
    return tuple(Post(each.pk, each.message_id, each.tries + 1, webhooks.written(each.event)) for each in found)


def _mark(result: Result, *, now: datetime) -> None:
    message = WebhookMessage.objects.filter(pk=result.post.pk, state=WebhookMessage.State.WAITING)
    if result.outcome is Outcome.DELIVERED:
        message.update(state=WebhookMessage.State.DELIVERED, delivered_at=now)
        return
    wait = pause(result.post.message_id, tries=result.post.tries)
    if wait is None:
        message.update(state=WebhookMessage.State.FAILED)
    else:
        message.update(due_at=now + max(wait, min(result.retry_after or timedelta(0), LATEST)))


def _rest(row: WebhookEndpoint, results: Sequence[Result], *, now: datetime) -> timedelta:
    """How long the endpoint is left alone; counts its failures on the way."""
    took = sum((each.took for each in results), timedelta(0))
    spent = REST * took if took > QUICK else timedelta(0)
    for each in results:
        if each.outcome is Outcome.DELIVERED:
            row.failing_since, row.failures = None, 0
        else:
            row.failing_since, row.failures = row.failing_since or now, row.failures + 1
    if not row.failures:
        return spent
    asked = max((each.retry_after or timedelta(0) for each in results), default=timedelta(0))
    return max(spent, min(FIRST_REST * 2.0 ** min(row.failures - 1, 10), LONGEST_REST), min(asked, LATEST))


def _look_at(row: WebhookEndpoint, results: Sequence[Result], *, now: datetime) -> None:
    """Whether this endpoint is to be posted to at all from now on."""
    if row.state != WebhookEndpoint.State.ENABLED:
        return
    if any(each.outcome is Outcome.GONE for each in results):
        _switch_off(row, why=WebhookEndpoint.Why.GONE, now=now)
    elif row.failing_since is not None and now - row.failing_since >= FAILING_FOR:
        _switch_off(row, why=WebhookEndpoint.Why.FAILING, now=now)


def _switch_off(row: WebhookEndpoint, *, why: WebhookEndpoint.Why, now: datetime) -> None:
    """Not by a person: the owner is told, or the farm's own people where it is the shop's or theirs."""
    disable(row, why=why, now=now)
    row.version += 1
    row.save(update_fields=["state", "why_disabled", "disabled_at", "version"])
    events.record(
        "webhook_disabled", subject=row.public_id, by="worker", at=now, kitchen=row.kitchen, data={"why": why.value}
    )
    mails.queue(
        "webhook_disabled", kitchen=row.kitchen, to_staff=row.kitchen is None,
        subject={"endpoint": row.public_id, "why": why.value}, once=f"webhook_disabled:{row.public_id}:{row.version}",
        now=now,
    )  # fmt: skip
