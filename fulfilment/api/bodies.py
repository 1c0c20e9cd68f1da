"""Reading a body strictly: UTF-8 JSON of bounded size, nothing in it that a program would read in two ways."""

from __future__ import annotations

import json
from math import isfinite
from typing import IO, TYPE_CHECKING, Any

from django.conf import settings
from rest_framework.exceptions import ParseError
from rest_framework.parsers import BaseParser

from fulfilment.api.problems import TooLarge

if TYPE_CHECKING:
    from collections.abc import Mapping

DEEPEST = 20


class Json(BaseParser):
    """RFC 8259, without doubled names, NaN, NUL and towers of brackets."""

    media_type = "application/json"

    def parse(
        self, stream: IO[Any], media_type: str | None = None, parser_context: Mapping[str, Any] | None = None
    ) -> Any:
        limit = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
        body = stream.read(limit + 1)
        if len(body) > limit:
            raise TooLarge(f"This body is too large: at most {limit} bytes.")
        if not body:
            raise ParseError("This request needs a JSON body.")
        try:
            found = json.loads(
                body.decode("utf-8"), object_pairs_hook=_object, parse_constant=_constant, parse_float=_number
            )
        except RecursionError as error:
            raise ParseError(f"This body is nested more than {DEEPEST} deep.") from error
        except ValueError as error:
            raise ParseError(f"This body is not JSON in UTF-8: {error}.") from error
        _check(found, depth=0)
        return found


class MergePatch(Json):
    """RFC 7396: of an object, what is to be changed; ``null`` takes away what can be missing."""

    media_type = "application/merge-patch+json"


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        names = [name for name, _ in pairs]
        doubled = next(name for name in names if names.count(name) > 1)
        raise ValueError(f"{doubled!r} is there twice")
    return found


def _number(text: str) -> float:
    found = float(text)
    if not isfinite(found):
        raise ValueError(f"{text[:20]} is larger than a number can be")
    return found


def _constant(name: str) -> Any:
    raise ValueError(f"{name} is no JSON number")


def _check(value: Any, *, depth: int) -> None:
    if depth > DEEPEST:
        raise ParseError(f"This body is nested more than {DEEPEST} deep.")
    if isinstance(value, str):
        if "\0" in value:
            raise ParseError("A text holds a NUL character, which no text needs.")
        if any("\ud800" <= sign <= "\udfff" for sign in value):
            raise ParseError("A text holds half a character (a lone surrogate).")
    elif isinstance(value, dict):
        for name, inner in value.items():
            _check(name, depth=depth)
            _check(inner, depth=depth + 1)
    elif isinstance(value, list):
        for inner in value:
            _check(inner, depth=depth + 1)
