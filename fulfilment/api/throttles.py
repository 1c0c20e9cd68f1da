"""How often somebody may ask: so many requests a minute, then 429 with ``Retry-After`` until the minute is over.

Counts are kept in the cache, which is each process's own unless ``CACHE_URL`` names a shared one: what is meant is to
stop a loop that went wrong and the guessing of codes, not to bill.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, ClassVar, Final

from django.conf import settings
from django.core.cache import cache
from rest_framework.throttling import BaseThrottle

from fulfilment.api.keys import Asker

if TYPE_CHECKING:
    from rest_framework.request import Request
    from rest_framework.views import APIView

MINUTE: Final = 60


class PerMinute(BaseThrottle):
    """At most :meth:`limit` requests of one :meth:`owner` in each minute of the clock."""

    name: ClassVar[str]
    left: float = 0

    def limit(self) -> int:
        raise NotImplementedError

    def owner(self, request: Request) -> str | None:
        """Whose requests are counted together; None for nobody's."""
        raise NotImplementedError

    def allow_request(self, request: Request, view: APIView) -> bool:
        owner = self.owner(request)
        if owner is None:
            return True
        minute, second = divmod(datetime.now(UTC).timestamp(), MINUTE)
        self.left = MINUTE - second
        key = f"asked:{self.name}:{owner}:{minute:.0f}"
        # ``incr`` and ``add`` are each done at once: two requests at the same moment are two.
        try:
            return cache.incr(key) <= self.limit()
        except ValueError:  # There is no count yet: this is the minute's first, or as good as that.
            return cache.add(key, 1, 2 * MINUTE) or cache.incr(key) <= self.limit()

    def wait(self) -> float:
        return self.left


class PerKey(PerMinute):
    """Of one key, whatever it asks for."""

    name = "key"

    def limit(self) -> int:
        return int(settings.API_PER_MINUTE)

    def owner(self, request: Request) -> str | None:
        asker: object = request.user
        return asker.actor.name if isinstance(asker, Asker) else None


class PerAddress(PerMinute):
    """Of one network address, for what asks for no key.

    The address is the one that reached us, or that the farm's own proxy names; not one that the asker may choose.
    """

    name = "address"

    def limit(self) -> int:
        return 10

    def owner(self, request: Request) -> str | None:
        return self.get_ident(request)
