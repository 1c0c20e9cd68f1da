"""Visits by signed link: tokens for people, and forms as a browser sends them."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Protocol
from uuid import uuid4

from fulfilment.read import links

if TYPE_CHECKING:
    from datetime import datetime

    from django.test import Client

    from fulfilment.models import Holder, Kitchen


class Page(Protocol):
    """An answer with a body."""

    @property
    def content(self) -> bytes: ...


def kitchen_token(kitchen: Kitchen, *, now: datetime) -> str:
    return links.sign("kitchen", subject=kitchen.public_id, version=kitchen.link_version, now=now)


def holder_token(holder: Holder, *, now: datetime) -> str:
    return links.sign("holder", subject=holder.public_id, version=holder.link_version, now=now)


def unsubscribe_token(holder: Holder, *, now: datetime) -> str:
    return links.sign("unsubscribe", subject=holder.public_id, version=holder.link_version, now=now)


def words(response: Page) -> str:
    """What a page says, without its markup and with single blanks."""
    html = response.content.decode()
    body = html[html.index("<main") :]
    text = re.sub(r"<[^>]+>", " ", body).replace("&#x27;", "'").replace("&amp;", "&").replace("&quot;", '"')
    return " ".join(text.split())


def post(client: Client, address: str, *, once: str = "", **typed: object) -> Any:
    """A form sent; each time another one, unless ``once`` names it."""
    return client.post(address, {"once": once or uuid4().hex, **typed})
