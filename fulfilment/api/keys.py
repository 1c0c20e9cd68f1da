"""Who asks: bearer keys, and the scopes they must have.

Keys are stored hashed and found by their prefix.  A key's last use is counted aside: remembered here, and written the
next time this process writes anything, since a GET never does.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from threading import Lock
from typing import TYPE_CHECKING, Any, Final

from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework.authentication import BaseAuthentication
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.permissions import BasePermission

from fulfilment.models import ApiKey
from fulfilment.read.keys import KeyTold, key_of
from fulfilment.read.scope import Actor, require
from fulfilment.services import keys

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rest_framework.request import Request
    from rest_framework.views import APIView

PREFIX_LENGTH: Final = 8
LONGEST: Final = 100
# Whether a key exists, has ended or was mistyped is nobody's business: one sentence for all.
_hashes: Final = ApiKey.objects.key_generator
WRONG: Final = "This key is not valid: it may have ended, or been copied incompletely."


class Asker:
    """What the REST framework calls the user: an actor with a key."""

    is_authenticated = True
    is_active = True

    def __init__(self, actor: Actor) -> None:
        self.actor = actor

    def __str__(self) -> str:
        return self.actor.name


class BearerKeys(BaseAuthentication):
    """``Authorization: Bearer <key>``."""

    def authenticate(self, request: Request) -> tuple[Asker, KeyTold] | None:
        scheme, _, secret = request.headers.get("Authorization", "").strip().partition(" ")
        if not scheme:
            return None
        if scheme.lower() != "bearer" or not secret.strip():
            raise AuthenticationFailed("Send the key as: Authorization: Bearer <key>.")
        key = _genuine(secret.strip(), now=datetime.now(UTC))
        uses.note(key.prefix)
        actor = Actor(f"key:{key.prefix}", frozenset(key.scopes), key.kitchen_id, key.kitchen or "")
        return Asker(actor), key

    def authenticate_header(self, request: Request) -> str:
        return "Bearer"


class Scoped(BasePermission):
    """The view says which scopes each method takes (``scopes = {"GET": …}``); a method it does not name takes none."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        asker: object = request.user
        if not isinstance(asker, Asker):
            return False
        scopes: Mapping[str, frozenset[str]] = getattr(view, "scopes", {})
        wanted = scopes.get("GET" if request.method == "HEAD" else request.method or "")
        if wanted is not None:
            require(asker.actor, wanted)
        # Where it is None the framework's answer is 405, which is right for everybody.
        return True


class BearerScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]  # the library registers subclasses
    """How the schema tells of the keys."""

    target_class = "fulfilment.api.keys.BearerKeys"
    name = "key"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        return {"type": "http", "scheme": "bearer"}


class Uses:
    """Which keys were used since the last write of this process."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._noted: set[str] = set()
        self._written: tuple[date | None, set[str]] = (None, set())

    def note(self, prefix: str) -> None:
        with self._lock:
            self._noted.add(prefix)

    def write(self, *, on: date) -> None:
        """Once a key and day, after the caller's own transaction."""
        with self._lock:
            if self._written[0] != on:
                self._written = (on, set())
            fresh = self._noted - self._written[1]
            self._noted.clear()
            self._written[1].update(fresh)
        if fresh:
            keys.used(fresh, on=on)


uses = Uses()


def actor_of(request: Request) -> Actor:
    """Who asks; the permission has made sure that there is one."""
    asker: object = request.user
    assert isinstance(asker, Asker)
    return asker.actor


def _genuine(secret: str, *, now: datetime) -> KeyTold:
    prefix = secret.partition(".")[0]
    if len(secret) > LONGEST or not secret.isascii() or len(prefix) != PREFIX_LENGTH or "\0" in secret:
        raise AuthenticationFailed(WRONG)
    key = key_of(prefix)
    if key is None or not _hashes.verify(secret, key.hashed_key) or not keys.works(key, now=now):
        raise AuthenticationFailed(WRONG)
    return key
