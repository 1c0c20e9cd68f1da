"""Kits as their care sees them, from rows; and where each one stands, for the kit pages."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from fulfilment.core.care import (
    EventKind,
    KitCare,
    KitEvent,
    KitProfile,
    Milestone,
    Standing,
    Warmth,
    expected,
    standing,
)
from fulfilment.core.care.events import GROWTH
from fulfilment.models import Kit, Way
from fulfilment.models import KitEvent as EventRow
from fulfilment.read.farm import farm

TRANSIT_DAYS: Mapping[str, int] = {Way.CARRIER: 2, Way.ROUND: 0, Way.COLLECTED: 0}
"""From sending to arrival, where nobody says when it came."""


def events_of(kits: Iterable[Kit]) -> dict[int, tuple[KitEvent, ...]]:
    """Kit id → its events in the order in which they were written."""
    found: dict[int, list[KitEvent]] = {kit.pk: [] for kit in kits}
    for row in EventRow.objects.filter(kit__in=found).order_by("pk"):
        kind = EventKind(row.kind)
        # A row's cycle tells apart the sales of a kit that went back on sale; only growth belongs to a flush.
        found[row.kit_id].append(KitEvent(kind, row.on, row.at, row.cycle if kind in GROWTH else 1))
    return {pk: tuple(events) for pk, events in found.items()}


def zone_of(kit: Kit, *, farms: str = "") -> str:
    """The clock by which things happen to the kit: its holder's, the ``farms`` (read where it is not given) before."""
    return kit.holder.zone if kit.holder is not None else farms or farm().zone


def care_of(kits: Sequence[Kit]) -> list[KitCare]:
    """These kits as their care sees them, in the order given; one handed over at the gate has no order (0).

    Each kit comes with what :data:`WITH` names.
    """
    events = events_of(kits)
    farms = farm().zone if any(kit.holder is None for kit in kits) else ""
    found = []
    for kit in kits:
        holder, buyer = kit.holder, kit.line.order.buyer if kit.line else None
        found.append(
            KitCare(
                kit_id=kit.pk,
                order_id=kit.line.order_id if kit.line else 0,
                buyer=buyer.public_id if buyer else "",
                holder=holder.public_id if holder else "",
                zone=zone_of(kit, farms=farms),
                profile=KitProfile.from_data(kit.lot.strain.kit),
                events=events[kit.pk],
                warmth=Warmth(kit.warmth),
                start_by=kit.lot.best_before,
                start_on=kit.line.order.start_on if kit.line else None,
                transit_days=TRANSIT_DAYS[kit.line.shipment.way] if kit.line else 0,
                unsubscribed=holder is not None and holder.unsubscribed_at is not None,
            )
        )
    return found


WITH = ("lot__strain", "line__order__buyer", "line__shipment", "holder")
"""What ``care_of`` wants to come with each kit."""


@dataclass(frozen=True, slots=True)
class KitView:
    """One kit for its page and the staff's list.  No address of anybody: the page may be a gift receiver's."""

    public_id: str
    strain: str
    stage: str
    cycle: int
    paused: bool
    troubled: bool
    trouble: str
    start_by: date
    warmth: str
    room_c: float | None
    profile: KitProfile
    milestones: tuple[Milestone, ...]
    joined: bool


def view(kits: Sequence[Kit]) -> list[KitView]:
    """Kits as their pages show them; those with open trouble first."""
    rows = {kit.pk: kit for kit in kits}
    troubles = _troubles(rows)
    found = [_view(rows[care.kit_id], care, standing(care.events), troubles) for care in care_of(kits)]
    return sorted(found, key=lambda each: not each.troubled)


def _view(kit: Kit, care: KitCare, stands: Standing, troubles: Mapping[int, str]) -> KitView:
    return KitView(
        public_id=kit.public_id,
        strain=kit.lot.strain.name,
        stage=stands.stage.value,
        cycle=stands.cycle,
        paused=stands.paused,
        troubled=stands.troubled,
        trouble=troubles.get(kit.pk, "") if stands.troubled else "",
        start_by=kit.lot.best_before,
        warmth=kit.warmth,
        room_c=None if kit.room_celsius_tenths is None else kit.room_celsius_tenths / 10,
        profile=care.profile,
        milestones=expected(care),
        joined=any(event.kind is EventKind.JOINED for event in care.events),
    )


def _troubles(kits: Iterable[int]) -> dict[int, str]:
    """Kit id → the trouble last told."""
    told = EventRow.objects.filter(kit__in=kits, kind=EventKind.TROUBLE).order_by("pk")
    return dict(told.values_list("kit", "trouble"))
