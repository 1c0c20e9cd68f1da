"""Keys for programs: made, changed for a new one, taken back.

A key is shown once and stored hashed.  Its prefix, which is no secret, names it everywhere else.  Changing it leaves
the old one alive for a while, so that a program can be given the new one without a gap.  Two of a line live at once and
never more: whoever changes a key again ends its forerunner first.
"""

from __future__ import annotations

from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING, Final

from django.db import transaction
from django.db.models import Q

from fulfilment.core.calendar import instant
from fulfilment.core.problems import Conflict, Invalid, Missing
from fulfilment.models import ApiKey
from fulfilment.read.farm import farm
from fulfilment.services import events

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    from fulfilment.models import Kitchen
    from fulfilment.read.keys import KeyTold

SCOPES: Final = ("kitchen", "shop", "packing", "grower", "office")
OLD_KEY_LIVES: Final = timedelta(days=2)
LONGEST_SIDE_BY_SIDE: Final = timedelta(days=90)
NAME_LENGTH: Final = 50


def make(
    name: str,
    *,
    scopes: Iterable[str],
    kitchen: Kitchen | None = None,
    expires_at: datetime | None = None,
    replaces: ApiKey | None = None,
    by: str,
    now: datetime,
) -> tuple[ApiKey, str]:
    """A new key and its secret, which nobody can show again.  A kitchen's key does what its kitchen may and no more."""
    wanted = sorted(set(scopes))
    if not name.strip() or len(name) > NAME_LENGTH:
        raise Invalid(f"A key needs a name of at most {NAME_LENGTH} signs, so that it can be told apart.", where="name")
    if not wanted or not set(wanted) <= set(SCOPES):
        raise Invalid(f"A key has one or more of these scopes: {', '.join(SCOPES)}.", where="scopes")
    if ("kitchen" in wanted) != (kitchen is not None) or (kitchen is not None and len(wanted) > 1):
        raise Invalid("A kitchen's key names its kitchen and has the scope kitchen alone.", where="scopes")
    if expires_at is not None and expires_at <= now:
        raise Invalid("This key would have expired already: choose an instant to come.", where="expires_at")
    with transaction.atomic():
        made, secret = ApiKey.objects.create_key(
            name=name.strip(), scopes=wanted, kitchen=kitchen, expiry_date=expires_at, replaces=replaces
        )
        assert isinstance(made, ApiKey)
        events.record("key_made", subject=made.prefix, by=by, at=now, data={"scopes": wanted}, kitchen=kitchen)
    return made, secret


def rotate(prefix: str, *, by: str, now: datetime, old_lives: timedelta = OLD_KEY_LIVES) -> tuple[ApiKey, str]:
    """A new key in place of this one, which ends after ``old_lives`` (or earlier, if it was to)."""
    with transaction.atomic():
        old = _lock(prefix)
        if not works(old, now=now):
            raise Conflict("This key has ended: make a new one.", code="key_ended")
        for other in ApiKey.objects.filter(Q(replaces=old) | Q(replaced_by=old)).order_by("created"):
            if works(other, now=now):
                kin = "its forerunner" if old.replaces_id == other.pk else "the one made in its place"
                raise Conflict(
                    f"Two keys of this line work already: {other.prefix}, {kin}, does. Revoke one of the two first.",
                    code="two_keys_live", other=other.prefix,
                )  # fmt: skip
        if not set(old.scopes) <= set(SCOPES):
            raise Conflict("This key has a scope that no longer exists: make a new one.", code="key_ended")
        ends = now + old_lives
        lives = None if old.expiry_date is None else old.expiry_date - old.created
        if old_lives < timedelta(0) or old_lives > LONGEST_SIDE_BY_SIDE:
            raise Invalid(
                f"The old key works on for 0 to {LONGEST_SIDE_BY_SIDE.days} days.", code="out_of_range", where="days"
            )
        old.expiry_date = ends if old.expiry_date is None else min(old.expiry_date, ends)
        old.save(update_fields=["expiry_date"])
        made, secret = make(
            old.name,
            scopes=old.scopes,
            kitchen=old.kitchen,
            expires_at=None if lives is None else now + lives,
            replaces=old,
            by=by,
            now=now,
        )
        events.record("key_rotated", subject=old.prefix, by=by, at=now, data={"new": made.prefix}, kitchen=old.kitchen)
    return made, secret


def revoke(prefix: str, *, by: str, now: datetime) -> ApiKey:
    """End a key at once; doing it twice changes nothing more."""
    with transaction.atomic():
        key = _lock(prefix)
        if not key.revoked:
            key.revoked = True
            key.save(update_fields=["revoked"])
            events.record("key_revoked", subject=key.prefix, by=by, at=now, kitchen=key.kitchen)
    return key


def works(key: ApiKey | KeyTold, *, now: datetime) -> bool:
    """Whether a request with it is let in."""
    return not key.revoked and (key.expiry_date is None or key.expiry_date > now)


def end_of(day: date) -> datetime:
    """The instant at which a farm day is over: a key that works through that day ends then."""
    return instant(day + timedelta(days=1), time(0), farm().zone)


def used(prefixes: Iterable[str], *, on: date) -> None:
    """Remember the day a key was last used."""
    ApiKey.objects.filter(Q(last_used_on__isnull=True) | Q(last_used_on__lt=on), prefix__in=list(prefixes)).update(
        last_used_on=on
    )


def _lock(prefix: str) -> ApiKey:
    key: ApiKey | None = ApiKey.objects.select_for_update(no_key=True).filter(prefix=prefix).first()
    if key is None:
        raise Missing(f"There is no key {prefix[:8]}.")
    return key
