"""What is in store, the oldest date first, and which orders it is meant for."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime

from django.db.models import Sum

from fulfilment.models import Allocation, Kit, Lot, Pick, Plan
from fulfilment.read import holds
from fulfilment.read.growing import harvested
from fulfilment.read.rooms.finding import find
from fulfilment.read.scope import Actor, visible

PACKERS = frozenset({"office", "packing"})
"""Who may see whose order it is."""


@dataclass(frozen=True, slots=True)
class Meant:
    """So much of a lot for a line and not picked yet; ``order`` and ``customer`` only for who may see orders."""

    on: date
    amount: int
    order: str
    customer: str


@dataclass(frozen=True, slots=True)
class InStore:
    """A lot on hand.  ``past`` means past its date, ``stop`` that it may then only be thrown away."""

    code: str
    is_kit: bool
    strain: str
    grade: str
    batch: str
    crop: str
    ready_on: date
    best_before: date
    quantity: int
    meant: tuple[Meant, ...]
    past: bool
    soon: bool
    stop: bool
    held: tuple[str, ...]

    @property
    def planned(self) -> int:
        return sum(each.amount for each in self.meant)

    @property
    def free(self) -> int:
        return max(0, self.quantity - self.planned)


@dataclass(frozen=True, slots=True)
class Move:
    """One line of a lot's ledger; ``quantity`` is signed."""

    at: datetime
    kind: str
    quantity: int
    by: str
    reason: str


@dataclass(frozen=True, slots=True)
class LotStory:
    lot: InStore
    moves: tuple[Move, ...]
    kits: tuple[tuple[str, str], ...]
    """(number, state) of each kit of a lot of kits."""
    weighed_g: int = 0
    trimmed_g: int = 0
    """What its harvest weighed as it stands, before and after trimming; 0 for kits."""


def on_hand(actor: Actor, *, today: date) -> tuple[InStore, ...]:
    """All lots with something left: fresh before kits, the oldest date first."""
    lots = list(
        visible(Lot, actor)
        .filter(quantity__gt=0)
        .select_related("strain", "batch", "harvest__crop")
        .order_by("kind", "best_before", "pk")
    )
    return tuple(_shown(lots, actor, today=today))


def lot_story(code: str, actor: Actor, *, today: date) -> LotStory:
    """One lot with its ledger, the newest entry first."""
    lot = find(visible(Lot, actor).select_related("strain", "batch", "harvest__crop"), code)
    (shown,) = _shown([lot], actor, today=today)
    weighed, trimmed = harvested().values_list("weighed", "trimmed").get(lot=lot) if lot.harvest else (0, 0)
    return LotStory(
        lot=shown,
        moves=tuple(
            Move(each.at, each.kind, each.quantity, each.by, each.reason) for each in lot.entries.order_by("-at", "-pk")
        ),
        kits=tuple(Kit.objects.filter(lot=lot).order_by("pk").values_list("public_id", "state")),
        weighed_g=weighed,
        trimmed_g=trimmed,
    )


def _shown(lots: Collection[Lot], actor: Actor, *, today: date) -> list[InStore]:
    reasons = holds.reasons_by_lot()
    meant = _meant(lots, actor)
    return [
        InStore(
            code=lot.public_id,
            is_kit=lot.kind == Lot.Kind.KITS,
            strain=lot.strain.name,
            grade=lot.grade,
            batch=lot.batch.public_id,
            crop=lot.harvest.crop.public_id if lot.harvest is not None else "",
            ready_on=lot.ready_on,
            best_before=lot.best_before,
            quantity=lot.quantity,
            meant=meant.get(lot.pk, ()),
            past=lot.best_before < today,
            soon=0 <= (lot.best_before - today).days <= 1,
            stop=lot.hard_stop,
            held=reasons.get(lot.pk, ()),
        )
        for lot in lots
    ]


def _meant(lots: Collection[Lot], actor: Actor) -> Mapping[int, tuple[Meant, ...]]:
    """What tonight's plan takes from each lot and nobody has picked since."""
    newest = Plan.objects.order_by("-made_at").values_list("made_at", flat=True).first()
    if newest is None:
        return {}
    picked = {
        (lot, line): total
        for lot, line, total in Pick.objects.filter(lot__in=lots, at__gte=newest)
        .order_by()
        .values_list("lot", "line")
        .annotate(total=Sum("amount"))
    }
    sees = actor.may(PACKERS)
    found: dict[int, tuple[Meant, ...]] = defaultdict(tuple)
    planned = Allocation.objects.filter(
        lot__in=lots, line__shipment__state__in=["placed", "packed"], line__cancelled_at__isnull=True
    ).select_related("line__order", "line__shipment__kitchen", "line__shipment__buyer")
    for each in planned.order_by("line__shipment__on", "line"):
        left = each.amount - picked.get((each.lot_id or 0, each.line_id), 0)
        customer = each.line.shipment.kitchen or each.line.shipment.buyer
        if left > 0 and each.lot_id is not None:
            found[each.lot_id] += (
                Meant(
                    each.line.shipment.on, left, each.line.order.public_id if sees else "",
                    customer.name if sees and customer is not None else "",
                ),
            )  # fmt: skip
    return found
