"""Who is told of an event, what a secret is, and what an endpoint's owner may look at."""

from __future__ import annotations

import base64
import json
import secrets
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final

from django.conf import settings
from django.db.models import Q
from django.utils.crypto import salted_hmac

from fulfilment.models import Event, WebhookEndpoint
from fulfilment.read.scope import STAFF, Actor, visible
from fulfilment.read.webhook_kinds import KINDS, OF_EVENT, body

if TYPE_CHECKING:
    from django.db.models import QuerySet

    from fulfilment.models import WebhookSecret

WHY_DISABLED: Final[Mapping[str, str]] = {
    "asked": "Somebody switched it off.",
    "gone": "It answered 410: nothing more is wanted there.",
    "failing": "It has accepted nothing for three days.",
    "unsigned": "What we sign with has changed at our end: it needs a new secret before it is switched on again.",
}

PREFIX: Final = "whsec_"
_SALTS: Final = ("fulfilment.webhook.secret", "fulfilment.webhook.key")
"""So that what is made of the installation's key for one purpose is nothing for another."""


# ---- What goes out ---------------------------------------------------------------------------------------------------


class Outcome(StrEnum):
    """How a try went."""

    DELIVERED = "delivered"
    REFUSED = "refused"
    """A status that is neither success nor any below."""
    REDIRECTED = "redirected"
    GONE = "gone"
    """410: nothing more is wanted."""
    THROTTLED = "throttled"
    """429, 502, 503, 504."""
    TIMED_OUT = "timed_out"
    UNREACHABLE = "unreachable"
    TLS_FAILED = "tls_failed"
    """No certificate for this name that anybody vouches for, or no TLS at all."""
    UNSAFE_ADDRESS = "unsafe_address"
    """It leads to somewhere inside a network."""
    NOT_HTTP = "not_http"


@dataclass(frozen=True, slots=True)
class Post:
    """One message of a turn; ``tries`` counts this one."""

    pk: int
    message_id: str
    tries: int
    body: str


@dataclass(frozen=True, slots=True)
class Turn:
    """What a worker alone posts to one endpoint before ``until``; ``secrets`` sign, the newest first."""

    endpoint: int
    public_id: str
    address: str
    secrets: tuple[str, ...]
    posts: tuple[Post, ...]
    lease: str = field(repr=False)
    until: datetime


@dataclass(frozen=True, slots=True)
class Result:
    """How the talk about one post went; ``retry_after`` is what the endpoint asked for."""

    post: Post
    outcome: Outcome
    status: int | None
    took: timedelta
    retry_after: timedelta | None = None


def written(event: Event) -> str:
    """The message of an event as it is signed and sent."""
    return json.dumps(body(event), separators=(",", ":"), ensure_ascii=False)


# ---- Whom it concerns -----------------------------------------------------------------------------------------------


def receivers(event: Event) -> list[WebhookEndpoint]:
    """The endpoints that asked for this event and may see it."""
    kitchens = [] if event.kitchen_id is None else [event.kitchen_id]
    return asking(event, may_be_told(event.kind, kitchens=kitchens, buyers=event.buyer_id is not None))


def may_be_told(kind: str, *, kitchens: Any, buyers: bool) -> QuerySet[WebhookEndpoint]:
    """The endpoints that may see an event of this kind about one of these kitchens, or about a buyer."""
    known = OF_EVENT.get(kind)
    if known is None or not known.scopes:
        return WebhookEndpoint.objects.none()
    may = Q(scope__in=known.scopes if known.known else known.scopes & STAFF)
    if "shop" in known.scopes and buyers:
        may |= Q(scope="shop")
    if "kitchen" in known.scopes:
        may |= Q(kitchen__in=kitchens)
    return WebhookEndpoint.objects.filter(may, state=WebhookEndpoint.State.ENABLED).only("kinds")


def asking(event: Event, endpoints: Iterable[WebhookEndpoint]) -> list[WebhookEndpoint]:
    """Those of them that asked for it."""
    kind = OF_EVENT.get(event.kind)
    return [] if kind is None else [endpoint for endpoint in endpoints if kind.name in endpoint.kinds]


def events_of(endpoint: WebhookEndpoint) -> QuerySet[Event]:
    """All events that this endpoint asks for now and may see: :func:`receivers` asked the other way round."""
    wanted = [KINDS[name] for name in endpoint.kinds if name in KINDS and endpoint.scope in KINDS[name].scopes]
    sees = visible(Event, Actor("webhook", frozenset({endpoint.scope}), endpoint.kitchen_id))
    own = sees.filter(kind__in=[event for kind in wanted if not kind.known for event in kind.events])
    return own | Event.objects.filter(kind__in=[event for kind in wanted if kind.known for event in kind.events])


# ---- Secrets --------------------------------------------------------------------------------------------------------


def key_name() -> str:
    """Which of the installation's keys secrets are made from now; a fingerprint, from which no key can be found."""
    return _named(settings.SECRET_KEY)


def secret(made: WebhookSecret) -> str:
    """``whsec_…`` of 32 bytes; empty where the key it was made from is no longer the installation's.

    It is made anew each time, from the installation's key and the row's salt, so that a copy of the database alone
    signs nothing.
    """
    for key in (settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS):
        if secrets.compare_digest(_named(key), made.key):
            found = salted_hmac(_SALTS[0], made.salt, secret=key, algorithm="sha256").digest()
            return PREFIX + base64.b64encode(found).decode()
    return ""


def live_secrets(endpoint: WebhookEndpoint, *, now: datetime) -> list[str]:
    """Those that sign at this moment, the newest first."""
    rows = [row for row in endpoint.secrets.all() if row.ends_at is None or row.ends_at > now]
    found = [secret(row) for row in sorted(rows, key=lambda row: -row.pk)]
    return [each for each in found if each]


def _named(key: str) -> str:
    return salted_hmac(_SALTS[1], "", secret=key, algorithm="sha256").hexdigest()[:16]
