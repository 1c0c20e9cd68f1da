"""Whose rows are whose: the one place that says what somebody may see and do.

An :class:`Actor` is whoever asks, by key or by login, with scopes: ``office`` sees all; ``grower`` what grows and what
is in store; ``packing`` what is to be picked and sent; ``shop`` kit orders and their buyers; ``kitchen`` its own orders
and what belongs to them.  What is not in an actor's rows does not exist for it: it gets the same answer as for an id
that was never given.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TypeVar

from django.db.models import Model, Q

from fulfilment.core.problems import Forbidden
from fulfilment.models import (
    Batch,
    Buyer,
    Crop,
    DeliveryNote,
    Donor,
    Doubt,
    Event,
    Harvest,
    Hold,
    InputDelivery,
    Intake,
    Kit,
    Kitchen,
    Line,
    Lot,
    Order,
    Pick,
    PickList,
    Product,
    Purchase,
    Room,
    Round,
    Shipment,
    ShortageOffer,
    SpawnDelivery,
    StandingOrder,
    Strain,
    Supplier,
    WebhookEndpoint,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from django.db.models import QuerySet

Row = TypeVar("Row", bound=Model)

STAFF: Final = frozenset({"office", "grower", "packing"})
EVERYBODY: Final = STAFF | {"shop", "kitchen"}


@dataclass(frozen=True, slots=True)
class Actor:
    """Who asks: ``name`` is what the events say (``key:ab12cd34``, ``user:ada``).

    ``kitchen`` is the public id of its kitchen, where it is known already.
    """

    name: str
    scopes: frozenset[str]
    kitchen_id: int | None = None
    kitchen: str = ""

    def may(self, scopes: frozenset[str]) -> bool:
        """Whether one of these scopes is the actor's."""
        return bool(self.scopes & scopes)


@dataclass(frozen=True, slots=True)
class Sight:
    """Who sees all rows of a kind, and which of them a kitchen and the shop call their own."""

    all: frozenset[str]
    kitchens: Callable[[int], Q] | None = None
    shops: Q | None = None
    scopes: Callable[[str], Q] | None = None
    """What is a scope's own, for each that an actor has."""


_GROWING: Final = Sight(frozenset({"office", "grower"}))
_STORE: Final = Sight(STAFF)
_PACKING: Final = Sight(frozenset({"office", "packing"}))
_KNOWN: Final = Sight(EVERYBODY)

SIGHTS: Final[Mapping[type[Model], Sight]] = {
    Strain: _KNOWN,
    Product: _KNOWN,
    Donor: _GROWING,
    Supplier: _GROWING,
    Room: _GROWING,
    Intake: _GROWING,
    SpawnDelivery: _GROWING,
    InputDelivery: _GROWING,
    Batch: _GROWING,
    Crop: _GROWING,
    Harvest: _GROWING,
    Lot: _STORE,
    Hold: _STORE,
    PickList: _PACKING,
    Pick: _PACKING,
    Round: _PACKING,
    Kitchen: Sight(frozenset({"office", "packing"}), kitchens=lambda kitchen: Q(pk=kitchen)),
    Buyer: Sight(frozenset({"office", "packing"}), shops=Q(erased_at__isnull=True)),
    StandingOrder: Sight(frozenset({"office"}), kitchens=lambda kitchen: Q(kitchen=kitchen)),
    Order: Sight(
        frozenset({"office", "packing"}),
        kitchens=lambda kitchen: Q(kitchen=kitchen),
        shops=Q(buyer__isnull=False),
    ),
    Purchase: Sight(frozenset({"office"}), shops=Q(buyer__erased_at__isnull=True)),
    Line: Sight(
        frozenset({"office", "packing"}),
        kitchens=lambda kitchen: Q(order__kitchen=kitchen),
        shops=Q(order__buyer__isnull=False),
    ),
    Shipment: Sight(
        frozenset({"office", "packing"}),
        kitchens=lambda kitchen: Q(kitchen=kitchen),
        shops=Q(buyer__isnull=False),
    ),
    ShortageOffer: Sight(frozenset({"office"}), kitchens=lambda kitchen: Q(line__order__kitchen=kitchen)),
    Doubt: Sight(frozenset({"office"}), kitchens=lambda kitchen: Q(line__order__kitchen=kitchen)),
    DeliveryNote: Sight(
        frozenset({"office", "packing"}),
        kitchens=lambda kitchen: Q(shipment__kitchen=kitchen),
        shops=Q(shipment__buyer__isnull=False),
    ),
    Kit: Sight(STAFF, shops=Q(line__isnull=False)),
    WebhookEndpoint: Sight(
        frozenset({"office"}),
        kitchens=lambda kitchen: Q(kitchen=kitchen),
        scopes=lambda scope: Q(scope=scope, kitchen__isnull=True),
    ),
    Event: Sight(STAFF, kitchens=lambda kitchen: Q(kitchen=kitchen), shops=Q(buyer__isnull=False)),
}


def visible(model: type[Row], actor: Actor) -> QuerySet[Row]:
    """The rows of this kind that exist for the actor; none where the kind is not the actor's at all."""
    sight = SIGHTS[model]
    rows = model._default_manager.all()  # noqa: SLF001 - public by Django's documentation
    if actor.may(sight.all):
        return rows
    own = Q()
    if sight.kitchens is not None and "kitchen" in actor.scopes and actor.kitchen_id is not None:
        own |= sight.kitchens(actor.kitchen_id)
    if sight.shops is not None and "shop" in actor.scopes:
        own |= sight.shops
    if sight.scopes is not None:
        for scope in actor.scopes:
            own |= sight.scopes(scope)
    # An empty condition would be true of everything.
    return rows.filter(own) if own else rows.none()


def require(actor: Actor, scopes: frozenset[str]) -> None:
    """:class:`Forbidden` unless one of these scopes is the actor's."""
    if not actor.may(scopes):
        raise Forbidden(f"This needs one of the scopes {', '.join(sorted(scopes))}.", code="scope_missing")
