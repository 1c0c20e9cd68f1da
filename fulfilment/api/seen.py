"""Reading again costs little: each answer to a GET carries a strong entity tag of all its bytes (RFC 9110).

Whoever sends it back as ``If-None-Match`` gets 304 without a body while nothing has changed.  Where a row has a version
the tag begins with it (``"3.9f2c…"``), and that part is what a change is held against (:mod:`fulfilment.api.etags`).
"""

from __future__ import annotations

import hashlib
from http import HTTPStatus
from typing import TYPE_CHECKING, Any, Final

from django.http import HttpResponse
from django.utils.cache import patch_vary_headers
from django.utils.http import parse_etags

if TYPE_CHECKING:
    from django.http.response import HttpResponseBase
    from rest_framework.request import Request

KEPT: Final = ("ETag", "Cache-Control", "Vary", "Link")


def unless_seen(request: Request, response: Any) -> HttpResponseBase:
    """``response`` (200, not rendered yet) with its tag, or 304 for who has it already."""
    response.render()
    digest = hashlib.sha256(response.content).hexdigest()[:24]
    version = response.headers.get("ETag", "").strip('"')
    tag = f'"{version}.{digest}"' if version else f'"{digest}"'
    response["ETag"] = tag
    response.headers.setdefault("Cache-Control", "private, no-cache")
    patch_vary_headers(response, ["Authorization"])
    seen = parse_etags(request.headers.get("If-None-Match", ""))
    if tag not in {each.removeprefix("W/") for each in seen} and seen != ["*"]:
        found: HttpResponseBase = response
        return found
    same = HttpResponse(status=HTTPStatus.NOT_MODIFIED)
    for name in KEPT:
        if name in response:
            same[name] = response[name]
    return same
