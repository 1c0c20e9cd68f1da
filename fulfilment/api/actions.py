"""A POST that does one thing a person does: a shape in, a service called once, a small answer out.

:func:`action` turns a function into such an endpoint::

    @action("intakes_log", scopes=GROWERS, shape=IntakeShape)
    def log_intake(asked, who):
        \"\"\"Log grounds collected from a donor.\"\"\"
        return made(growing.log_intake(asked["donor"], ..., **who.signed_today))
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property
from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema
from rest_framework.response import Response

from fulfilment.api.fields import Id, Shape, read
from fulfilment.api.keys import actor_of
from fulfilment.api.once import PARAMETER, once
from fulfilment.api.views import Endpoint
from fulfilment.read.farm import today
from fulfilment.read.scope import Actor, visible
from fulfilment.services import rows

if TYPE_CHECKING:
    from django.db.models import Model
    from rest_framework.request import Request


class Made(Shape):
    """What was made or changed, by its id."""

    id = Id()


class Nothing(Shape):
    """An empty object."""


@dataclass(frozen=True)
class Asking:
    """Who asks, when, and the ids in the address."""

    actor: Actor
    now: datetime
    path: Mapping[str, Any]

    @cached_property
    def today(self) -> date:
        return today(self.now)

    @property
    def signed(self) -> dict[str, Any]:
        """``by`` and ``now`` for a service."""
        return {"by": self.actor.name, "now": self.now}

    @property
    def signed_today(self) -> dict[str, Any]:
        """The same with the farm's ``today``."""
        return self.signed | {"today": self.today}

    def own(self, model: type[Model], name: str = "code") -> str:
        """The id in the address, if that row exists for the actor."""
        return str(rows.find_in(visible(model, self.actor), self.path[name]).public_id)  # type: ignore[attr-defined]  # every public model has one


Does = Callable[[Mapping[str, Any], Asking], Mapping[str, Any]]


def made(row: Any, **more: Any) -> dict[str, Any]:
    """The usual answer."""
    return {"id": row.public_id, **more}


def action(
    operation_id: str,
    *,
    scopes: frozenset[str],
    shape: type[Shape] = Nothing,
    answer: Any = Made,
    status: int = 201,
) -> Callable[[Does], type[Endpoint]]:
    """The endpoint whose POST is the decorated function; its docstring is what the schema says."""

    def wrap(does: Does) -> type[Endpoint]:
        def post(self: Endpoint, request: Request, *, now: datetime, **path: Any) -> Response:
            who = Asking(actor_of(request), now, path)
            return Response(does(read(shape, request.data or {}), who), status=status)

        post.__doc__ = does.__doc__
        documented = extend_schema(
            operation_id=operation_id, parameters=[PARAMETER], request=shape, responses={status: answer}
        )(once(post))
        name = "".join(word.title() for word in operation_id.split("_"))
        own = {"scopes": {"POST": scopes}, "shape": shape, "post": documented, "__module__": does.__module__}
        return type(name, (Endpoint,), own)

    return wrap
