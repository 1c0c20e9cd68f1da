"""What the API can do, for programs: OpenAPI 3.1, made of the code.

The generator knows addresses, shapes and docstrings.  :func:`complete` adds what holds for all of them alike: the
section each belongs to, its first sentence as summary, every problem it can answer with, the tags of what is read, the
kinds of body a change may have, and an example of each request and answer (:mod:`fulfilment.api.examples`).
"""

from __future__ import annotations

from collections.abc import Mapping
from inspect import getdoc
from typing import TYPE_CHECKING, Any, Final

from drf_spectacular.views import SpectacularAPIView

from fulfilment.api import examples
from fulfilment.api.bodies import Json, MergePatch
from fulfilment.api.fields import Changed, Shape
from fulfilment.api.meanings import ADDRESS
from fulfilment.api.problems import CONTENT_TYPE

if TYPE_CHECKING:
    from collections.abc import Iterator

METHODS: Final = ("get", "post", "put", "patch", "delete")
PREFIX: Final = "/api/v1/"

SECTIONS: Final[Mapping[str, tuple[str, frozenset[str]]]] = {
    "What is sold and expected": (
        "The farm's terms, strains and products, the days it delivers on, what is expected to grow and was planned.",
        frozenset({
            "farm", "strains", "products", "delivery-days", "forecasts", "plans", "replans", "events", "scores",
        }),
    ),
    "Orders": (
        "Asked, placed, changed, cancelled; by the date or on a rule; what is told when less is sure, or less comes.",
        frozenset({"promise-checks", "orders", "standing-orders", "standing-order-previews", "doubts", "shortages"}),
    ),
    "The shop": (
        "What can be sold for which day, and what a buyer bought at once, with what the shop says of the money.",
        frozenset({"kit-availability", "purchases"}),
    ),
    "Customers": ("Kitchens with their terms, and who buys kits.", frozenset({"kitchens", "buyers"})),
    "Growing": (
        "From the grounds to the harvest. Wear a mask where bags are opened and picked, and air the room.",
        frozenset({
            "donors", "suppliers", "intakes", "spawn-deliveries", "input-deliveries", "rooms", "readings", "batches",
            "crops", "harvests", "harvest-lists", "reading-lists",
        }),
    ),
    "Store": (
        "Lots, what happens to them, holds, and the path of every gram in both directions.",
        frozenset({"lots", "holds", "traces"}),
    ),
    "Packing": (
        "From the pick list to the door, for hand-helds and scales.",
        frozenset({"pick-lists", "picks", "rounds", "shipments"}),
    ),
    "Kits": ("Kits and what happens to each.", frozenset({"kits", "kit-joinings"})),
    "Keys and webhooks": ("Who may ask, and who is told.", frozenset({"key", "keys", "webhooks", "webhook-endpoints"})),
}  # fmt: skip
"""Name, words and the first words of the addresses; the order is the page's."""

INTRODUCTION: Final = f"""\
Every request carries a key (`Authorization: Bearer …`). A POST that makes or moves something also carries an \
`Idempotency-Key`: sent twice, it is done once. A change (PATCH) carries `If-Match` with the `ETag` of what was read. \
Weights are whole grams, counts whole pieces, instants RFC 3339, farm days ISO dates, chances whole percents. A field \
that is not known is refused. Lists go on at `next`. Words in answers (states, kinds) may be joined by new ones. \
What goes wrong is told as `application/problem+json`; each code is explained at `{ADDRESS}`.
"""

PROBLEM: Final[Mapping[str, Any]] = {
    "type": "object",
    "description": "What went wrong (RFC 9457).",
    "properties": {
        "type": {"type": "string", "description": "The address where the code is explained."},
        "title": {"type": "string", "description": "What the code means."},
        "status": {"type": "integer"},
        "code": {"type": "string", "description": "For programs; stays as it is."},
        "detail": {"type": "string", "description": "A sentence for people about this very case."},
        "errors": {
            "type": "array",
            "description": "Where in the body.",
            "items": {
                "type": "object",
                "properties": {
                    "pointer": {"type": "string", "description": "A JSON pointer (RFC 6901)."},
                    "code": {"type": "string"},
                    "detail": {"type": "string"},
                },
                "required": ["pointer", "code", "detail"],
            },
        },
        "data": {
            "type": "object", "description": "The numbers, days and ids in the sentence.", "additionalProperties": True,
        },
    },
    "required": ["type", "title", "status", "code", "detail"],
}  # fmt: skip

ANSWERS: Final[Mapping[int, tuple[str, str]]] = {
    400: ("Invalid", "The request is wrong in itself; `errors` says where."),
    401: ("NotAuthenticated", "There is no key, or it is not valid."),
    403: ("Forbidden", "The key may not do this."),
    404: ("NotFound", "There is no such thing, or it is not yours."),
    409: ("Conflict", "Right in itself, but not as things stand; or it is asked once whether it is right."),
    412: ("Stale", "Somebody changed it since it was read."),
    413: ("TooLarge", "The body is too large."),
    415: ("UnsupportedMediaType", "The body is of another kind than is read here."),
    422: ("KeyReused", "The Idempotency-Key was used for another request."),
    428: ("MatchMissing", "A change needs If-Match."),
    429: ("Throttled", "Asked too often in this minute; `Retry-After` says for how long to wait."),
    503: ("Unavailable", "The database does not answer; the same may be sent again after `Retry-After` seconds."),
}


class Schema(SpectacularAPIView):
    """The schema as YAML or, where asked for, JSON; it is no secret."""

    authentication_classes = ()
    permission_classes = ()


def complete(result: dict[str, Any], generator: object, request: object, public: bool) -> dict[str, Any]:
    """A hook of the generator: the schema with all that its operations share."""
    result["info"]["description"] = INTRODUCTION
    result["tags"] = [{"name": name, "description": words} for name, (words, _) in SECTIONS.items()]
    components = result["components"]
    components["schemas"] = dict(sorted({**components["schemas"], "Problem": PROBLEM}.items()))
    for shape in components["schemas"].values():
        # A shape that says nothing of itself has the words of the one it is made from.
        if shape.get("description") in _INHERITED:
            del shape["description"]
    components["responses"] = {name: _problem(status, words) for status, (name, words) in ANSWERS.items()}
    for address, method, operation in operations(result):
        operation["tags"] = [section_of(address)]
        operation.setdefault("summary", summary(operation["description"]))
        _take_bodies(operation, method)
        _give_tags(operation, method)
        for answer in operation["responses"].values():
            answer["description"] = answer["description"] or "As asked."
        for status in sorted(_statuses(operation, method)):
            operation["responses"][str(status)] = {"$ref": f"#/components/responses/{ANSWERS[status][0]}"}
        examples.put(operation)
        for parameter in operation.get("parameters", []):
            if parameter["in"] == "path":
                parameter.setdefault("description", _PATHS.get(parameter["name"], ""))
    return result


def operations(schema: Mapping[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """(address, method, operation), address by address."""
    for address, item in schema["paths"].items():
        for method in METHODS:
            if method in item:
                yield address, method, item[method]


def section_of(address: str) -> str:
    """The section of an address, by its first word; the last section where nobody has said."""
    noun = address.removeprefix(PREFIX).partition("/")[0]
    return next((name for name, (_, nouns) in SECTIONS.items() if noun in nouns), list(SECTIONS)[-1])


def summary(words: str) -> str:
    """The first sentence, or as much of it as stands before a semicolon."""
    first = " ".join(words.split()).partition(". ")[0].removesuffix(".")
    return first if len(first) <= _SHORT else first.partition(";")[0].partition(":")[0]


def _take_bodies(operation: dict[str, Any], method: str) -> None:
    """A change may come as a merge patch, and nothing else may."""
    kinds = operation.get("requestBody", {}).get("content", {})
    if method != "patch":
        kinds.pop(MergePatch.media_type, None)
    elif Json.media_type in kinds:
        kinds[MergePatch.media_type] = kinds[Json.media_type]


def _give_tags(operation: dict[str, Any], method: str) -> None:
    if method != "get":
        return
    operation.setdefault("parameters", []).append({
        "in": "header", "name": "If-None-Match", "schema": {"type": "string"},
        "description": "The `ETag` of what you have: 304 without a body while nothing has changed.",
    })  # fmt: skip
    operation["responses"]["200"]["headers"] = {
        "ETag": {"schema": {"type": "string"}, "description": "A strong tag of this answer."}
    }
    operation["responses"]["304"] = {"description": "You have it already."}


def _statuses(operation: Mapping[str, Any], method: str) -> set[int]:
    """What it can be refused with."""
    found = {400, 404, 429, 503}
    if any(operation.get("security", [])):
        found |= {401, 403}
    names = {parameter["name"] for parameter in operation.get("parameters", [])}
    if method != "get":
        found.add(409)
    if operation.get("requestBody"):
        found |= {413, 415}
    if "Idempotency-Key" in names:
        found |= {413, 415, 422}
    if "If-Match" in names:
        found |= {412, 428}
    return found


def _problem(status: int, words: str) -> dict[str, Any]:
    content = {CONTENT_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
    if (example := examples.problem(status)) is not None:
        content[CONTENT_TYPE]["example"] = example
    found: dict[str, Any] = {"description": words, "content": content}
    if status in (429, 503):
        found["headers"] = {"Retry-After": {"schema": {"type": "integer"}, "description": "Seconds to wait."}}
    return found


_SHORT: Final = 90
_INHERITED: Final = frozenset(str(getdoc(each)) for each in (Shape, Changed))
_PATHS: Final = {"code": "The id, such as K7Q2-M4XJ.", "number": "The line's number, from 1."}
