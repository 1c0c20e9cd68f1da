"""The growers' pages as people open them: who is signed in, and what a page says as plain words."""

from __future__ import annotations

import re
from html import unescape
from typing import TYPE_CHECKING

from django.contrib.auth.models import Group, User
from django.test import Client

if TYPE_CHECKING:
    from django.test.client import _MonkeyPatchedWSGIResponse as Answer


def signed_in(name: str, *roles: str) -> Client:
    """A browser in which this person is signed in."""
    user = User.objects.create_user(name, password="long enough")
    user.groups.set(Group.objects.get_or_create(name=role)[0] for role in roles)
    client = Client()
    client.force_login(user)
    return client


def words(response: Answer) -> str:
    """What a page says, without its tags."""
    text = re.sub(r"<(head|script)\b.*?</\1>", " ", response.content.decode(), flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", text)).split())
