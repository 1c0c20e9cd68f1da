"""Which orders somebody sees: one by its id, and pages of those of a day, a state or a customer, newest first.

Only keys are found here; what is told of them is read by :mod:`fulfilment.read.orders.whole`.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final, NamedTuple, cast

from fulfilment.models import Order
from fulfilment.read.orders.states import in_state
from fulfilment.read.prepared import Given, Prepared
from fulfilment.read.scope import Actor, visible

if TYPE_CHECKING:
    from collections.abc import Mapping

FILTERS: Final = {
    "on": "on",
    "from": "on__gte",
    "until": "on__lte",
    "kitchen": "kitchen__public_id",
    "buyer": "buyer__public_id",
    "standing_order": "standing_order__public_id",
    "purchase": "purchase__public_id",
    "reference": "reference",
}
"""What orders are asked for by: its name, and what of an order it is."""


class _Key(NamedTuple):
    pk: int


def page(actor: Actor, given: Mapping[str, str], *, state: str | None, before: int | None, size: int) -> list[int]:
    """The keys of the newest ``size`` orders of the actor's before this key, that have what is ``given`` (by a name of
    :data:`FILTERS`; days in ISO form) and this state.
    """
    found = _page(actor.scopes, actor.kitchen_id is not None, frozenset(given), state, before is not None, size)
    return [row.pk for row in found.rows(**given, **_own(actor), before=before or 0)]


def key_of(actor: Actor, code: str) -> int | None:
    """The key of the actor's order with this public id."""
    found = _one(actor.scopes, actor.kitchen_id is not None).rows(**_own(actor), code=code)
    return found[0].pk if found else None


# There are as many queries as there are kinds of askers and ways to ask, and each is put into SQL once.


@lru_cache(maxsize=256)
def _page(
    scopes: frozenset[str], owned: bool, names: frozenset[str], state: str | None, goes_on: bool, size: int
) -> Prepared[_Key]:
    wanted: dict[str, Any] = {FILTERS[name]: Given(name) for name in names}
    if goes_on:
        wanted["pk__lt"] = Given("before")
    orders = visible(Order, _somebody(scopes, owned=owned)).filter(**wanted).order_by("-pk")
    return Prepared(_Key, lambda: (orders if state is None else in_state(orders, state))[:size])


@lru_cache(maxsize=64)
def _one(scopes: frozenset[str], owned: bool) -> Prepared[_Key]:
    return Prepared(
        _Key, lambda: visible(Order, _somebody(scopes, owned=owned)).filter(public_id=Given("code")).order_by()
    )


def _somebody(scopes: frozenset[str], *, owned: bool) -> Actor:
    """Whoever has these scopes; whose kitchen it is, is told when the query is asked."""
    return Actor("", scopes, cast("int", Given("own")) if owned else None)


def _own(actor: Actor) -> dict[str, int]:
    return {} if actor.kitchen_id is None else {"own": actor.kitchen_id}
