"""``Idempotency-Key``: a POST that makes or moves something is done once, however often it is sent.

The key is the client's own, best a UUID, new for each thing it wants.  The same request again gets the same answer for
seven days; the same key with another body is 422; a refusal is an answer too, and stays it.  The IETF draft writes the
key as a structured string, in quotes (RFC 9651); without them it is the same key.
"""

from __future__ import annotations

import hashlib
import json
import re
from datetime import UTC, datetime
from functools import wraps
from typing import TYPE_CHECKING, Any, Final

from django.http import HttpResponse
from drf_spectacular.utils import OpenApiParameter

from fulfilment.api.keys import actor_of, uses
from fulfilment.api.problems import CONTENT_TYPE, answer
from fulfilment.api.rendering import Answers
from fulfilment.core.problems import Invalid
from fulfilment.services.once import Answer, Refused, perform

if TYPE_CHECKING:
    from collections.abc import Callable

    from rest_framework.request import Request
    from rest_framework.response import Response
    from rest_framework.views import APIView

    Method = Callable[..., Response]

HEADER: Final = "Idempotency-Key"
LONGEST: Final = 255
_BARE: Final = re.compile(r"[!#-+\--\[\]-~]+\Z")
_QUOTED: Final = re.compile(r'"((?:[ !#-\[\]-~]|\\["\\])*)"\Z')
PARAMETER: Final = OpenApiParameter(
    HEADER, str, OpenApiParameter.HEADER, required=True, description="Your own name for this request, best a UUID."
)
"""For the schema of every such method."""


def once(method: Method) -> Callable[..., HttpResponse]:
    """Wrap a view's ``post(self, request, *, now, …)``: it is given the instant, and its answer is kept.

    The answer holds ids instead of personal data, since it is stored.
    """

    @wraps(method)
    def post(view: APIView, request: Request, **names: Any) -> HttpResponse:
        now = datetime.now(UTC)
        owner = actor_of(request).name

        def action() -> Answer:
            try:
                return _kept(method(view, request, now=now, **names))
            except Exception as error:
                refusal = answer(error, {"request": request, "view": view})
                if refusal is None or refusal.status_code >= 500:
                    raise
                raise Refused(_kept(refusal)) from error

        given = perform(owner, key=_key(request), fingerprint=_fingerprint(request), action=action, now=now)
        uses.write(on=now.date())
        response = HttpResponse(given.body, status=given.status)
        for name, value in given.headers.items():
            response[name] = value
        return response

    return post


def _key(request: Request) -> str:
    given = request.headers.get(HEADER, "").strip()
    if not given:
        raise Invalid(
            f"This request needs the header {HEADER}: your own name for it, best a UUID, the same when it is repeated.",
            code="idempotency_key_missing",
        )
    quoted = _QUOTED.match(given)
    key = re.sub(r"\\(.)", r"\1", quoted[1]) if quoted else given if _BARE.match(given) else ""
    if not 0 < len(key.strip()) <= LONGEST:
        raise Invalid(
            f"{HEADER} is at most {LONGEST} visible ASCII signs without commas and spaces, best a UUID; in quotes "
            "(RFC 9651) or not.",
            code="idempotency_key_invalid",
        )
    return key


def _fingerprint(request: Request) -> str:
    """The same for the same wish, whatever the order of its fields."""
    wish = [request.method, request.path, request.data]
    return hashlib.sha256(json.dumps(wish, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def _kept(response: Response) -> Answer:
    headers = {name: value for name, value in response.items() if name in ("Location", "ETag", "Retry-After")}
    body = Answers().render(response.data)
    headers["Content-Type"] = CONTENT_TYPE if response.status_code >= 400 else "application/json"
    return Answer(response.status_code, body, headers)
