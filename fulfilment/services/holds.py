"""Holds: a stop with a reason, ended by a named person who releases what was stopped or destroys it.

A hold is written at once, whatever else is going on; what it reaches is told by ``read.holds``.  It cuts nothing out of
an order by itself: the replan it asks for takes held things out of the plan and says whose promises become doubtful.
Not one gram is thrown away by placing a hold; destroying does that, and only of what is still in store.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Final

from django.db import transaction
from django.db.models import F, Model, Q, QuerySet, Sum

from fulfilment.core import codes
from fulfilment.core.problems import Conflict
from fulfilment.models import Batch, Book, Crop, Hold, InputDelivery, Intake, Kit, Lot, Pick, SpawnDelivery
from fulfilment.read import holds as reaching
from fulfilment.services import events, given, growing, jobs, measures, rows, stock

STANDS_ON: Final[Mapping[str, type[Model]]] = {
    "intake": Intake,
    "spawn_delivery": SpawnDelivery,
    "input_delivery": InputDelivery,
    "batch": Batch,
    "lot": Lot,
    "kit": Kit,
}


def hold(kind: str, public_id: str, *, reason: str, by: str, now: datetime) -> Hold:
    """Stop everything under this thing.  A second hold on it is a second reason: each is ended by itself."""
    with transaction.atomic():
        given.one_of(kind, list(STANDS_ON), where="kind")
        subject = rows.lock(STANDS_ON[kind], public_id, where="subject")
        placed = Hold(reason=given.reason(reason, what="a hold"), placed_at=now, placed_by=by[: events.BY_LENGTH])
        setattr(placed, kind, subject)
        placed.save()
        events.record("held", subject=placed.public_id, by=by, at=now, data={"kind": kind, "on": codes.tidy(public_id)})
        jobs.add("replan", due_at=now)
    return placed


def release(hold: str, *, by: str, now: datetime) -> Hold:
    """It was looked into and is good: what no other hold stops can be promised and picked again."""
    with transaction.atomic():
        ended = _end(hold, Hold.Outcome.RELEASED, by=by, now=now)
        jobs.add("replan", due_at=now)
    return ended


def destroy(hold: str, *, by: str, now: datetime, today: date) -> Hold:
    """What is in store under it is thrown away, its crops are finished and its bags not yet opened written off as lost.

    What is picked and still here is put back first, by hand: a crate that stands packed would leave the farm otherwise.
    """
    with transaction.atomic():
        found = rows.find(Hold, hold, where="hold")
        batches, lots = _batches(found), _lots(found)
        stock.lock_books(
            Book.objects.filter(Q(strain__in=batches.values("strain")) | Q(strain__in=lots.values("strain")))
        )
        ended = _end(hold, Hold.Outcome.DESTROYED, by=by, now=now)
        locked = rows.lock_all(batches)
        reason = f"destroyed under hold {ended.public_id}"
        for crop in rows.lock_all(Crop.objects.filter(batch__in=locked, finished_on__isnull=True)):
            growing.finish(crop, on=today, note=reason, by=by, now=now)
        in_store = rows.lock_all(lots)
        _refuse_picked(lots)
        for lot in (each for each in in_store if each.quantity):
            stock.waste(lot.public_id, quantity=lot.quantity, reason=reason, by=by, now=now, today=today)
        if found.kit is not None:
            _destroy_kit(found.kit, reason=reason, by=by, now=now, today=today)
        for batch in locked:
            if batch.bags_left:
                Batch.objects.filter(pk=batch.pk).update(
                    bags_lost=F("bags_lost") + batch.bags_left, version=F("version") + 1, kit_quota=0
                )
                events.record("bags_destroyed", subject=batch.public_id, by=by, at=now, data={"bags": batch.bags_left})
        jobs.add("replan", due_at=now)
    return ended


def _end(hold: str, outcome: Hold.Outcome, *, by: str, now: datetime) -> Hold:
    measures.person(by, what="end a hold")
    with transaction.atomic():
        found = rows.lock(Hold, hold, where="hold")
        if found.ended_at is not None:
            raise Conflict(
                f"Hold {found.public_id} is {found.outcome} already: place another one if it must be stopped again.",
                code="ended",
                where="hold",
                outcome=found.outcome,
            )
        found.ended_at, found.ended_by, found.outcome = now, by[: events.BY_LENGTH], outcome
        found.save(update_fields=["ended_at", "ended_by", "outcome"])
        events.record(outcome.value, subject=found.public_id, by=by, at=now, data={"kind": reaching.stands_on(found)})
    return found


def _batches(found: Hold) -> QuerySet[Batch]:
    """The batches it reaches as a whole."""
    match reaching.stands_on(found):
        case "batch":
            return Batch.objects.filter(holds=found)
        case "intake":
            return Batch.objects.filter(from_intakes__intake__holds=found)
        case "spawn_delivery":
            return Batch.objects.filter(from_spawn__spawn_delivery__holds=found)
        case "input_delivery":
            return Batch.objects.filter(from_inputs__input_delivery__holds=found)
        case _:
            return Batch.objects.none()


def _lots(found: Hold) -> QuerySet[Lot]:
    """The lots it reaches as a whole."""
    if found.lot_id is not None:
        return Lot.objects.filter(pk=found.lot_id)
    return Lot.objects.filter(batch__in=_batches(found)).order_by("pk")


def _refuse_picked(lots: QuerySet[Lot]) -> None:
    picks = (
        Pick.objects.filter(lot__in=lots, line__shipment__state__in=["placed", "packed"])
        .values("line__order__public_id", "line__number")
        .annotate(taken=Sum("amount"))
        .filter(taken__gt=0)
        .order_by("line__order__public_id", "line__number")
    )
    lines = [f"{pick['line__order__public_id']}/{pick['line__number']}" for pick in picks]
    if lines:
        raise Conflict(
            f"Some of it is picked for {', '.join(lines)} and still here: undo these picks first, then destroy it.",
            code="picked",
            where="hold",
            lines=lines,
        )


def _destroy_kit(kit: Kit, *, reason: str, by: str, now: datetime, today: date) -> None:
    """One sealed kit in store goes; one that is sold or with somebody is replaced, not destroyed here."""
    if kit.state != "sealed":
        raise Conflict(
            f"Kit {kit.public_id} is {kit.state}: it is not in store. Undo its pick, or replace it where it is.",
            code="not_in_store",
            where="hold",
        )
    stock.waste(kit.lot.public_id, quantity=1, kits=[kit.public_id], reason=reason, by=by, now=now, today=today)
