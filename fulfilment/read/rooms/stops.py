"""Holds as people see them: what each stands on, what it reaches, and those that are over."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from django.db.models import Model, QuerySet

from fulfilment.core.problems import Missing
from fulfilment.models import Batch, Crop, Hold, InputDelivery, Intake, Kit, Lot, SpawnDelivery
from fulfilment.read import holds
from fulfilment.read.rooms.finding import find
from fulfilment.read.scope import Actor, visible
from fulfilment.read.trace import BatchPart, KitPart, LinePart, LotPart, trace

MOST_PAST: Final = 50
NOUNS: Final = {
    "intake": "intake",
    "spawn_delivery": "spawn delivery",
    "input_delivery": "delivery",
    "batch": "batch",
    "lot": "lot",
    "kit": "kit",
}
_ON: Final[Mapping[str, type[Model]]] = {
    "intake": Intake,
    "spawn_delivery": SpawnDelivery,
    "input_delivery": InputDelivery,
    "batch": Batch,
    "lot": Lot,
    "kit": Kit,
}


@dataclass(frozen=True, slots=True)
class Stop:
    """A hold; ``outcome`` is empty while it is in force."""

    code: str
    kind: str
    noun: str
    on: str
    what: str
    reason: str
    placed_at: datetime
    placed_by: str
    ended_at: datetime | None
    ended_by: str
    outcome: str


@dataclass(frozen=True, slots=True)
class Reach:
    """All that is stopped, or goes, with it; ``crops`` are (code, room, bags) of those not finished."""

    batches: tuple[BatchPart, ...]
    crops: tuple[tuple[str, str, int], ...]
    lots: tuple[LotPart, ...]
    kits: tuple[KitPart, ...]
    lines: tuple[LinePart, ...]

    @property
    def in_store(self) -> tuple[LotPart, ...]:
        return tuple(lot for lot in self.lots if lot.in_store)

    @property
    def gone(self) -> tuple[LotPart, ...]:
        return tuple(lot for lot in self.lots if not lot.in_store)


@dataclass(frozen=True, slots=True)
class Subject:
    """What a hold is to be placed on, and all that it would reach."""

    kind: str
    noun: str
    code: str
    reach: Reach


def in_force(actor: Actor) -> tuple[Stop, ...]:
    return tuple(
        _stop(each) for each in _with_subjects(actor).filter(ended_at__isnull=True).order_by("placed_at", "pk")
    )


def past(actor: Actor) -> tuple[Stop, ...]:
    """The newest of those that were ended."""
    ended = _with_subjects(actor).filter(ended_at__isnull=False).order_by("-ended_at", "-pk")
    return tuple(_stop(each) for each in ended[:MOST_PAST])


def one(code: str, actor: Actor) -> tuple[Stop, Reach]:
    """A hold and all that it reaches; :class:`Missing` where there is none."""
    found = _stop(find(_with_subjects(actor), code))
    return found, _reach(found.kind, found.on)


def subject(kind: str, code: str, actor: Actor) -> Subject:
    """What a hold is asked for; :class:`Missing` where no such thing is here for the actor."""
    if kind not in NOUNS:
        raise Missing(f"A hold stands on one of: {', '.join(NOUNS.values())}.")
    found = find(visible(_ON[kind], actor), code)
    return Subject(kind, NOUNS[kind], str(found), _reach(kind, str(found)))


def _reach(kind: str, code: str) -> Reach:
    """Forward only: the batch that a lot came from goes on as it is."""
    found = trace(code)
    batches = found.batches if kind not in ("lot", "kit") else ()
    crops = (
        Crop.objects.filter(batch__public_id__in=[batch.code for batch in batches], finished_on__isnull=True)
        .select_related("room")
        .order_by("pk")
    )
    return Reach(
        batches=batches,
        crops=tuple((crop.public_id, crop.room.name, crop.bags_alive) for crop in crops),
        lots=found.lots if kind != "kit" else (),
        kits=found.kits,
        lines=found.lines,
    )


def _with_subjects(actor: Actor) -> QuerySet[Hold]:
    return visible(Hold, actor).select_related(
        "intake__donor",
        "spawn_delivery__strain",
        "input_delivery",
        "batch__strain",
        "lot__strain",
        "kit__batch__strain",
    )


def _stop(hold: Hold) -> Stop:
    kind = holds.stands_on(hold)
    return Stop(
        code=hold.public_id,
        kind=kind,
        noun=NOUNS[kind],
        on=str(getattr(hold, kind)),
        what=_what(hold),
        reason=hold.reason,
        placed_at=hold.placed_at,
        placed_by=hold.placed_by,
        ended_at=hold.ended_at,
        ended_by=hold.ended_by,
        outcome=hold.outcome,
    )


def _what(hold: Hold) -> str:
    if hold.intake is not None:
        return f"grounds from {hold.intake.donor.name}"
    if hold.spawn_delivery is not None:
        return f"spawn of {hold.spawn_delivery.strain.name}"
    if hold.input_delivery is not None:
        return hold.input_delivery.kind
    of = hold.batch or hold.lot or (hold.kit.batch if hold.kit is not None else None)
    return of.strain.name if of is not None else ""
