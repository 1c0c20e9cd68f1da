"""The API as pages to read: every request with its shapes and examples, every problem with what to do.

They are made of the schema and of ``docs/problems.md``, in the farm's own stylesheet, without a script and without
anything from elsewhere.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any, Final

from django.shortcuts import render
from django.utils.html import escape
from django.utils.safestring import SafeString, mark_safe
from drf_spectacular.generators import SchemaGenerator

from fulfilment.api import meanings
from fulfilment.api.bodies import Json
from fulfilment.api.schema import SECTIONS, operations, section_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from django.http import HttpRequest, HttpResponse

LONGEST_EXAMPLE: Final = 60
"""Lines of an example that are shown; the schema has all of it."""


def reference(request: HttpRequest) -> HttpResponse:
    """Every request, section by section, then every shape."""
    schema = SchemaGenerator().get_schema(request=None, public=True)  # type: ignore[no-untyped-call]  # untyped there
    found = [(address, _operation(schema, *each)) for each in operations(schema) for address in [each[0]]]
    sections = [
        {"name": name, "words": words, "operations": [one for at, one in found if section_of(at) == name]}
        for name, (words, _) in SECTIONS.items()
    ]
    facts = {
        "title": "The farm’s API",
        "here": "reference",
        "words": ticked(schema["info"]["description"]),
        "sections": [section for section in sections if section["operations"]],
        "told": [_told(name, item) for name, item in schema.get("webhooks", {}).items()],
        "shapes": list(_shapes(schema)),
    }
    return render(request, "api/reference.html", facts)


def problems(request: HttpRequest) -> HttpResponse:
    """What can go wrong and what to do, by code: where a problem's ``type`` leads."""
    first, *rest = meanings.sections()
    sections = [
        {
            "name": section.name,
            "words": [ticked(block) for block in section.words],
            "rows": [
                {
                    "code": row.code,
                    "statuses": ", ".join(map(str, row.statuses)),
                    "says": ticked(row.says),
                    "do": ticked(row.do),
                }
                for row in section.rows
            ],
        }
        for section in rest
    ]
    facts = {"title": first.name, "words": [ticked(block) for block in first.words], "sections": sections}
    return render(request, "api/problems.html", facts | {"here": "problems"})


def ticked(text: str) -> SafeString:
    """Escaped, and what stands between backticks as code."""
    return mark_safe(re.sub(r"`+([^`]+)`+", r"<code>\1</code>", escape(text)))  # noqa: S308 - escaped before


def _operation(schema: Mapping[str, Any], address: str, method: str, found: Mapping[str, Any]) -> dict[str, Any]:
    body = found.get("requestBody", {}).get("content", {}).get(Json.media_type, {})
    refused = [status for status in found["responses"] if int(status) >= 400]
    return {
        "name": found["operationId"],
        "method": method.upper(),
        "address": address,
        "summary": found["summary"],
        "words": ticked(" ".join(found["description"].split())),
        "parameters": [
            {
                "name": each["name"],
                "where": each["in"],
                "required": each.get("required", False),
                "words": ticked(each.get("description", "")),
            }
            for each in found.get("parameters", [])
        ],
        "body": _named(body),
        "asked": _shown(body.get("example")),
        "answers": [
            {
                "status": status,
                "shape": _named(given.get("content", {}).get(Json.media_type, {})),
                "shown": _shown(given.get("content", {}).get(Json.media_type, {}).get("example")),
            }
            for status, given in found["responses"].items()
            if int(status) < 300
        ],
        "refused": refused,
    }


def _told(name: str, item: Mapping[str, Any]) -> dict[str, Any]:
    post = item.get("post", {})
    content: dict[str, Any] = next(iter(post.get("requestBody", {}).get("content", {}).values()), {})
    words = " ".join(post.get("description", "").split())
    return {"name": name, "words": ticked(words), "body": _named(content), "shown": _shown(content.get("example"))}


def _shapes(schema: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    for name, shape in schema.get("components", {}).get("schemas", {}).items():
        wanted = set(shape.get("required", []))
        yield {
            "name": name,
            "words": ticked(" ".join(shape.get("description", "").split())),
            "choices": shape.get("enum", []),
            "fields": [
                {
                    "name": field,
                    "kind": _kind(told),
                    "shape": _shape(told),
                    "wanted": field in wanted,
                    "words": ticked(told.get("description", "")),
                }
                for field, told in shape.get("properties", {}).items()
            ],
        }


def _named(part: Mapping[str, Any]) -> str:
    return _shape(part.get("schema", {}))


def _shape(told: Mapping[str, Any]) -> str:
    """The name of the shape it is, or is a list of; empty for plain values."""
    for inner in (told, *told.get("oneOf", []), *told.get("allOf", []), *told.get("anyOf", [])):
        if "$ref" in inner:
            return str(inner["$ref"]).rpartition("/")[2]
    return _shape(told["items"]) if "items" in told else ""


def _kind(told: Mapping[str, Any]) -> str:
    several = told.get("oneOf") or told.get("allOf") or told.get("anyOf")
    if several:
        return " or ".join(_kind(each) for each in several)
    if "$ref" in told:
        return str(told["$ref"]).rpartition("/")[2]
    if "enum" in told:
        return ", ".join("null" if each is None else str(each) for each in told["enum"])
    if told.get("type") == "array":
        return f"list of {_kind(told.get('items', {}))}"
    kind = told.get("type", "")
    if isinstance(kind, list):
        return " or ".join([str(told.get("format") or kind[0]), *kind[1:]])
    return str(told.get("format") or kind)


def _shown(example: object) -> str:
    if example is None:
        return ""
    lines = json.dumps(example, indent=2, ensure_ascii=False).split("\n")
    return "\n".join([*lines[:LONGEST_EXAMPLE], "…"] if len(lines) > LONGEST_EXAMPLE else lines)
