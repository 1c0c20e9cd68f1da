"""How a problem is told over HTTP: ``application/problem+json`` (RFC 9457), whoever found it.

``code`` is for programs and stable, ``detail`` is the sentence for people, ``errors`` says where in the body, each by a
JSON pointer (RFC 6901).  ``type`` leads to the code's row on the page of :mod:`fulfilment.api.meanings`.  What is
missing is 404 where the address asked for it and 400 where the body refers to it.
"""

from __future__ import annotations

from dataclasses import dataclass
from http import HTTPStatus
from typing import TYPE_CHECKING, Any, Final

from django.core.exceptions import PermissionDenied
from django.http import Http404
from rest_framework import exceptions
from rest_framework.response import Response
from rest_framework.views import set_rollback

from fulfilment.api.meanings import meanings, type_of
from fulfilment.api.sentences import said
from fulfilment.core.problems import Conflict, Forbidden, Invalid, Missing, Problem, Stale, Unconfirmed

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

CONTENT_TYPE: Final = "application/problem+json"

STATUS: Final[Mapping[type[Problem], int]] = {
    Invalid: 400,
    Missing: 404,
    Conflict: 409,
    Unconfirmed: 409,
    Stale: 412,
    Forbidden: 403,
}
STATUS_OF_CODE: Final[Mapping[str, int]] = {"key_reused": 422, "match_missing": 428}
"""Where a standard names another status for one reason."""

CODES: Final[Mapping[int, str]] = {
    400: "unreadable",
    401: "not_authenticated",
    403: "forbidden",
    404: "not_found",
    405: "method_not_allowed",
    406: "not_acceptable",
    413: "too_large",
    415: "unsupported_media_type",
    429: "throttled",
}
"""What the framework itself refuses."""

SPELT: Final[Mapping[str, Sequence[str]]] = {
    "amount": ("amount_g", "units", "gross_g"), "price_minor": ("price",), "subject": ("id",),
}  # fmt: skip
"""What a service names by the trade's word and a body spells with its unit."""

SOON_S: Final = 1
"""Seconds after which a request whose first sending still runs may be sent again."""


class TooLarge(exceptions.APIException):
    status_code = 413
    default_detail = "This body is too large."
    default_code = "too_large"


@dataclass(frozen=True, slots=True)
class Asked:
    """A body as far as it could be read, and the names that it may have (None: not known)."""

    body: object = None
    names: frozenset[str] | None = None

    @classmethod
    def of(cls, context: Mapping[str, Any]) -> Asked:
        """Of the request and the view that an exception handler is given."""
        if "request" not in context or context["request"].method == "GET":
            return cls()
        shape = getattr(context.get("view"), "shape", None)
        try:
            return cls(context["request"].data, frozenset(shape().fields) if shape is not None else None)
        except exceptions.APIException:
            return cls()


class Several(Exception):
    """More than one thing that was asked for at once cannot be done, so nothing was."""

    def __init__(self, problems: Sequence[Problem], *, of: int) -> None:
        super().__init__(f"{len(problems)} of {of}")
        self.problems = problems
        self.of = of


def answer(error: Exception, context: Mapping[str, Any]) -> Response | None:
    """The framework's exception handler; None for what is a fault of ours, which then is a 500 with a log line."""
    set_rollback()
    if isinstance(error, Problem):
        return told(error, Asked.of(context))
    if isinstance(error, Several):
        return _told_together(error, Asked.of(context))
    if isinstance(error, Http404):
        return _response(404, "not_found", "There is nothing here.")
    if isinstance(error, PermissionDenied):
        return _response(403, "forbidden", "This is not allowed.")
    if isinstance(error, exceptions.ValidationError):
        errors = list(_listed(error.detail, ""))
        detail = errors[0]["detail"] if len(errors) == 1 else f"{len(errors)} things in this body are wrong."
        return _response(400, "invalid", detail, errors=errors)
    if isinstance(error, exceptions.APIException):
        return _framework(error)
    return None


def told(problem: Problem, asked: Asked | None = None) -> Response:
    """One of our own problems; pointers lead into what was ``asked``."""
    errors = _placed(problem, asked or Asked())
    response = _response(_status(problem), problem.reason_code, problem.sentence, errors=errors, data=problem.data)
    if problem.reason_code == "in_progress":
        response["Retry-After"] = str(SOON_S)
    return response


def pointer(path: list[str]) -> str:
    """``["lines", "0", "amount_g"]`` as ``/lines/0/amount_g``."""
    return "".join("/" + part.replace("~", "~0").replace("/", "~1") for part in path)


def _told_together(several: Several, asked: Asked) -> Response:
    """The worst of them gives status and code: what is wrong in itself goes before what is only asked about once."""
    worst = min(several.problems, key=lambda problem: (isinstance(problem, Unconfirmed), _status(problem)))
    detail = worst.sentence
    if several.of > 1:
        detail = f"{len(several.problems)} of {several.of} items cannot be done, so none was. {detail}"
    errors = [each for problem in several.problems for each in _placed(problem, asked)]
    return _response(_status(worst), worst.reason_code, detail, errors=errors)


def _status(problem: Problem) -> int:
    status = next((status for kind, status in STATUS.items() if isinstance(problem, kind)), 400)
    if isinstance(problem, Missing) and problem.where:
        status = 400
    return STATUS_OF_CODE.get(problem.reason_code, status)


def _placed(problem: Problem, asked: Asked) -> list[dict[str, str]]:
    """Where in the body; nowhere in it where the address itself is meant."""
    path = _spelt(problem.where.split("."), asked.body) if problem.where else []
    if not path or (asked.names is not None and path[0] not in asked.names):
        return []
    return [{"pointer": pointer(path), "code": problem.reason_code, "detail": problem.sentence}]


def _spelt(path: list[str], body: object) -> list[str]:
    """The path with its last name as the body has it."""
    at = body
    for part in path[:-1]:
        if isinstance(at, list) and part.isdecimal() and int(part) < len(at):
            at = at[int(part)]
        elif isinstance(at, dict):
            at = at.get(part)
    if isinstance(at, dict) and path[-1] not in at:
        there = [name for name in SPELT.get(path[-1], ()) if name in at]
        return [*path[:-1], *there[:1]] if there else path
    return path


def _framework(error: exceptions.APIException) -> Response:
    status = error.status_code
    response = _response(status, CODES.get(status, "problem"), str(error.detail))
    if (wait := getattr(error, "wait", None)) is not None:
        response["Retry-After"] = str(int(wait) + 1)
    if challenge := getattr(error, "auth_header", None):
        response["WWW-Authenticate"] = challenge
    return response


def _listed(detail: Any, path: str) -> Iterator[dict[str, str]]:
    """The framework's nested lists and maps of errors, one by one with their pointers."""
    if isinstance(detail, dict):
        for name, inner in detail.items():
            # What concerns the whole body has a name of the framework's own.
            own = str(name) == "non_field_errors"
            yield from _listed(inner, path if own else path + pointer([str(name)]))
    elif isinstance(detail, list):
        for place, inner in enumerate(detail):
            yield from _listed(inner, path + pointer([str(place)]) if isinstance(inner, dict) else path)
    else:
        yield {"pointer": path, "code": getattr(detail, "code", "invalid"), "detail": said(str(detail))}


def _response(
    status: int,
    code: str,
    detail: str,
    *,
    errors: list[dict[str, str]] | None = None,
    data: Mapping[str, object] | None = None,
) -> Response:
    known = meanings().get(code)
    body: dict[str, object] = {
        "type": type_of(code),
        "title": known.says if known is not None else HTTPStatus(status).phrase,
        "status": status,
        "code": code,
        "detail": detail,
    }
    if errors:
        body["errors"] = errors
    if data:
        body["data"] = {name: _plain(value) for name, value in data.items()}
    return Response(body, status=status, content_type=CONTENT_TYPE)


def _plain(value: object) -> object:
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    return value if isinstance(value, int | str) else str(value)
