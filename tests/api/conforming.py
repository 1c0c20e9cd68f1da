"""Whether an answer is what the committed schema says: no field missing, none too many, each of its kind."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import jsonschema
import yaml
from django.urls import Resolver404, resolve

from fulfilment.api.meanings import meanings, type_of

MEMBERS = ("type", "title", "status", "code", "detail", "errors", "data")
if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

SCHEMA = Path(__file__).parents[2] / "docs" / "openapi.yaml"


def check(method: str, path: str, status: int, told: object) -> None:
    """Raises ``jsonschema.ValidationError`` or ``AssertionError``; ``path`` begins with ``/api`` and has no query."""
    if status >= 400:
        problem(status, told)
        try:
            said = operation(method, path)["responses"]
        except (KeyError, Resolver404):
            return  # No such address, or no such method there.
        assert str(status) in said, f"{method} {path} says nothing of {status}"
        return
    answers = operation(method, path)["responses"]
    assert str(status) in answers, f"{method} {path} says nothing of {status}"
    shape(answers[str(status)]["content"]["application/json"]["schema"], told)


def operation(method: str, path: str) -> dict[str, Any]:
    """What the schema says of this request."""
    address = "/" + re.sub(r"<\w+:(\w+)>", r"{\1}", resolve(path).route)
    found: dict[str, Any] = _schema()["paths"][address][method.lower()]
    return found


def operations() -> list[dict[str, Any]]:
    """All that can be asked for."""
    return [found for item in _schema()["paths"].values() for found in item.values()]


def addresses() -> list[tuple[str, dict[str, Any]]]:
    """Each address with what can be asked there."""
    return list(_schema()["paths"].items())


def places(method: str, path: str, body: object, told: Mapping[str, Any]) -> None:
    """Each pointer of a problem (RFC 6901) leads to something in the body, or to a member that could be there."""
    try:
        content = operation(method, path).get("requestBody", {}).get("content", {})
    except (KeyError, Resolver404):
        return
    known = set(_members(content["application/json"]["schema"])) if content else set()
    for each in told.get("errors", []):
        *way, last = each["pointer"].split("/")[1:] or [""]
        at: Any = body
        for part in way:
            at = at[int(part)] if isinstance(at, list) else at[part]
        if isinstance(at, list):
            assert int(last) < len(at), each
        elif last:
            assert last in at or last in known, f"{method} {path}: {each['pointer']} leads nowhere"


def _members(schema: Mapping[str, Any]) -> Iterator[str]:
    """The names of whatever a body may hold, at any depth."""
    if "$ref" in schema:
        yield from _members(component(schema["$ref"].rpartition("/")[2]))
    for name, inner in schema.get("properties", {}).items():
        yield name
        yield from _members(inner)
    for inner in (schema.get("items"), *schema.get("oneOf", ()), *schema.get("allOf", ())):
        if inner:
            yield from _members(inner)


def component(name: str) -> dict[str, Any]:
    """A named shape."""
    found: dict[str, Any] = _schema()["components"]["schemas"][name]
    return found


def shape(schema: Mapping[str, Any], told: object) -> None:
    jsonschema.Draft202012Validator(
        {**schema, "components": _schema()["components"]}, format_checker=jsonschema.FormatChecker()
    ).validate(told)


def problem(status: int, told: object) -> None:
    """A problem by RFC 9457 that says nothing beyond the members we document, of a code that comes with this status."""
    assert isinstance(told, dict)
    assert told["status"] == status
    assert {"type", "title", "code", "detail"} <= told.keys() <= {*MEMBERS}, told.keys()
    known = meanings()[told["code"]]
    assert status in known.statuses, f"{told['code']} with {status}"
    assert (told["type"], told["title"]) == (type_of(told["code"]), known.says)
    for each in told.get("errors", []):
        assert each["code"] in meanings(), each
        assert not _FOREIGN.search(each["detail"]), f"{each} is not said in the house's words"


_FOREIGN = re.compile(r"\b[Tt]his field|Ensure this|valid choice|Invalid data|Expected a |may not be")


@cache
def _schema() -> dict[str, Any]:
    """The schema, with every named object closed: an answer must not say what the schema does not."""
    found: dict[str, Any] = yaml.safe_load(SCHEMA.read_text())
    for shape in found["components"]["schemas"].values():
        if "properties" in shape:
            shape["additionalProperties"] = False
    return found
