"""Who may sign in, and as what: staff by their roles, a kitchen by its own user.

A role is one of Django's groups and bears the name of the scope it gives (``read.people`` turns the one into the
other).  A kitchen's own user has no role: it is its kitchen and nothing else.  Somebody who leaves is ended, never
deleted, since the events say who did what.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from django.contrib.auth.hashers import make_password
from django.contrib.auth.models import Group, User
from django.contrib.auth.password_validation import validate_password
from django.contrib.auth.validators import UnicodeUsernameValidator
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q

from fulfilment.core.problems import Conflict, Invalid, Missing
from fulfilment.models import Kitchen
from fulfilment.read.people import ROLES
from fulfilment.services import events, given, rows

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

OFFICE: Final = "office"
"""The role that lets others in: the farm is never without somebody who has it."""

NAME_LENGTH: Final = events.BY_LENGTH - len("user:")
"""A longer login name would be cut off in the events."""

PASSWORD_LENGTH: Final = 200


def lay_roles() -> None:
    """The three roles, where they are not there yet."""
    for role in ROLES:
        Group.objects.get_or_create(name=role)


def login_name(name: str) -> str:
    """The name as it is stored: one word, short enough for the events to hold."""
    login = User.normalize_username(given.text(name, where="name", at_most=NAME_LENGTH))
    try:
        UnicodeUsernameValidator()(login)
    except ValidationError as error:
        raise Invalid(
            "A login name is one word of letters, digits and the signs @ . + - _: correct it.",
            code="not_a_name",
            where="name",
        ) from error
    return str(login)


def add_user(
    name: str,
    *,
    password: str,
    roles: Iterable[str] = (),
    kitchen: str | None = None,
    administrator: bool = False,
    by: str,
    now: datetime,
) -> User:
    """Somebody who may sign in: staff with one or more ``roles``, or the own user of a ``kitchen`` (its id).

    An ``administrator`` also sees the tables themselves.  Raises :class:`Invalid` at ``name``, ``password``, ``roles``
    or ``kitchen``, and :class:`Conflict` where the name or the kitchen is taken.
    """
    login = login_name(name)
    wanted = _roles(roles)
    if bool(wanted) == (kitchen is not None):
        raise Invalid(
            "A user has one or more roles, or is a kitchen's own user: give the one or the other.", where="roles"
        )
    if administrator and kitchen is not None:
        raise Invalid("A kitchen's own user cannot be an administrator.", where="kitchen")
    user = User(username=login, is_staff=administrator, is_superuser=administrator)
    # Hashing takes a good part of a second: not while others wait for the database.
    user.password = _hashed(password, user)
    with transaction.atomic():
        lay_roles()
        if User.objects.filter(username__iexact=login).exists():
            raise Conflict(
                f"There is a user {login} already, or there was: choose another name.", code="taken", where="name"
            )
        user.date_joined = now
        user.save()
        user.groups.set(Group.objects.filter(name__in=wanted))
        events.record("user_added", subject=_subject(user), by=by, at=now, data={"roles": wanted})
        if kitchen is not None:
            _connect(user, kitchen, by=by, now=now)
    return user


def set_roles(user: str, *, roles: Iterable[str], by: str, now: datetime) -> User:
    """These roles and no others from now on; whoever is to have none is ended instead."""
    wanted = _roles(roles)
    if not wanted:
        raise Invalid(f"Choose at least one role of {', '.join(ROLES)}, or end the user.", code="empty", where="roles")
    with transaction.atomic():
        found = _lock(user)
        if Kitchen.objects.filter(user=found).exists():
            raise Conflict(
                f"{found.username} is a kitchen's own user and has no role: add another user for the farm's work.",
                code="is_a_kitchen",
                where="roles",
            )
        had = sorted(found.groups.filter(name__in=ROLES).values_list("name", flat=True))
        if had == wanted:
            return found
        if OFFICE not in wanted and not found.is_superuser:
            _keep_an_office(found, where="roles")
        found.groups.remove(*Group.objects.filter(name__in=ROLES).exclude(name__in=wanted))
        found.groups.add(*Group.objects.filter(name__in=wanted))
        events.record("roles_set", subject=_subject(found), by=by, at=now, data={"roles": wanted, "before": had})
    return found


def set_password(user: str, *, password: str, by: str, now: datetime) -> User:
    """Another password, for somebody who forgot theirs; whoever is signed in with the old one is signed out."""
    hashed = _hashed(password, _find(user))
    with transaction.atomic():
        found = _lock(user)
        found.password = hashed
        found.save(update_fields=["password"])
        events.record("password_set", subject=_subject(found), by=by, at=now)
    return found


def connect_kitchen(user: str, kitchen: str, *, by: str, now: datetime) -> Kitchen:
    """Let a user without roles sign in as this kitchen, in place of whoever did; done twice it changes nothing more."""
    with transaction.atomic():
        return _connect(_lock(user), kitchen, by=by, now=now)


def end_user(user: str, *, by: str, now: datetime) -> User:
    """They can sign in no more, and are signed out at once; a kitchen can then be given another user."""
    with transaction.atomic():
        found = _find(user, active=False)
        if not found.is_active:
            return found
        found = _lock(user)
        _keep_an_office(found, where="user")
        found.is_active = False
        found.save(update_fields=["is_active"])
        events.record("user_ended", subject=_subject(found), by=by, at=now)
        kitchen = Kitchen.objects.select_for_update(no_key=True).filter(user=found).first()
        if kitchen is not None:
            _disconnect(kitchen, by=by, now=now)
    return found


def _connect(user: User, kitchen: str, *, by: str, now: datetime) -> Kitchen:
    row = rows.lock(Kitchen, kitchen, where="kitchen")
    if row.user_id == user.pk:
        return row
    if user.is_superuser or user.groups.filter(name__in=ROLES).exists():
        raise Conflict(
            f"{user.username} works for the farm: a kitchen's own user has no role. Add another user for the kitchen.",
            code="has_roles",
            where="user",
        )
    other = Kitchen.objects.filter(user=user).first()
    if other is not None:
        raise Conflict(
            f"{user.username} is the own user of kitchen {other.public_id} already: each kitchen has a user of its "
            "own.",
            code="taken",
            where="user",
        )
    row.user = user
    row.version += 1
    row.save(update_fields=["user", "version"])
    events.record("kitchen_connected", subject=row.public_id, by=by, at=now, kitchen=row, data={"user": _subject(user)})
    return row


def _disconnect(kitchen: Kitchen, *, by: str, now: datetime) -> None:
    kitchen.user = None
    kitchen.version += 1
    kitchen.save(update_fields=["user", "version"])
    events.record("kitchen_disconnected", subject=kitchen.public_id, by=by, at=now, kitchen=kitchen)


def _keep_an_office(leaving: User, *, where: str) -> None:
    """Two who take each other's role at once meet at the group's row, which is locked first."""
    list(Group.objects.select_for_update(no_key=True).filter(name=OFFICE))
    others = User.objects.filter(Q(groups__name=OFFICE) | Q(is_superuser=True), is_active=True)
    if not others.exclude(pk=leaving.pk).exists() and others.filter(pk=leaving.pk).exists():
        raise Conflict(
            f"{leaving.username} is the last with the role {OFFICE}: give it to somebody else first, or nobody could "
            "let people in.",
            code="last_office",
            where=where,
        )


def _roles(roles: Iterable[str]) -> list[str]:
    return sorted({given.one_of(role, ROLES, where="roles") for role in roles})


def _hashed(password: str, user: User) -> str:
    if len(password) > PASSWORD_LENGTH:
        raise Invalid(f"A password has at most {PASSWORD_LENGTH} signs.", code="too_long", where="password")
    try:
        validate_password(password, user)
    except ValidationError as error:
        raise Invalid(" ".join(error.messages), code="weak_password", where="password") from error
    return make_password(password)


def _find(user: str, *, active: bool = True) -> User:
    found = User.objects.filter(username=user, **({"is_active": True} if active else {})).first()
    if found is None:
        raise Missing(f"There is no user {user[:NAME_LENGTH]}.", where="user")
    return found


def _lock(user: str) -> User:
    """The user as they stand, locked; somebody ended is not found."""
    return User.objects.select_for_update(no_key=True).get(pk=_find(user).pk)


def _subject(user: User) -> str:
    """What an event says of a login: its number, never its name."""
    return f"login:{user.pk}"
