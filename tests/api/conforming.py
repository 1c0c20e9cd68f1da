"""Whether an answer is what the committed schema says: no field missing, none too many, each of its kind."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import yaml
from django.urls import resolve

SCHEMA = Path(__file__).parents[2] / "docs" / "openapi.yaml"


def check(method: str, path: str, status: int, told: object) -> None:
    """Raises ``jsonschema.ValidationError`` or ``AssertionError``; ``path`` begins with ``/api`` and has no query."""
    if status >= 400:
        assert isinstance(told, dict)
        assert told["status"] == status
        assert {"type", "title", "code", "detail"} <= told.keys()
        return
    address = "/" + re.sub(r"<\w+:(\w+)>", r"{\1}", resolve(path).route)
    answers = _schema()["paths"][address][method.lower()]["responses"]
    assert str(status) in answers, f"{method} {address} says nothing of {status}"
    shape = answers[str(status)]["content"]["application/json"]["schema"]
    jsonschema.Draft202012Validator(
        {**shape, "components": _schema()["components"]}, format_checker=jsonschema.FormatChecker()
    ).validate(told)


@cache
def _schema() -> dict[str, Any]:
    """The schema, with every named object closed: an answer must not say what the schema does not."""
    found: dict[str, Any] = yaml.safe_load(SCHEMA.read_text())
    for shape in found["components"]["schemas"].values():
        if "properties" in shape:
            shape["additionalProperties"] = False
    return found
