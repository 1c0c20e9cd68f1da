"""An example of every request and answer, taken from a day that was really lived.

``examples.json`` is written by ``tests/api/test_examples.py``, which lives a farm's day by HTTP and holds each answer
against the file: an example that is no longer true fails there.  Ids are drawn anew each time, so they are told apart
by the order in which they first appear.
"""

from __future__ import annotations

import json
from functools import cache
from http import HTTPStatus
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from fulfilment.api.bodies import Json
from fulfilment.api.meanings import meanings, type_of

if TYPE_CHECKING:
    from collections.abc import Mapping

FILE: Final = Path(__file__).with_name("examples.json")

_CODES: Final[Mapping[int, tuple[str, str]]] = {
    401: ("not_authenticated", "This key is not valid: it may have ended, or been copied incompletely."),
    403: ("scope_missing", "This needs one of the scopes grower, office."),
    404: ("not_found", "There is no order K7Q2-M4XJ."),
    409: ("past_cut_off", "Orders for Tuesday 5 May 2026 closed on Monday 4 May at 12:00."),
    412: ("stale", "Somebody changed this since you read it: read it again, then change it."),
    413: ("too_large", "This body is too large: at most 1048576 bytes."),
    415: ("unsupported_media_type", 'Unsupported media type "text/plain" in request.'),
    422: ("key_reused", "This Idempotency-Key was used for another request: a new request needs a key of its own."),
    428: ("match_missing", "A change needs the header If-Match with the ETag of what you read."),
    429: ("throttled", "Request was throttled."),
    503: ("unavailable", "The database does not answer at the moment; the same request may be sent again."),
}


@cache
def lived() -> Mapping[str, Mapping[str, Any]]:
    """``{operation: {"body", "status", "answer"}}``."""
    found: dict[str, dict[str, Any]] = json.loads(FILE.read_text())
    return found


def put(operation: dict[str, Any]) -> None:
    """Give an operation of the schema its example, where a day was lived with it."""
    one = lived().get(operation["operationId"])
    if one is None:
        return
    if one["body"] is not None:
        for kind in operation.get("requestBody", {}).get("content", {}).values():
            kind["example"] = one["body"]
    answer = operation["responses"].get(str(one["status"]), {})
    if Json.media_type in answer.get("content", {}):
        answer["content"][Json.media_type]["example"] = one["answer"]


def problem(status: int) -> dict[str, Any] | None:
    """What such a refusal looks like."""
    if status == HTTPStatus.BAD_REQUEST:
        code, detail = "invalid", "This must be a whole number of grams."
        place = {"pointer": "/lines/0/amount_g", "code": "not_whole", "detail": detail}
        return _told(status, code, detail) | {"errors": [place]}
    return _told(status, *_CODES[status]) if status in _CODES else None


def _told(status: int, code: str, detail: str) -> dict[str, Any]:
    return {"type": type_of(code), "title": meanings()[code].says, "status": status, "code": code, "detail": detail}
