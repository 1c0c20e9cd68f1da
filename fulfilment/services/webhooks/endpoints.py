"""Endpoints as people set them up: made, changed, switched off and on, given another secret, tried, asked for more.

A secret is shown once, by whoever made it.  Another one is made in its place at any time; the old one goes on signing
beside it for a day, so that the program can be given the new one without a gap.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from django.conf import settings
from django.db import transaction

from fulfilment import bell
from fulfilment.core import destinations
from fulfilment.core.problems import Conflict, Invalid, Missing
from fulfilment.models import WebhookEndpoint, WebhookMessage, WebhookSecret
from fulfilment.read import webhook_kinds, webhooks
from fulfilment.read.scope import EVERYBODY
from fulfilment.services import events, given, rows
from fulfilment.services.webhooks.queue import KEPT, disable

if TYPE_CHECKING:
    from collections.abc import Iterable

    from django.db.models import QuerySet

    from fulfilment.models import Kitchen

MOST_ENDPOINTS: Final = 10
"""Of one kitchen, or of one scope."""
MOST_SECRETS: Final = 5
"""That sign at the same time: each is one more signature in the header."""
OLD_SIGNS: Final = timedelta(hours=24)
NOTE_LENGTH: Final = 60
BATCH: Final = 500


def add(
    address: str,
    *,
    scope: str,
    kitchen: Kitchen | None = None,
    kinds: Iterable[str],
    note: str = "",
    by: str,
    now: datetime,
) -> tuple[WebhookEndpoint, str]:
    """A new endpoint and its secret, which nobody can show again."""
    if scope not in EVERYBODY:
        raise Invalid(
            f"An endpoint sees what a key of one scope sees: {', '.join(sorted(EVERYBODY))}.",
            where="scope",
        )
    if (scope == "kitchen") != (kitchen is not None):
        raise Invalid("A kitchen’s endpoint names its kitchen, and no other does.", where="kitchen")
    checked = _checked(address)
    wanted = _kinds(kinds, scope=scope)
    with transaction.atomic():
        if WebhookEndpoint.objects.filter(scope=scope, kitchen=kitchen).count() >= MOST_ENDPOINTS:
            raise Conflict(
                f"There are {MOST_ENDPOINTS} endpoints already: change one of them instead.",
                code="too_many_endpoints",
                where="address",
            )
        made = WebhookEndpoint.objects.create(
            scope=scope, kitchen=kitchen, address=checked, kinds=wanted,
            note=given.text(note, where="note", at_most=NOTE_LENGTH, required=False),
            served_at=now, rests_until=now, made_at=now,
        )  # fmt: skip
        secret = _new_secret(made, now=now)
        events.record(
            "webhook_endpoint_added", subject=made.public_id, by=by, at=now, kitchen=kitchen, data={"kinds": wanted}
        )
    return made, secret


def change(
    endpoint: str,
    *,
    address: str | None = None,
    kinds: Iterable[str] | None = None,
    note: str | None = None,
    enabled: bool | None = None,
    by: str,
    now: datetime,
) -> WebhookEndpoint:
    """Other terms from now on; what is not named stays.

    Switched off, what waits is dropped; switched on, messages go from then on.  What was missed is had by
    :func:`replay`.
    """
    with transaction.atomic():
        row = rows.lock(WebhookEndpoint, endpoint)
        before = (row.address, list(row.kinds), row.note, row.state)
        if address is not None:
            row.address = _checked(address)
        if kinds is not None:
            row.kinds = _kinds(kinds, scope=row.scope)
        if note is not None:
            row.note = given.text(note, where="note", at_most=NOTE_LENGTH, required=False)
        if enabled is not None and enabled != (row.state == WebhookEndpoint.State.ENABLED):
            _enable(row, now=now) if enabled else disable(row, why=WebhookEndpoint.Why.ASKED, now=now)
        after = (row.address, list(row.kinds), row.note, row.state)
        changed = [
            name
            for name, old, new in zip(("address", "kinds", "note", "state"), before, after, strict=True)
            if old != new
        ]
        if changed:
            row.version += 1
            row.save()
            events.record(
                "webhook_endpoint_changed", subject=row.public_id, by=by, at=now, kitchen=row.kitchen,
                data={"changed": changed, "state": row.state},
            )  # fmt: skip
    return row


def rotate(endpoint: str, *, old_signs: timedelta = OLD_SIGNS, by: str, now: datetime) -> tuple[WebhookEndpoint, str]:
    """A new secret; those before it sign beside it for ``old_signs`` (up to a day; at once over where it leaked)."""
    if not timedelta(0) <= old_signs <= OLD_SIGNS:
        raise Invalid("The old secret goes on signing for 0 to 24 hours.", where="old_signs_h")
    with transaction.atomic():
        row = rows.lock(WebhookEndpoint, endpoint)
        ends = now + old_signs
        live = [each for each in row.secrets.order_by("pk") if each.ends_at is None or each.ends_at > now]
        if old_signs and len(live) >= MOST_SECRETS:
            raise Conflict(
                f"{MOST_SECRETS} secrets sign already: wait until the oldest has ended, or end them now with "
                "old_signs_h 0.",
                code="too_many_secrets",
                where="old_signs_h",
            )
        for each in live:
            each.ends_at = ends if each.ends_at is None else min(each.ends_at, ends)
            each.save(update_fields=["ends_at"])
        secret = _new_secret(row, now=now)
        events.record("webhook_secret_rotated", subject=row.public_id, by=by, at=now, kitchen=row.kitchen)
    return row, secret


def ping(endpoint: str, *, by: str, now: datetime) -> WebhookMessage:
    """A message that says nothing, to see whether it arrives."""
    with transaction.atomic():
        row = _enabled(endpoint)
        event = events.record("webhook_pinged", subject=row.public_id, by=by, at=now, kitchen=row.kitchen)
        made = WebhookMessage.objects.create(endpoint=row, event=event, due_at=now, made_at=now)
        _wake(row, now=now)
    return made


def replay(endpoint: str, *, message: str = "", since: datetime | None = None, by: str, now: datetime) -> int:
    """Post again: one message by its id, or everything since an instant, also what happened while it was switched off.

    Each keeps its id, so that a program that had it before can tell.  How many are posted.
    """
    if bool(message) == (since is not None):
        raise Invalid("Say one of the two: message, or since.", code="one_of_two", where="message")
    if since is not None and not now - KEPT <= since <= now:
        raise Invalid(f"Messages are kept for {KEPT.days} days: say an instant within them.", where="since")
    with transaction.atomic():
        row = _enabled(endpoint)
        count = _all_since(row, since, now=now) if since is not None else _one_again(row, message, now=now)
        _wake(row, now=now)
        events.record(
            "webhook_replayed", subject=row.public_id, by=by, at=now, kitchen=row.kitchen, data={"messages": count}
        )
    return count


def _enable(row: WebhookEndpoint, *, now: datetime) -> None:
    if not webhooks.live_secrets(row, now=now):
        raise Conflict("No secret of this endpoint can sign any more: make a new one first.", code="no_live_secret")
    row.state, row.why_disabled, row.disabled_at = WebhookEndpoint.State.ENABLED, "", None
    row.failing_since, row.failures, row.rests_until = None, 0, now


def _enabled(endpoint: str) -> WebhookEndpoint:
    row = rows.lock(WebhookEndpoint, endpoint)
    if row.state != WebhookEndpoint.State.ENABLED:
        raise Conflict("This endpoint is switched off: switch it on first.", code="endpoint_disabled")
    return row


def _wake(row: WebhookEndpoint, *, now: datetime) -> None:
    """Somebody waits for it: no rest after earlier failures."""
    WebhookEndpoint.objects.filter(pk=row.pk, rests_until__gt=now).update(rests_until=now)
    transaction.on_commit(bell.ring, robust=True)


def _one_again(row: WebhookEndpoint, message: str, *, now: datetime) -> int:
    found = _again(row.messages.filter(message_id=message), now=now)
    if not found:
        raise Missing("This endpoint has no such message.", where="message")
    return found


def _again(messages: QuerySet[WebhookMessage], *, now: datetime) -> int:
    return messages.update(state=WebhookMessage.State.WAITING, due_at=now, tries=0, delivered_at=None)


def _all_since(row: WebhookEndpoint, since: datetime, *, now: datetime) -> int:
    """Messages there are become due, those that were never made are made; by events, oldest first."""
    wanted = webhooks.events_of(row).filter(at__gte=since).order_by("pk").values_list("pk", flat=True)
    pks = list(wanted)
    for first in range(0, len(pks), BATCH):
        some = pks[first : first + BATCH]
        there = set(row.messages.filter(event__in=some).values_list("event_id", flat=True))
        WebhookMessage.objects.bulk_create(
            WebhookMessage(endpoint=row, event_id=pk, due_at=now, made_at=now) for pk in some if pk not in there
        )
        _again(row.messages.filter(event__in=there), now=now)
    return len(pks)


def _new_secret(row: WebhookEndpoint, *, now: datetime) -> str:
    return webhooks.secret(WebhookSecret.objects.create(endpoint=row, key=webhooks.key_name(), made_at=now))


def _checked(address: str) -> str:
    return str(destinations.parse(address, loopback=settings.WEBHOOKS_TO_LOOPBACK))


def _kinds(kinds: Iterable[str], *, scope: str) -> list[str]:
    asked, may = list(dict.fromkeys(kinds)), webhook_kinds.offered(scope)
    if not asked:
        raise Invalid("Say at least one kind of event.", where="kinds")
    for place, name in enumerate(asked):
        if name not in may:
            raise Invalid(
                f"{name[:40]!r} is no kind that this endpoint may ask for: {', '.join(may)}.", code="unknown_kind",
                where=f"kinds.{place}",
            )  # fmt: skip
    return [name for name in may if name in asked]
