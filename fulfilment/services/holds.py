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
from django.db.models import Model

from fulfilment.core.problems import Conflict
from fulfilment.models import Batch, Book, Hold, InputDelivery, Intake, Kit, Lot, SpawnDelivery
from fulfilment.read import holds as reaching
from fulfilment.services import events, given, jobs, rows, stock

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
        events.record("held", subject=placed.public_id, by=by, at=now, data={"kind": kind, "on": rows.tidy(public_id)})
        jobs.add("replan", due_at=now)
    return placed


def release(hold: str, *, by: str, now: datetime) -> Hold:
    """It was looked into and is good: what no other hold stops can be promised and picked again."""
    return _end(hold, Hold.Outcome.RELEASED, by=by, now=now)


def destroy(hold: str, *, by: str, now: datetime, today: date) -> Hold:
    """What is in store under it is thrown away, and bags not yet opened are written off as lost."""
    with transaction.atomic():
        found = rows.find(Hold, hold, where="hold")
        lots = _lots(found)
        stock.replay(Book.objects.filter(strain__in={lot.strain_id for lot in lots}))
        ended = _end(hold, Hold.Outcome.DESTROYED, by=by, now=now)
        reason = f"destroyed under hold {ended.public_id}"
        if found.kit is not None:
            _destroy_kit(found.kit, reason=reason, by=by, now=now, today=today)
        for lot in lots:
            if lot.quantity:
                stock.waste(lot.public_id, quantity=lot.quantity, reason=reason, by=by, now=now, today=today)
        for batch in _batches(found):
            batch.refresh_from_db()
            if batch.bags_left:
                Batch.objects.filter(pk=batch.pk).update(
                    bags_lost=batch.bags_lost + batch.bags_left, version=batch.version + 1,
                    kit_quota=0,
                )  # fmt: skip
                events.record("bags_destroyed", subject=batch.public_id, by=by, at=now, data={"bags": batch.bags_left})
    return ended


def _end(hold: str, outcome: Hold.Outcome, *, by: str, now: datetime) -> Hold:
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
        jobs.add("replan", due_at=now)
    return found


def _batches(found: Hold) -> list[Batch]:
    """The batches it reaches as a whole, locked."""
    match reaching.stands_on(found):
        case "batch":
            batches = Batch.objects.filter(holds=found)
        case "intake":
            batches = Batch.objects.filter(from_intakes__intake__holds=found)
        case "spawn_delivery":
            batches = Batch.objects.filter(from_spawn__spawn_delivery__holds=found)
        case "input_delivery":
            batches = Batch.objects.filter(from_inputs__input_delivery__holds=found)
        case _:
            batches = Batch.objects.none()
    return rows.lock_all(batches)


def _lots(found: Hold) -> list[Lot]:
    if found.lot_id is not None:
        return list(Lot.objects.filter(pk=found.lot_id))
    return list(Lot.objects.filter(batch__in=_batches(found)).order_by("pk"))


def _destroy_kit(kit: Kit, *, reason: str, by: str, now: datetime, today: date) -> None:
    """One sealed kit in store goes; one that is sold or with somebody is replaced, not destroyed here."""
    if kit.state != "sealed":
        raise Conflict(
            f"Kit {kit.public_id} is {kit.state}: it is not in store. Undo its pick, or replace it where it is.",
            code="not_in_store",
            where="hold",
        )
    stock.waste(kit.lot.public_id, quantity=1, kits=[kit.public_id], reason=reason, by=by, now=now, today=today)
