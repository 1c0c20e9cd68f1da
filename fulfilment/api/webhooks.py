"""``/webhook-endpoints``: the other programs that are told what happens, by Standard Webhooks.

A key sets up endpoints that see what it sees: a kitchen's its own kitchen, a shop's what buyers ordered, the farm's all
that is of its scope; the office sees and changes everybody's.  A secret is in the answer that made it and in no other,
also where the same request is sent again: who lost that answer makes another secret.
"""

from __future__ import annotations

import json
from datetime import timedelta
from typing import TYPE_CHECKING, Any, Final

from drf_spectacular.utils import OpenApiWebhook, extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import etags, pages
from fulfilment.api.actions import Asking, Made, action, made
from fulfilment.api.fields import Changed, Flag, Id, Instant, Shape, Text, read
from fulfilment.api.keys import actor_of
from fulfilment.api.once import PARAMETER, once
from fulfilment.api.views import Endpoint
from fulfilment.core.problems import Forbidden, Invalid
from fulfilment.models import Kitchen, WebhookEndpoint, WebhookMessage, WebhookTry
from fulfilment.read.scope import EVERYBODY, visible
from fulfilment.read.webhook_kinds import KINDS, OF_EVENT, Kind
from fulfilment.read.webhooks import Outcome
from fulfilment.services import rows, webhooks

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from django.http import HttpResponse
    from rest_framework.request import Request

    from fulfilment.read.scope import Actor

# ---- Shapes ---------------------------------------------------------------------------------------------------------


class WebhookEndpointShape(Shape):
    """An endpoint and how it stands."""

    id = Id()
    scope = Text(help_text="It sees what a key of this scope sees.")
    kitchen = Id(allow_null=True)
    address = Text()
    kinds = serializers.ListField(child=Text())
    note = Text()
    enabled = Flag()
    why_disabled = Text(help_text="asked, gone (410), failing (for three days), unsigned; empty while enabled.")
    disabled_at = Instant(allow_null=True)
    failing_since = Instant(allow_null=True, help_text="Since when nothing was accepted.")
    made_at = Instant()


class WebhookEndpointAsked(Shape):
    """Where to and what of.  ``scope`` and ``kitchen`` may be left out by a key of one scope."""

    address = Text(max_length=500, help_text="https, on the public internet.")
    kinds = serializers.ListField(child=Text(max_length=60), max_length=100)
    note = Text(required=False, default="", allow_blank=True, max_length=60, help_text="Your own name for it.")
    scope = Text(required=False, max_length=10)
    kitchen = Id(required=False)


class WebhookEndpointChange(Changed):
    """What is left out stays as it is; null empties the note."""

    address = Text(required=False, max_length=500)
    kinds = serializers.ListField(required=False, child=Text(max_length=60), max_length=100)
    note = Text(required=False, allow_null=True, allow_blank=True, max_length=60)
    enabled = Flag(required=False)


class WebhookSecretMade(Shape):
    """``secret`` is shown this once; null where the same request is answered again."""

    id = Id()
    secret = Text(allow_null=True)


class RotationAsked(Shape):
    """For how many hours the old secrets sign beside the new one; 0 where one has leaked."""

    old_signs_h = serializers.IntegerField(required=False, default=24, min_value=0, max_value=24)


class MessageMade(Shape):
    id = Id()
    message = Text(help_text="The webhook-id it is sent under.")


class ReplayAsked(Shape):
    """One message by its id, or all that happened since an instant of the last 30 days."""

    message = Text(required=False, default="", max_length=40)
    since = Instant(required=False)


class Replayed(Shape):
    id = Id()
    messages = serializers.IntegerField(help_text="How many are sent again.")


class WebhookMessageShape(Shape):
    """A message and where it stands."""

    message = Text(help_text="Its webhook-id.")
    type = Text()
    subject = Text()
    state = Text(help_text="waiting, delivered, failed (after the last try), dropped (the endpoint was switched off).")
    happened_at = Instant()
    tries = serializers.IntegerField()
    next_try_at = Instant(allow_null=True)
    delivered_at = Instant(allow_null=True)


class WebhookTryShape(Shape):
    """One post and how it went."""

    message = Text(help_text="Its webhook-id.")
    type = Text()
    at = Instant()
    outcome = Text(help_text=", ".join(Outcome))
    status = serializers.IntegerField(allow_null=True, help_text="Null where there was no answer.")
    took_ms = serializers.IntegerField()


def _listed(name: str, shape: type[Shape]) -> Any:
    return inline_serializer(name, {"items": shape(many=True), "next": serializers.URLField(allow_null=True)})


# ---- Endpoints ------------------------------------------------------------------------------------------------------


class WebhookEndpoints(Endpoint):
    scopes = {"GET": EVERYBODY, "POST": EVERYBODY}

    @extend_schema(
        operation_id="webhook_endpoints_list",
        parameters=pages.PARAMETERS,
        responses=_listed("WebhookEndpoints", WebhookEndpointShape),
    )
    def get(self, request: Request) -> Response:
        """Your endpoints, newest first; everybody's for the office."""
        pages.known(request)
        own = visible(WebhookEndpoint, actor_of(request)).select_related("kitchen")
        return pages.page(request, own, show=lambda found: [_show(each) for each in found])

    @extend_schema(
        operation_id="webhook_endpoints_add",
        parameters=[PARAMETER],
        request=WebhookEndpointAsked,
        responses={201: WebhookSecretMade},
    )
    def post(self, request: Request, **names: Any) -> HttpResponse:
        """Add an endpoint; the answer holds the secret that its messages are signed with."""
        return _shown_once(self, _add, request, **names)


class OneWebhookEndpoint(Endpoint):
    scopes = {"GET": EVERYBODY, "PATCH": EVERYBODY}

    @extend_schema(operation_id="webhook_endpoints_read", responses=WebhookEndpointShape)
    def get(self, request: Request, code: str) -> Response:
        """One endpoint."""
        pages.known(request)
        row = rows.find_in(visible(WebhookEndpoint, actor_of(request)).select_related("kitchen"), code)
        return Response(_show(row), headers={"ETag": etags.tag(row)})

    @extend_schema(
        operation_id="webhook_endpoints_change",
        parameters=[etags.PARAMETER],
        request=WebhookEndpointChange,
        responses=Made,
    )
    def patch(self, request: Request, code: str) -> Response:
        """Another address, other kinds, another note; switched off, or on again."""
        asked = read(WebhookEndpointChange, request.data)
        return etags.change(
            request, WebhookEndpoint, code, lambda row, who: webhooks.change(row, **asked, **who.signed)
        )


class WebhookRotations(Endpoint):
    scopes = {"POST": EVERYBODY}

    @extend_schema(
        operation_id="webhook_secrets_rotate",
        parameters=[PARAMETER],
        request=RotationAsked,
        responses={201: WebhookSecretMade},
    )
    def post(self, request: Request, **names: Any) -> HttpResponse:
        """Make a new secret; the old ones sign beside it for a day, or as long as you say."""
        return _shown_once(self, _rotate, request, **names)


@action("webhook_endpoints_ping", scopes=EVERYBODY, answer=MessageMade)
def ping(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Send a message that says nothing, to see whether it arrives; how it went is under tries."""
    message = webhooks.ping(who.own(WebhookEndpoint), **who.signed)
    return made(message.endpoint, message=message.message_id)


@action("webhook_endpoints_replay", scopes=EVERYBODY, shape=ReplayAsked, answer=Replayed)
def replay(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Send again, each message under its own id: one, or all since an instant, also what was missed while off."""
    code = who.own(WebhookEndpoint)
    count = webhooks.replay(code, message=asked["message"], since=asked.get("since"), **who.signed)
    return {"id": code, "messages": count}


class WebhookMessages(Endpoint):
    scopes = {"GET": EVERYBODY}

    @extend_schema(
        operation_id="webhook_messages_list",
        parameters=[*pages.PARAMETERS, pages.choice("state", *WebhookMessage.State.values, words="Only these.")],
        responses=_listed("WebhookMessages", WebhookMessageShape),
    )
    def get(self, request: Request, code: str) -> Response:
        """An endpoint's messages of the last 30 days, newest first."""
        pages.known(request, "state")
        found = WebhookMessage.objects.filter(endpoint=_own(request, code)).select_related("event")
        if (state := request.query_params.get("state")) is not None:
            if state not in WebhookMessage.State.values:
                raise Invalid(f"A message is {', '.join(WebhookMessage.State.values)}.", where="state")
            found = found.filter(state=state)
        return pages.page(request, found, show=lambda some: [_show_message(each) for each in some])


class WebhookTries(Endpoint):
    scopes = {"GET": EVERYBODY}

    @extend_schema(
        operation_id="webhook_tries_list",
        parameters=pages.PARAMETERS,
        responses=_listed("WebhookTries", WebhookTryShape),
    )
    def get(self, request: Request, code: str) -> Response:
        """How each post to an endpoint went, newest first."""
        pages.known(request)
        found = WebhookTry.objects.filter(endpoint=_own(request, code)).select_related("message__event")
        return pages.page(request, found, show=lambda some: [_show_try(each) for each in some])


# ---- What they do ---------------------------------------------------------------------------------------------------


@once
def _add(view: Endpoint, request: Request, *, now: Any) -> Response:
    asked = read(WebhookEndpointAsked, request.data)
    scope, kitchen = _owner(asked, actor_of(request))
    row, secret = webhooks.add(
        asked["address"], scope=scope, kitchen=kitchen, kinds=asked["kinds"], note=asked["note"],
        by=actor_of(request).name, now=now,
    )  # fmt: skip
    request.shown_once = secret  # type: ignore[attr-defined]  # for _shown_once below
    return Response(
        made(row, secret=None), status=201, headers={"Location": f"/api/v1/webhook-endpoints/{row.public_id}"}
    )


@once
def _rotate(view: Endpoint, request: Request, code: str, *, now: Any) -> Response:
    asked = read(RotationAsked, request.data or {})
    found = rows.find_in(visible(WebhookEndpoint, actor_of(request)), code)
    row, secret = webhooks.rotate(
        found.public_id, old_signs=timedelta(hours=asked["old_signs_h"]), by=actor_of(request).name, now=now
    )
    request.shown_once = secret  # type: ignore[attr-defined]  # for _shown_once below
    return Response(made(row, secret=None), status=201)


def _shown_once(view: Endpoint, does: Callable[..., HttpResponse], request: Request, **names: Any) -> HttpResponse:
    """What is stored to answer the same request again holds no secret; what is answered now does."""
    answer = does(view, request, **names)
    secret = getattr(request, "shown_once", None)
    if answer.status_code == 201 and secret is not None:
        answer.content = json.dumps({**json.loads(answer.content), "secret": secret}).encode()
        answer["Cache-Control"] = "no-store"
    return answer


def _own(request: Request, code: str) -> WebhookEndpoint:
    return rows.find_in(visible(WebhookEndpoint, actor_of(request)), code)


def _owner(asked: Mapping[str, Any], actor: Actor) -> tuple[str, Kitchen | None]:
    """Whose eyes the endpoint has: the key's own, or another's for the office."""
    scope = asked.get("scope") or ("kitchen" if asked.get("kitchen") else "")
    if not scope:
        if len(actor.scopes) != 1:
            raise Invalid(
                f"Your key has several scopes: say which of them the endpoint has ({', '.join(sorted(actor.scopes))}).",
                code="missing",
                where="scope",
            )
        [scope] = actor.scopes
    if scope not in EVERYBODY:
        raise Invalid(f"A scope is one of {', '.join(sorted(EVERYBODY))}.", where="scope")
    if scope not in actor.scopes and "office" not in actor.scopes:
        raise Forbidden(f"Your key has not the scope {scope}.", code="scope_missing")
    if scope != "kitchen":
        if asked.get("kitchen"):
            raise Invalid("Only an endpoint of the scope kitchen names one.", where="kitchen")
        return scope, None
    if asked.get("kitchen"):
        return scope, rows.find_in(visible(Kitchen, actor), asked["kitchen"], where="kitchen")
    if actor.kitchen_id is None:
        raise Invalid("Say which kitchen’s endpoint it is.", code="missing", where="kitchen")
    return scope, Kitchen.objects.get(pk=actor.kitchen_id)


def _show(row: WebhookEndpoint) -> dict[str, Any]:
    return {
        "id": row.public_id,
        "scope": row.scope,
        "kitchen": row.kitchen.public_id if row.kitchen is not None else None,
        "address": row.address,
        "kinds": row.kinds,
        "note": row.note,
        "enabled": row.state == WebhookEndpoint.State.ENABLED,
        "why_disabled": row.why_disabled,
        "disabled_at": row.disabled_at,
        "failing_since": row.failing_since,
        "made_at": row.made_at,
    }


def _show_message(each: WebhookMessage) -> dict[str, Any]:
    return {
        "message": each.message_id,
        "type": OF_EVENT[each.event.kind].name,
        "subject": each.event.subject,
        "state": each.state,
        "happened_at": each.event.at,
        "tries": each.tries,
        "next_try_at": each.due_at if each.state == WebhookMessage.State.WAITING else None,
        "delivered_at": each.delivered_at,
    }


def _show_try(each: WebhookTry) -> dict[str, Any]:
    return {
        "message": each.message.message_id,
        "type": OF_EVENT[each.message.event.kind].name,
        "at": each.at,
        "outcome": each.outcome,
        "status": each.status,
        "took_ms": each.took_ms,
    }


# ---- What they get, for the schema ----------------------------------------------------------------------------------

_SAMPLES: Final[Mapping[str, Any]] = {
    "on": "2026-05-08", "first_on": "2026-05-08", "last_on": "2026-05-15", "line": 1, "chance_pct": 71,
    "answer": "less", "bags": 40, "units": 12, "reported": "pins", "flush": 1, "seen": "pins", "lots": ["K7Q2-M4XJ"],
    "of_kind": "lot", "shipments": 7,
}  # fmt: skip
"""An example of what a field holds; of any other an id."""


def sample(kind: Kind) -> dict[str, Any]:
    """A message of this kind as it could be."""
    names = [kind.subject, *kind.data.values()]
    return {
        "type": kind.name,
        "timestamp": "2026-05-04T06:00:00.512345Z",
        "data": {name: _SAMPLES.get(name, "K7Q2-M4XJ") for name in names},
    }


def _of(value: Any) -> dict[str, Any]:
    if isinstance(value, list):
        return {"type": "array", "items": {"type": "string"}}
    return {"type": "integer" if isinstance(value, int) else "string"}


def _told(kind: Kind) -> OpenApiWebhook:
    example = sample(kind)
    shape = {
        "type": "object",
        "required": ["type", "timestamp", "data"],
        "properties": {
            "type": {"const": kind.name},
            "timestamp": {"type": "string", "format": "date-time", "description": "When it happened."},
            "data": {
                "type": "object",
                "required": [kind.subject],
                "properties": {name: _of(value) for name, value in example["data"].items()},
            },
        },
    }
    may = ", ".join(sorted(kind.scopes)) or "whoever asked for it"
    carried = [
        {"name": name, "in": "header", "required": True, "schema": {"type": "string"}, "description": words}
        for name, words in (
            ("webhook-id", "The same at every try and replay: what you have seen before, you have seen before."),
            ("webhook-timestamp", "Unix seconds of this try; refuse one that is minutes off."),
            ("webhook-signature", "v1 signatures with blanks between, one for each secret that lives."),
        )
    ]
    post = {
        "operationId": f"told_{kind.name.replace('.', '_')}",
        "summary": kind.says,
        "description": f"{kind.says} To endpoints of: {may}.",
        "parameters": carried,
        "requestBody": {"required": True, "content": {"application/json": {"schema": shape, "example": example}}},
        "responses": {
            "2XX": {"description": "Accepted."},
            "410": {"description": "Nothing more is wanted: the endpoint is switched off at once."},
            "default": {"description": "Not accepted: tried again for about three days."},
        },
    }
    return OpenApiWebhook(kind.name, {"post": post})


DESCRIBED: Final = [_told(kind) for kind in KINDS.values()]
"""The schema's ``webhooks``."""
