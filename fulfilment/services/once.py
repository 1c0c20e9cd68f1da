"""Doing what a request asks for once, however often it is sent.

The idempotency record, the effect and the answer are one commit.  The record is inserted first: a rival with the same
key waits on it, up to two seconds, and then gets the answer that was stored.  The action runs in a savepoint, so that a
refusal takes its effects back and is itself stored; whatever breaks stores nothing and may be sent again.

The answer's body is kept as bytes, since a database may reorder what it takes for JSON, and must hold ids instead of
personal data: it outlives an erasure.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from django.db import IntegrityError, OperationalError, connection, transaction

from fulfilment.core.problems import Conflict, Invalid
from fulfilment.models import Once

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import datetime

WAIT_MS: Final = 2000
LOCK_NOT_AVAILABLE: Final = "55P03"

_BEGIN = """
INSERT INTO fulfilment_once (owner, key, fingerprint, headers, body, made_at)
VALUES (%s, %s, %s, '{}', %s, %s) ON CONFLICT (owner, key) DO NOTHING
"""


@dataclass(frozen=True, slots=True)
class Answer:
    """What the asker gets, now and at every repetition."""

    status: int
    body: bytes
    headers: Mapping[str, str] = field(default_factory=dict)


class Refused(Exception):
    """Raised by an action: its effects are taken back, ``answer`` (a 4xx) is stored and given."""

    def __init__(self, answer: Answer) -> None:
        super().__init__(answer.status)
        self.answer = answer


def perform(owner: str, *, key: str, fingerprint: str, action: Callable[[], Answer], now: datetime) -> Answer:
    """Run ``action`` unless ``owner`` has sent ``key`` before; then its stored answer.

    Raises :class:`Invalid` (``key_reused``) where the same key came with another ``fingerprint``, :class:`Conflict`
    (``in_progress``) where the first is still running, :class:`Invalid` (``unknown_reference``) where the effect names
    a row that does not exist, and whatever breaks in the action.
    """
    whole = False
    try:
        with transaction.atomic(durable=True):
            if not _begin(owner, key=key, fingerprint=fingerprint, now=now):
                return _stored(owner, key=key, fingerprint=fingerprint)
            try:
                with transaction.atomic():
                    answer = action()
            except Refused as refused:
                answer = refused.answer
            Once.objects.filter(owner=owner, key=key).update(
                status=answer.status, headers=dict(answer.headers), body=answer.body
            )
            whole = True
    except OperationalError as error:
        if not whole and getattr(error.__cause__, "sqlstate", "") == LOCK_NOT_AVAILABLE:
            raise Conflict(
                "The first request with this key is still running: send the same one again in a moment.",
                code="in_progress",
            ) from error
        raise
    except IntegrityError as error:
        # Foreign keys are looked at when all is written; everything else was refused on the spot.
        if whole:
            raise Invalid("This refers to something that does not exist.", code="unknown_reference") from error
        raise
    return answer


def forget(*, before: datetime) -> int:
    """Remove records made before this instant; their keys are then free again."""
    return Once.objects.filter(made_at__lt=before).delete()[0]


def _begin(owner: str, *, key: str, fingerprint: str, now: datetime) -> bool:
    values = [owner, key, fingerprint, b"", connection.ops.adapt_datetimefield_value(now)]
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(f"SET LOCAL lock_timeout = {WAIT_MS}")
        cursor.execute(_BEGIN, values)
        begun: bool = cursor.rowcount == 1
        if connection.vendor == "postgresql":
            cursor.execute("SET LOCAL lock_timeout = 0")
    return begun


def _stored(owner: str, *, key: str, fingerprint: str) -> Answer:
    record = Once.objects.get(owner=owner, key=key)
    if record.fingerprint != fingerprint:
        raise Invalid(
            "This Idempotency-Key was used for another request: a new request needs a key of its own.",
            code="key_reused",
        )
    assert record.status is not None, "a record is committed together with its answer"
    return Answer(record.status, bytes(record.body), record.headers)
