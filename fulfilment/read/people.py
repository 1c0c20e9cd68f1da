"""Who is signed in, as somebody who asks.

A user's groups are its roles and its roles are scopes; an administrator is the office.  A kitchen's own user has no
role: it is its kitchen and nothing else.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from fulfilment.models import Kitchen
from fulfilment.read.scope import STAFF, Actor

if TYPE_CHECKING:
    from django.contrib.auth.models import AbstractBaseUser, AnonymousUser

ROLES: Final = tuple(sorted(STAFF))
"""The names of the groups, each a scope."""


def actor_of(user: AbstractBaseUser | AnonymousUser) -> Actor | None:
    """Who this user is to the farm; None for nobody, for somebody without a role, and for who was ended."""
    if not user.is_authenticated or not user.is_active:
        return None
    name = f"user:{user.get_username()}"[:40]
    if getattr(user, "is_superuser", False):
        return Actor(name, frozenset({"office"}))
    groups = getattr(user, "groups", None)
    scopes = frozenset(groups.filter(name__in=ROLES).values_list("name", flat=True)) if groups is not None else None
    if scopes:
        return Actor(name, scopes)
    kitchen = Kitchen.objects.filter(user=user.pk, active=True).values_list("pk", flat=True).first()
    return Actor(name, frozenset({"kitchen"}), kitchen_id=kitchen) if kitchen is not None else None
