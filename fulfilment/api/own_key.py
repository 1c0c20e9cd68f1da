"""``/keys/current``: the key that asks, as far as its program should know it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import pages
from fulfilment.api.fields import Day, Id, Instant, Shape, Text
from fulfilment.api.views import Endpoint
from fulfilment.models import ApiKey
from fulfilment.read.keys import KeyTold
from fulfilment.read.scope import EVERYBODY

if TYPE_CHECKING:
    from rest_framework.request import Request


class KeyShape(Shape):
    """``prefix`` is how the farm knows the key; the rest of it is stored nowhere.  ``last_used_on`` is told to the day,
    and may lag behind.
    """

    prefix = Text()
    name = Text()
    scopes = serializers.ListField(child=serializers.ChoiceField(choices=sorted(EVERYBODY)))
    kitchen = Id(allow_null=True)
    made_at = Instant()
    expires_at = Instant(allow_null=True)
    last_used_on = Day(allow_null=True)
    replaces = Text(allow_null=True, help_text="The prefix of the key that this one was made in place of.")


class OwnKey(Endpoint):
    scopes = {"GET": EVERYBODY}

    @extend_schema(operation_id="keys_current", summary="Who am I", responses=KeyShape)
    def get(self, request: Request) -> Response:
        """The key that this request was made with: whose it is, what it may do and until when."""
        pages.known(request)
        found: object = request.auth
        assert isinstance(found, KeyTold)
        key = ApiKey.objects.select_related("kitchen", "replaces").get(prefix=found.prefix)
        return Response(
            {
                "prefix": key.prefix,
                "name": key.name,
                "scopes": key.scopes,
                "kitchen": key.kitchen.public_id if key.kitchen else None,
                "made_at": key.created,
                "expires_at": key.expiry_date,
                "last_used_on": key.last_used_on,
                "replaces": key.replaces.prefix if key.replaces else None,
            }
        )
