"""What is stopped: a hold in force reaches everything made of the thing it stands on.

A hold on an intake, a spawn delivery or another delivery reaches the batches it went into; one on a batch its crops,
lots and kits; one on a lot its kits.  Nothing that is reached is promised, opened, sealed, picked or sent.

A lot that was destroyed stays stopped for good: a pick above the book or a harvest written down late cannot bring it
back.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

from django.db.models import Q

from fulfilment.models import Hold

if TYPE_CHECKING:
    from django.db.models import QuerySet

KINDS: Final = ("intake", "spawn_delivery", "input_delivery", "batch", "lot", "kit")
"""What a hold can stand on; each is a reference of its row."""

_IN_FORCE: Final = Q(ended_at__isnull=True)
_FOR_GOOD: Final = _IN_FORCE | Q(outcome=Hold.Outcome.DESTROYED)

_TO_BATCH: Final[Mapping[str, str]] = {
    "intake": "intake__into_batches__batch",
    "spawn_delivery": "spawn_delivery__into_batches__batch",
    "input_delivery": "input_delivery__into_batches__batch",
    "batch": "batch",
}
_TO_LOT: Final[Mapping[str, str]] = {kind: f"{path}__lots" for kind, path in _TO_BATCH.items()} | {"lot": "lot"}
_TO_KIT: Final[Mapping[str, str]] = {kind: f"{path}__kits" for kind, path in _TO_BATCH.items()} | {
    "lot": "lot__kits",
    "kit": "kit",
}


def anything_stopped() -> QuerySet[Hold]:
    """Holds in force, and those that ended by destroying."""
    return Hold.objects.filter(_FOR_GOOD)


def held_batch_ids() -> frozenset[int]:
    """Primary keys of the batches that are stopped now; one statement, and it costs what the holds in force reach."""
    return _reached(_TO_BATCH)


def held_lot_ids() -> frozenset[int]:
    """Primary keys of the lots that are stopped now or destroyed, by themselves or by what they were made of."""
    return _reached(_TO_LOT, stops=_FOR_GOOD)


def held_kit_ids() -> frozenset[int]:
    """Primary keys of the kits that are stopped now, by themselves, their lot or what they were made of."""
    return _reached(_TO_KIT)


def over_batch(batch_id: int) -> list[Hold]:
    """The holds in force that reach this batch, the oldest first."""
    return _over(_TO_BATCH, batch_id)


def over_lot(lot_id: int) -> list[Hold]:
    """The holds that reach this lot, in force or ended by destroying, the oldest first."""
    return _over(_TO_LOT, lot_id, stops=_FOR_GOOD)


def over_kit(kit_id: int) -> list[Hold]:
    """The holds in force that reach this kit, the oldest first."""
    return _over(_TO_KIT, kit_id)


def reasons_by_batch() -> dict[int, tuple[str, ...]]:
    """Batch → why it is stopped now, the oldest reason first; batches that are not stopped are left out."""
    return _reasons(_TO_BATCH)


def reasons_by_lot() -> dict[int, tuple[str, ...]]:
    """Lot → why it is stopped now or was destroyed, the oldest reason first."""
    return _reasons(_TO_LOT, stops=_FOR_GOOD)


def stands_on(hold: Hold) -> str:
    """Which of :data:`KINDS` it stands on."""
    return next(kind for kind in KINDS if getattr(hold, f"{kind}_id") is not None)


def _reasons(paths: Mapping[str, str], *, stops: Q = _IN_FORCE) -> dict[int, tuple[str, ...]]:
    if not Hold.objects.filter(stops).exists():
        return {}
    first, *others = (
        Hold.objects.filter(stops, **{f"{path}__isnull": False}).values_list("placed_at", "pk", path, "reason")
        for path in paths.values()
    )
    found: dict[int, tuple[str, ...]] = {}
    for _, _, reached, reason in sorted(first.union(*others)):
        if reason not in found.get(reached, ()):
            found[reached] = (*found.get(reached, ()), reason)
    return found


def _reached(paths: Mapping[str, str], *, stops: Q = _IN_FORCE) -> frozenset[int]:
    # Nearly always nothing is on hold, and the union below is long to write and to plan.
    if not Hold.objects.filter(stops).exists():
        return frozenset()
    first, *others = (
        Hold.objects.filter(stops, **{f"{path}__isnull": False}).values_list(path, flat=True) for path in paths.values()
    )
    return frozenset(first.union(*others))


def _over(paths: Mapping[str, str], pk: int, *, stops: Q = _IN_FORCE) -> list[Hold]:
    reaching = Q()
    for path in paths.values():
        reaching |= Q(**{path: pk})
    return list(Hold.objects.filter(reaching, stops).distinct().order_by("placed_at", "pk"))
