"""Pick lists of a day: one for each round, one for the day's parcels, one for what is collected.

Made at the cut-off and again after each replan; only what differs is written.  A row that has been picked from stays
as it is until a plan made after the pick says what is still to come of that line.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import date, datetime
from typing import TYPE_CHECKING

from django.db import transaction
from django.db.models import Max, Q, Sum

from fulfilment.core import codes
from fulfilment.core.problems import Conflict, Invalid
from fulfilment.models import Allocation, Donor, Line, Lot, Pick, PickList, PickRow, Plan, Round, Shipment, Stop, Way
from fulfilment.services import events, rows
from fulfilment.services.packing.settling import OPEN, settle, stamp_lists

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

BUYERS_ROUND = "Town"
"""The round a buyer's kit goes on where it is brought by the farm itself."""

Place = tuple[int, int | None]
"""A row's place: line id, and lot id or None for a coming harvest."""


def make_pick_lists(day: date, *, by: str, now: datetime) -> list[PickList]:
    """The day's pick lists as the plan has them now; asked again, it writes only what differs."""
    with transaction.atomic():
        rows.lock_all(Round.objects.filter(on=day))
        shipments = rows.lock_all(
            Shipment.objects.filter(on=day, state__in=OPEN).select_related("kitchen", "address", "buyer")
        )
        by_list = _lists(day, shipments, now=now)
        created, updated, deleted = _lay_rows(day, by_list)
        touched = [shipment for shipment in shipments if settle(shipment, by=by, now=now)]
        found = list(PickList.objects.filter(on=day).order_by("way", "pk"))
        stamp_lists([each.pk for each in found], now=now)
        if created or updated or deleted or touched:
            events.record(
                "pick_lists_made",
                subject=day.isoformat(),
                by=by,
                at=now,
                data={"lists": len(found), "rows_added": created, "rows_changed": updated, "rows_gone": deleted},
            )
    return found


def order_stops(round: str, shipments: Sequence[str], *, by: str, now: datetime) -> list[Stop]:  # noqa: A002 - the trade's word
    """The stops of a round in the order of these shipments; kept from then on, later stops come after them."""
    with transaction.atomic():
        trip = rows.lock(Round, round, where="round")
        check_open(trip)
        stops = {stop.shipment.public_id: stop for stop in trip.stops.select_related("shipment")}
        wanted = [codes.tidy(shipment) for shipment in shipments]
        if sorted(wanted) != sorted(stops):
            raise Invalid(
                f"This round has {len(stops)} stops: name the shipment of each of them once.",
                code="not_the_same_stops",
                where="shipments",
                stops=sorted(stops),
            )
        for position, shipment in enumerate(wanted, start=1):
            stops[shipment].position = position
            stops[shipment].save(update_fields=["position"])
        trip.version += 1
        trip.save(update_fields=["version"])
        events.record("stops_ordered", subject=trip.public_id, by=by, at=now, data={"shipments": wanted})
    return [stops[shipment] for shipment in wanted]


def check_open(trip: Round) -> None:
    """Raises where the round has left."""
    if trip.closed_at is not None:
        raise Conflict(
            f"The round {trip.name} of {trip.on.isoformat()} has left: its stops stay as they were driven.",
            code="round_closed",
            where="round",
        )


def _lists(day: date, shipments: Sequence[Shipment], *, now: datetime) -> dict[int, list[Shipment]]:
    """Pick list id → its shipments in the order of the way; rounds, stops and lists are made where they are missing."""
    groups: dict[tuple[str, str], list[Shipment]] = defaultdict(list)
    for shipment in shipments:
        if shipment.way == Way.ROUND:
            groups[Way.ROUND, shipment.kitchen.round_name if shipment.kitchen else BUYERS_ROUND].append(shipment)
        else:
            groups[shipment.way, ""].append(shipment)
    donors = set(
        Donor.objects.filter(kitchen__in=[each.kitchen_id for each in shipments if each.kitchen_id]).values_list(
            "kitchen_id", flat=True
        )
    )
    Stop.objects.filter(round__on=day, round__closed_at__isnull=True).exclude(
        shipment__in=[each.pk for each in shipments if each.way == Way.ROUND]
    ).delete()
    found: dict[int, list[Shipment]] = {}
    for (way, name), group in groups.items():
        if way == Way.ROUND:
            trip = _round(day, name)
            ordered = _lay_stops(trip, group, donors=donors)
            pick_list, _ = PickList.objects.get_or_create(round=trip, defaults={"on": day, "way": way, "made_at": now})
        else:
            ordered = sorted(group, key=_by_address)
            pick_list, _ = PickList.objects.get_or_create(on=day, way=way, round=None, defaults={"made_at": now})
        found[pick_list.pk] = ordered
    return found


def _round(day: date, name: str) -> Round:
    """The day's open round of that name; what comes after it has left goes on a second one."""
    number = 1
    while True:
        trip, _ = Round.objects.get_or_create(on=day, name=name if number == 1 else f"{name[:55]} {number}")
        if trip.closed_at is None:
            return trip
        number += 1


def _by_address(shipment: Shipment) -> tuple[str, str, int]:
    return shipment.address.postcode, shipment.address.name, shipment.pk


def _lay_stops(trip: Round, group: Sequence[Shipment], *, donors: set[int]) -> list[Shipment]:
    """Stops by postcode and name; once somebody has put them in another order, it is kept and new ones come last."""
    by_id = {shipment.pk: shipment for shipment in group}
    stops = {stop.shipment_id: stop for stop in Stop.objects.filter(shipment__in=by_id)}
    here = sorted((stop for stop in stops.values() if stop.round_id == trip.pk), key=lambda stop: stop.position)
    kept = [by_id[stop.shipment_id] for stop in here]
    new = sorted((each for each in group if each not in kept), key=_by_address)
    by_hand = kept != sorted(kept, key=_by_address)
    ordered = kept + new if by_hand else sorted(group, key=_by_address)
    for position, shipment in enumerate(ordered, start=1):
        stop = stops.get(shipment.pk)
        if stop is None:
            Stop.objects.create(
                round=trip, shipment=shipment, position=position, collects_grounds=shipment.kitchen_id in donors
            )
        elif (stop.round_id, stop.position) != (trip.pk, position):
            Stop.objects.filter(pk=stop.pk).update(round=trip, position=position)
    return ordered


def _lay_rows(day: date, by_list: Mapping[int, Sequence[Shipment]]) -> tuple[int, int, int]:
    """Write what differs from the rows there are: (created, updated, deleted)."""
    shipment_list = {each.pk: pk for pk, group in by_list.items() for each in group}
    lines = list(
        Line.objects.filter(shipment__in=shipment_list, cancelled_at__isnull=True)
        .select_related("order")
        .order_by("pk")
    )
    there = {
        (row.line_id, row.lot_id): row
        for row in PickRow.objects.filter(
            Q(pick_list__on=day) | Q(line__shipment__in=shipment_list), line__shipment__state__in=[*OPEN, "cancelled"]
        )
    }
    wanted = _amounts(lines, there)
    place_of = {each.pk: place for group in by_list.values() for place, each in enumerate(group)}
    line_of = {line.pk: line for line in lines}
    best_before = dict(Lot.objects.filter(pk__in={lot for _, lot in wanted if lot}).values_list("pk", "best_before"))
    in_order = sorted(
        wanted,
        key=lambda at: (
            place_of[line_of[at[0]].shipment_id], at[0], best_before.get(at[1] or 0, date.max), at[1] or 0,
        ),
    )  # fmt: skip
    positions: dict[int, int] = defaultdict(int)
    new, updated = [], 0
    for at in in_order:
        list_id = shipment_list[line_of[at[0]].shipment_id]
        positions[list_id] += 1
        row = there.pop(at, None)
        if row is None:
            new.append(
                PickRow(
                    pick_list_id=list_id, line_id=at[0], lot_id=at[1], amount=wanted[at], position=positions[list_id]
                )
            )
        elif (row.pick_list_id, row.amount, row.position) != (list_id, wanted[at], positions[list_id]):
            PickRow.objects.filter(pk=row.pk).update(pick_list=list_id, amount=wanted[at], position=positions[list_id])
            updated += row.amount != wanted[at]
    gone = [row.pk for row in there.values()]
    PickRow.objects.filter(pk__in=gone).delete()
    PickRow.objects.bulk_create(new)
    return len(new), updated, len(gone)


def _amounts(lines: Sequence[Line], there: Mapping[Place, PickRow]) -> dict[Place, int]:
    """What each row of a list is to say."""
    planned: dict[Place, int] = defaultdict(int)
    for line_id, lot, amount in Allocation.objects.filter(line__in=lines).values_list("line_id", "lot_id", "amount"):
        planned[line_id, lot] += amount
    picked, last = _picked(lines)
    newest = Plan.objects.order_by("-made_at").values_list("made_at", flat=True).first()
    found: dict[Place, int] = {}
    for line in lines:
        places = {at for at in planned if at[0] == line.pk}
        taken = {at: amount for at, amount in picked.items() if at[0] == line.pk and amount > 0}
        if not taken:
            found |= {at: planned[at] for at in places}
        elif newest is not None and newest > last[line.pk]:
            found |= {at: planned[at] + taken.get(at, 0) for at in places | taken.keys()}
        else:
            found |= {at: row.amount for at, row in there.items() if at[0] == line.pk}
            found |= {at: amount for at, amount in taken.items() if at not in found}
    return found


def _picked(lines: Iterable[Line]) -> tuple[dict[Place, int], dict[int, datetime]]:
    """Net picked by line and lot, and each line's last pick."""
    amounts: dict[Place, int] = {}
    last: dict[int, datetime] = {}
    for line, lot, total, at in (
        Pick.objects.filter(line__in=[line.pk for line in lines])
        .values_list("line_id", "lot_id")
        .annotate(total=Sum("amount"), at=Max("at"))
    ):
        amounts[line, lot] = total
        last[line] = max(at, last.get(line, at))
    return amounts, last
