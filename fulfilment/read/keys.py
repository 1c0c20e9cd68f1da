"""A bearer key as each request needs it, found by its prefix."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, NamedTuple

from fulfilment.models import ApiKey
from fulfilment.read.prepared import Given, Prepared


class KeyTold(NamedTuple):
    """What must be known of a key to let somebody in, and as whom."""

    prefix: str
    hashed_key: str
    revoked: bool
    expiry_date: datetime | None
    scopes: list[str]
    kitchen_id: int | None
    kitchen: Annotated[str | None, "kitchen__public_id"]


_KEYS = Prepared(KeyTold, lambda: ApiKey.objects.filter(prefix=Given("prefix")).order_by())


def key_of(prefix: str) -> KeyTold | None:
    """The key with this prefix, whether it still works or not."""
    return next(iter(_KEYS.rows(prefix=prefix)), None)
