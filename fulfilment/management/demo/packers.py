"""Ben's day: the lists are picked on a scale that is never quite right, rounds leave, stops sign, parcels arrive."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Final

from fulfilment.core.problems import Conflict, Unconfirmed
from fulfilment.management.demo.place import BEN
from fulfilment.management.demo.scene import Scene
from fulfilment.models import Lot, PickList, PickRow, Round, Shipment, Way
from fulfilment.services import packing

CARRIER: Final = "Hedgerow Parcels"
CRATE_G: Final = 3_000
UNDONE: Final = 0.02
REFUSED: Final = (0.03, "bruised", "too open", "not ordered, says the chef")


def pack(scene: Scene, on: date, now: datetime) -> None:
    """Every row of the day's lists is weighed out of its lot; one without a lot waits for a harvest."""
    packing.make_pick_lists(on, by=BEN, now=now)
    for pick_list in PickList.objects.filter(on=on).order_by("pk"):
        rows = pick_list.rows.select_related("lot", "line__order", "line__product", "line__shipment").order_by(
            "position"
        )
        for row in rows:
            if row.lot is not None and row.line.shipment.state == "placed":
                _weigh(scene, row, row.lot, on, now)


def drive(scene: Scene, on: date, now: datetime) -> None:
    """Rounds leave with what is on them; parcels are handed to the carrier; what arrived yesterday has arrived."""
    for trip in Round.objects.filter(on=on, closed_at__isnull=True).order_by("pk"):
        crates = {stop.shipment.public_id: _crates(stop.shipment) for stop in trip.stops.select_related("shipment")}
        packing.close_round(trip.public_id, crates=crates, by=BEN, now=now, today=on)
    for shipment in _of_day(on, Way.CARRIER, "packed"):
        number = f"HP{on:%y%m%d}{shipment.pk:05d}"
        packing.hand_parcel(shipment.public_id, carrier=CARRIER, tracking=number, by=BEN, now=now, today=on)
        scene.on_the_road.append((on + timedelta(days=scene.rng.randint(1, 2)), shipment.public_id))


def deliver(scene: Scene, on: date, now: datetime) -> None:
    """Stops sign for what they take; a little comes back, and so do last week's crates."""
    for shipment in _of_day(on, Way.ROUND, "sent"):
        refused = []
        for line in shipment.lines.filter(picked__gt=0).select_related("order", "product").order_by("pk"):
            if scene.chance(REFUSED[0]):
                back = min(line.picked, scene.rng.choice((100, 150, 250)))
                refused.append((str(line), back, scene.rng.choice(REFUSED[1:])))
        kitchen = shipment.kitchen
        back = min(kitchen.crates_out, scene.rng.randint(0, 2)) if kitchen is not None else 0
        packing.deliver(shipment.public_id, refused=refused, crates_back=back, by=BEN, now=now, today=on)
    for shipment in _of_day(on, Way.COLLECTED, "packed"):
        packing.collect(shipment.public_id, by=BEN, now=now, today=on)
    for due, public_id in list(scene.on_the_road):
        if due <= on:
            packing.deliver(public_id, by="carrier", now=now, today=on)
            scene.on_the_road.remove((due, public_id))


def _crates(shipment: Shipment) -> int:
    grams = sum(line.picked for line in shipment.lines.all() if not line.product.is_kit)
    return -(-grams // CRATE_G)


def _of_day(on: date, way: str, state: str) -> list[Shipment]:
    return list(Shipment.objects.filter(on=on, way=way, state=state).select_related("kitchen").order_by("pk"))


def _weigh(scene: Scene, row: PickRow, lot: Lot, on: date, now: datetime) -> None:
    lot.refresh_from_db(fields=["quantity"])
    wanted = row.amount
    if not row.line.product.is_kit:
        wanted = max(1, round(wanted * scene.rng.uniform(0.985, 1.025)))
        if scene.chance(0.97):
            wanted = min(wanted, lot.quantity)
    else:
        wanted = min(wanted, lot.quantity)
    if wanted <= 0:
        return
    made = _pick(str(row.line), lot.public_id, wanted, on, now)
    if made is not None and scene.chance(UNDONE):
        packing.undo_pick(made, reason="wrong crate", by=BEN, now=now, today=on)
        _pick(str(row.line), lot.public_id, wanted, on, now + timedelta(minutes=1))


def _pick(line: str, lot: str, amount: int, on: date, now: datetime) -> str | None:
    """The pick's id; asked whether it is right, the packer looks at the scale again and says so."""
    for confirmed in (False, True):
        try:
            return packing.pick(line, lot=lot, amount=amount, confirmed=confirmed, by=BEN, now=now, today=on).public_id
        except Unconfirmed:
            continue
        except Conflict as problem:
            if problem.code != "on_hold":
                raise
            return None
    return None
