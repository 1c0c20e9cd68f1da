"""Answers as JSON (RFC 8259): compact, in UTF-8, days and instants as RFC 3339 has them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import orjson
from rest_framework.renderers import JSONRenderer
from rest_framework.utils.encoders import JSONEncoder

if TYPE_CHECKING:
    from collections.abc import Mapping

OPTIONS: Final = orjson.OPT_UTC_Z | orjson.OPT_NON_STR_KEYS
_other: Final = JSONEncoder().default
"""What the framework makes of values that JSON has no name for."""


class Answers(JSONRenderer):
    """The framework's renderer with another writer: the same JSON in a fraction of the time."""

    def render(
        self, data: Any, accepted_media_type: str | None = None, renderer_context: Mapping[str, Any] | None = None
    ) -> bytes:
        return b"" if data is None else orjson.dumps(data, default=_other, option=OPTIONS)
