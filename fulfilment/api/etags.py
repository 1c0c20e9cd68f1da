"""Changing only what one has seen: a row's version begins its entity tag (RFC 9110), wanted back as ``If-Match``.

Without the header a change is 428 (RFC 6585), with an older version 412: read again, and change that.  What else a tag
says (:mod:`fulfilment.api.seen`) is about the bytes that were read, and no reason to refuse.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final, TypeVar

from django.db import transaction
from django.utils.http import parse_etags
from drf_spectacular.utils import OpenApiParameter
from rest_framework.response import Response

from fulfilment.api.actions import Asking
from fulfilment.api.keys import actor_of, uses
from fulfilment.core.problems import Invalid, Stale
from fulfilment.models import Buyer, Kitchen, Order, Product, Purchase, StandingOrder, WebhookEndpoint
from fulfilment.services import rows

if TYPE_CHECKING:
    from collections.abc import Callable

    from rest_framework.request import Request

    from fulfilment.read.orders.whole import OrderTold

Row = TypeVar("Row", Buyer, Kitchen, Product, StandingOrder, WebhookEndpoint)

Versioned = Buyer | Kitchen | Order | Product | Purchase | StandingOrder | WebhookEndpoint

PARAMETER: Final = OpenApiParameter(
    "If-Match", str, OpenApiParameter.HEADER, required=True, description="The `ETag` of what you read."
)
"""For the schema of every such method."""


def tag(row: Versioned | OrderTold) -> str:
    """The row as it stands."""
    return f'"{row.version}"'


def match(request: Request, row: Versioned) -> None:
    """The asker has seen this ``row``, which is locked; else :class:`Stale`, or :class:`Invalid` without a word."""
    given = request.headers.get("If-Match", "")
    if not given:
        raise Invalid(
            "A change needs the header If-Match with the ETag of what you read, so that nobody's change is lost.",
            code="match_missing",
        )
    tags = parse_etags(given)
    versions = {_version(each) for each in tags if not each.startswith("W/")}
    if tag(row) not in versions and tags != ["*"]:
        raise Stale("Somebody changed this since you read it: read it again, then change it.", code="stale")


def _version(tag: str) -> str:
    """``"3.9f2c"`` as ``"3"``."""
    return f'"{tag.strip(chr(34)).partition(".")[0]}"'


def change(request: Request, model: type[Row], code: str, do: Callable[[str, Asking], Row]) -> Response:
    """What ``do`` makes of the actor's own row, which it is given by its id; the answer is its id and its new tag."""
    who = Asking(actor_of(request), datetime.now(UTC), {"code": code})
    with transaction.atomic():
        row = rows.lock(model, who.own(model))
        match(request, row)
        changed = do(row.public_id, who)
    uses.write(on=who.now.date())
    return Response({"id": changed.public_id}, headers={"ETag": tag(changed)})
