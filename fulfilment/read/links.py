"""Signed links: who holds one may see one page and do what it offers, without a login.

A link names its purpose, its person, the version of that person's links (raised to make all earlier ones void) and the
day it ends.  Each purpose is signed with a salt of its own, so that a link for one is nothing for another.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Final

from django.conf import settings
from django.core.signing import BadSignature, Signer

from fulfilment.core.problems import Missing
from fulfilment.models import Holder, Kitchen

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Literal

    Purpose = Literal["kitchen", "holder", "unsubscribe"]

PATHS: Final[Mapping[str, str]] = {"kitchen": "/k/", "holder": "/h/", "unsubscribe": "/u/"}
LIVES: Final[Mapping[str, timedelta]] = {
    "kitchen": timedelta(days=180),
    # A kit's weeks on the shelf, three flushes, and ninety days after.
    "holder": timedelta(days=365),
    "unsubscribe": timedelta(days=730),
}
LONGEST: Final = 400
"""Signs that a token of ours can have at most; what is longer is not looked at."""


@dataclass(frozen=True, slots=True)
class Opened:
    """What a genuine, unexpired token says; its version is still to be compared with the row's."""

    subject: str
    version: int
    ends_on: date


def sign(purpose: Purpose, *, subject: str, version: int, now: datetime) -> str:
    """The token for a person; the same all day long."""
    ends_on = (now + LIVES[purpose]).date()
    return _signer(purpose).sign_object([subject, version, ends_on.toordinal()])


def open_token(purpose: Purpose, token: str, *, now: datetime) -> Opened:
    """What it says; :class:`Missing` where it is not ours, was made for something else, or has ended."""
    try:
        if len(token) > LONGEST or not token.isascii():
            raise BadSignature("not one of ours")
        subject, version, ordinal = _signer(purpose).unsign_object(token)
    except BadSignature as error:
        raise Missing("This link is not complete: open it from the mail, or copy it whole.", code="bad_link") from error
    opened = Opened(str(subject), int(version), date.fromordinal(int(ordinal)))
    if now.date() > opened.ends_on:
        raise Missing("This link has expired. The newest mail has a fresh one; or ask us.", code="link_expired")
    return opened


def kitchen(token: str, *, now: datetime) -> Kitchen:
    """The kitchen whose page this link opens."""
    opened = open_token("kitchen", token, now=now)
    found = Kitchen.objects.filter(public_id=opened.subject, link_version=opened.version, active=True).first()
    if found is None:
        raise _void()
    return found


def holder(token: str, *, now: datetime) -> Holder:
    """The holder whose kits' page this link opens."""
    return _holder("holder", token, now=now)


def unsubscriber(token: str, *, now: datetime) -> Holder:
    """The holder who wants no more care mails."""
    return _holder("unsubscribe", token, now=now)


def to_kitchen(kitchen: Kitchen, *, now: datetime) -> str:
    """The address of a kitchen's page, for its mails."""
    return _address("kitchen", kitchen.public_id, kitchen.link_version, now=now)


def to_holder(holder: Holder, *, now: datetime) -> str:
    """The address of a holder's page, for care mails."""
    return _address("holder", holder.public_id, holder.link_version, now=now)


def to_unsubscribe(holder: Holder, *, now: datetime) -> str:
    """The address that ends care mails: a page when opened, one click when posted to (RFC 8058)."""
    return _address("unsubscribe", holder.public_id, holder.link_version, now=now)


def _holder(purpose: Purpose, token: str, *, now: datetime) -> Holder:
    opened = open_token(purpose, token, now=now)
    found = Holder.objects.filter(public_id=opened.subject, link_version=opened.version, erased_at__isnull=True).first()
    if found is None:
        raise _void()
    return found


def _void() -> Missing:
    return Missing("This link is no longer valid. The newest mail has a fresh one; or ask us.", code="link_void")


def _address(purpose: Purpose, subject: str, version: int, *, now: datetime) -> str:
    return f"{settings.PUBLIC_URL}{PATHS[purpose]}{sign(purpose, subject=subject, version=version, now=now)}"


def _signer(purpose: Purpose) -> Signer:
    return Signer(salt=f"fulfilment.links.{purpose}")
