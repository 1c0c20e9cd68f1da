"""When a shipment is packed: as soon as every line of it has what it is due, within what its customer tolerates.

What a line is due is what its pick list says; before there is a list, what was promised.  A line that is due nothing
asks for nothing.  A shipment that stays short is not packed; it goes out short when its round is closed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db.models import Exists, OuterRef, Sum

from fulfilment.models import Line, PickList, PickRow, Shipment
from fulfilment.models.states import SHIPMENT, move
from fulfilment.services import events

if TYPE_CHECKING:
    from collections.abc import Collection
    from datetime import datetime

    from django.db.models import QuerySet

OPEN = (Shipment.State.PLACED, Shipment.State.PACKED)


def due(lines: Collection[Line]) -> dict[int, int]:
    """Line id → grams or pieces it is to get."""
    listed = dict(
        PickRow.objects.filter(line__in=[line.pk for line in lines])
        .values_list("line_id")
        .annotate(total=Sum("amount"))
    )
    return {line.pk: listed.get(line.pk, line.promised) for line in lines}


def tolerance_pct(line: Line) -> int:
    """How far a pick for this line may weigh off; kits are counted, so by nothing."""
    kitchen = line.shipment.kitchen
    return 0 if line.product.is_kit or kitchen is None else kitchen.tolerance_pct


def lacks(shipment: Shipment) -> list[tuple[Line, int]]:
    """The lines that have less than they are due, beyond what their customer tolerates, each with what it is due."""
    lines = list(_lines(shipment).select_related("order").order_by("order", "number"))
    wanted = due(lines)
    return [(line, wanted[line.pk]) for line in lines if not _has(line, wanted[line.pk])]


def settle(shipment: Shipment, *, by: str, now: datetime) -> bool:
    """Move a locked shipment between placed and packed by what its lines have; true if its state changed."""
    lines = list(_lines(shipment))
    wanted = due(lines)
    packed = any(line.picked for line in lines) and all(_has(line, wanted[line.pk]) for line in lines)
    after = Shipment.State.PACKED if packed else Shipment.State.PLACED
    if shipment.state == after or (not packed and _another_is_placed(shipment)):
        return False
    shipment.state = Shipment.State(move(SHIPMENT, shipment.state, after, what="shipment"))
    shipment.packed_at = now if packed else None
    shipment.version += 1
    shipment.save(update_fields=["state", "packed_at", "version"])
    if packed:
        events.record(
            "shipment_packed", subject=shipment.public_id, by=by, at=now, kitchen=shipment.kitchen,
            buyer=shipment.buyer, data={"on": shipment.on.isoformat()},
        )  # fmt: skip
    return True


def _lines(shipment: Shipment) -> QuerySet[Line]:
    return shipment.lines.filter(cancelled_at__isnull=True).select_related("product", "shipment__kitchen")


def _has(line: Line, wanted: int) -> bool:
    return 100 * line.picked >= wanted * (100 - tolerance_pct(line))


def _another_is_placed(shipment: Shipment) -> bool:
    """A later order of the same address and day opened a shipment of its own; this one stays packed, open to picks."""
    return (
        Shipment.objects.filter(
            address=shipment.address_id, on=shipment.on, way=shipment.way, state=Shipment.State.PLACED
        )
        .exclude(pk=shipment.pk)
        .exists()
    )


def stamp_lists(lists: Collection[int], *, now: datetime) -> None:
    """A list is done once nothing on it waits to be packed."""
    waiting = PickRow.objects.filter(pick_list=OuterRef("pk"), line__shipment__state=Shipment.State.PLACED)
    of_these = PickList.objects.filter(pk__in=lists)
    of_these.filter(~Exists(waiting), done_at__isnull=True).update(done_at=now)
    of_these.filter(Exists(waiting), done_at__isnull=False).update(done_at=None)
