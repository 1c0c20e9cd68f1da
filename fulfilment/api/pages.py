"""Lists that go on: ``{"items": […], "next": address or null}``, the same address as ``Link: rel="next"`` (RFC 8288).

The cursor holds where the page before ended (a value of each key it is ordered by), not how many were passed over: page
k costs what page 1 costs, and what is added meanwhile moves nothing.
"""

from __future__ import annotations

import base64
import json
from typing import TYPE_CHECKING, Any, Final, TypeVar

from django.db.models import Model
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import sentences
from fulfilment.api.fields import Day
from fulfilment.core.problems import Invalid

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import date

    from django.db.models import QuerySet
    from rest_framework.request import Request

Row = TypeVar("Row", bound=Model)
Item = TypeVar("Item")

USUAL: Final = 50
LARGEST: Final = 200
BIGGEST_KEY: Final = 2**63 - 1

PARAMETERS: Final = [
    OpenApiParameter("cursor", str, description="Where to go on, from the `next` of the page before."),
    OpenApiParameter(
        "page_size", int, description=f"Items a page, {USUAL} unless said; more than {LARGEST} is {LARGEST}."
    ),
]
"""What every list takes, for its schema."""

ON: Final = OpenApiParameter("on", OpenApiTypes.DATE, description="The delivery day.")


def day_named(name: str, words: str) -> OpenApiParameter:
    """A parameter that takes a day, for a schema."""
    return OpenApiParameter(name, OpenApiTypes.DATE, description=words)


def choice(name: str, *values: str, words: str) -> OpenApiParameter:
    """A parameter that takes one of these values, for a schema."""
    return OpenApiParameter(name, str, enum=values, description=words)


def page(
    request: Request, rows: QuerySet[Row], *, show: Callable[[Sequence[Row]], Sequence[Mapping[str, Any]]]
) -> Response:
    """One page of ``rows``, newest first by their primary key."""

    def find(before: int | None, size: int) -> list[Row]:
        return list((rows if before is None else rows.filter(pk__lt=before)).order_by("-pk")[:size])

    return page_of(request, find, key=lambda row: row.pk, show=show)


def page_of(
    request: Request,
    find: Callable[[int | None, int], list[Item]],
    *,
    key: Callable[[Item], int],
    show: Callable[[Sequence[Item]], Sequence[Mapping[str, Any]]],
) -> Response:
    """One page of what ``find`` gives: so many items, newest first, where a key is given those before it."""
    size = _size(request.query_params.get("page_size"))
    cursor = request.query_params.get("cursor")
    found = find(None if cursor is None else _opened(cursor), size + 1)
    shown = found[:size]
    body: dict[str, Any] = {"items": show(shown), "next": None}
    response = Response(body)
    if len(found) > size:
        parameters = request.query_params.copy()
        parameters["cursor"] = _closed(key(shown[-1]))
        address = request.build_absolute_uri(f"{request.path}?{parameters.urlencode()}")
        body["next"] = address
        response["Link"] = f'<{address}>; rel="next"'
    return response


def known(request: Request, *names: str) -> None:
    """:class:`Invalid` for a query parameter that means nothing here, or holds what no text needs."""
    for name, value in request.query_params.items():
        if name not in {"cursor", "page_size", "format", *names}:
            raise Invalid(sentences.unknown("parameter", name, names), code="unknown_parameter", where=name[:40])
        if "\0" in value:
            raise Invalid("This holds a NUL character.", where=name)


def day(request: Request, name: str = "on") -> date | None:
    """The parameter of this name as a day."""
    given = request.query_params.get(name)
    if given is None:
        return None
    try:
        return Day().to_internal_value(given)
    except serializers.ValidationError as error:
        raise Invalid("A day is written 2026-05-01.", code="not_a_day", where=name) from error


def chosen(request: Request, name: str, values: Sequence[str]) -> str | None:
    """The parameter of that name, which is one of ``values``."""
    given = request.query_params.get(name)
    if given is not None and given not in values:
        raise Invalid(f"This is one of: {', '.join(values)}.", code="invalid_choice", where=name)
    return given


def _size(text: str | None) -> int:
    if text is None:
        return USUAL
    if not (text.isascii() and text.isdigit() and len(text) <= 9 and int(text) > 0):
        raise Invalid(f"A page has 1 to {LARGEST} items.", where="page_size")
    return min(int(text), LARGEST)


def _closed(key: int) -> str:
    return base64.urlsafe_b64encode(json.dumps([key]).encode()).decode().rstrip("=")


def _opened(cursor: str) -> int:
    try:
        found = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
    except ValueError:
        found = None
    match found:
        case [int() as key] if 0 <= key <= BIGGEST_KEY:
            return key
    raise Invalid(
        "This cursor is not one of ours: take the whole address in `next`.", code="bad_cursor", where="cursor"
    )
