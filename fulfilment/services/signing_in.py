"""How often somebody may try to sign in: eight times in a quarter of an hour, then not for a quarter of an hour.

Tries are counted for a login name and a network address together, so that a stranger who guesses locks out nobody but
himself.  A try is counted before its password is looked at, under the row's lock: a hundred guesses at the same moment
are a hundred.  What is stored is a keyed hash of name and address, and a night forgets it.
"""

from __future__ import annotations

import ipaddress
import math
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from django.db import transaction
from django.utils.crypto import salted_hmac

from fulfilment.core.problems import Forbidden
from fulfilment.models import SignIn

if TYPE_CHECKING:
    from collections.abc import Iterable

MOST: Final = 8
WITHIN: Final = timedelta(minutes=15)
LOCKED_FOR: Final = timedelta(minutes=15)


def count_try(name: str, *, address: str, now: datetime) -> None:
    """Count one try, which its caller then makes; :class:`Forbidden` (``sign_in_locked``) where it may not be made.

    The last try that is allowed locks the door behind it, unless :func:`succeeded` opens it again.
    """
    with transaction.atomic():
        # An insert that becomes an update locks the row either way.
        SignIn.objects.bulk_create(
            [SignIn(who=_who(name, address), last_at=now)],
            update_conflicts=True,
            unique_fields=["who"],
            update_fields=["last_at"],
        )
        row = SignIn.objects.select_for_update(no_key=True).get(who=_who(name, address))
        if row.locked_until is not None and now < row.locked_until:
            raise _locked(row.locked_until - now)
        tries = [*_recent(row.tried_at, now=now), now]
        row.tried_at = [each.isoformat() for each in tries]
        row.locked_until = now + LOCKED_FOR if len(tries) >= MOST else None
        if row.locked_until is not None:
            row.tried_at = []
        row.save(update_fields=["tried_at", "locked_until"])


def succeeded(name: str, *, address: str) -> None:
    """The password was right: earlier tries are forgotten."""
    SignIn.objects.filter(who=_who(name, address)).delete()


def forget(*, now: datetime) -> int:
    """Remove what no longer counts."""
    return SignIn.objects.filter(last_at__lt=now - max(WITHIN, LOCKED_FOR)).delete()[0]


def _recent(tried_at: Iterable[str], *, now: datetime) -> list[datetime]:
    return [each for each in map(datetime.fromisoformat, tried_at) if now - WITHIN < each]


def _locked(left: timedelta) -> Forbidden:
    seconds = math.ceil(left.total_seconds())
    minutes = math.ceil(seconds / 60)
    return Forbidden(
        f"There were {MOST} tries with a wrong password for this name from here. Sign-in is locked for another "
        f"{minutes} minute{'' if minutes == 1 else 's'}: wait so long. The office can set a forgotten password "
        "meanwhile.",
        code="sign_in_locked",
        seconds=seconds,
    )


def _who(name: str, address: str) -> str:
    return salted_hmac("fulfilment.sign-in", f"{name}\n{_network(address)}", algorithm="sha256").hexdigest()


def _network(address: str) -> str:
    """An IPv6 address stands for its /64, out of which one machine may choose as it likes."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped is not None:
            return str(found.ipv4_mapped)
        return str(ipaddress.ip_network((found, 64), strict=False))
    return str(found)
