"""What the API can do, for programs (OpenAPI 3.1) and as a page for people that needs nothing from elsewhere."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from django.shortcuts import render
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.views import SpectacularAPIView

if TYPE_CHECKING:
    from collections.abc import Iterator

    from django.http import HttpRequest, HttpResponse

METHODS: Final = ("get", "post", "put", "patch", "delete")


class Schema(SpectacularAPIView):
    """The schema as YAML or, where asked for, JSON; it is no secret."""

    authentication_classes = ()
    permission_classes = ()


def reference(request: HttpRequest) -> HttpResponse:
    """The same as a page to read."""
    schema = SchemaGenerator().get_schema(request=None, public=True)  # type: ignore[no-untyped-call]  # untyped there
    return render(
        request,
        "api/reference.html",
        {"title": schema["info"]["title"], "operations": list(_operations(schema)), "shapes": list(_shapes(schema))},
    )


def _operations(schema: dict[str, Any]) -> Iterator[dict[str, Any]]:
    for address, item in schema["paths"].items():
        for method in METHODS:
            if (found := item.get(method)) is not None:
                yield {
                    "name": found["operationId"],
                    "method": method.upper(),
                    "address": address,
                    "words": found.get("description", ""),
                    "parameters": found.get("parameters", []),
                    "body": _named(found.get("requestBody", {})),
                    "answers": {status: _named(given) for status, given in found["responses"].items()},
                }


def _shapes(schema: dict[str, Any]) -> Iterator[dict[str, Any]]:
    for name, shape in schema.get("components", {}).get("schemas", {}).items():
        wanted = set(shape.get("required", []))
        yield {
            "name": name,
            "words": shape.get("description", ""),
            "fields": [
                {"name": field, "kind": _kind(told), "wanted": field in wanted, "words": told.get("description", "")}
                for field, told in shape.get("properties", {}).items()
            ],
        }


def _named(part: dict[str, Any]) -> str:
    for told in part.get("content", {}).values():
        return _kind(told.get("schema", {}))
    return ""


def _kind(told: dict[str, Any]) -> str:
    if "$ref" in told:
        return str(told["$ref"]).rpartition("/")[2]
    if told.get("type") == "array":
        return f"list of {_kind(told.get('items', {}))}"
    kind = told.get("type", "")
    return " or ".join(kind) if isinstance(kind, list) else str(told.get("format") or kind)
