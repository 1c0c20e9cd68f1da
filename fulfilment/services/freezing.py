"""What is due when a cut-off has come: the date is planned once more, marked, its pick lists made, shortages told.

"Frozen" itself needs no job: it is ``now ≥ cut_off_at`` wherever it is asked.
"""

from __future__ import annotations

from datetime import date, datetime
from hashlib import sha256

from django.db import transaction
from django.db.models import F

from fulfilment.models import Line, Mail, Shipment
from fulfilment.read import shortages as reading
from fulfilment.read.farm import today
from fulfilment.services import doubts, events, jobs, mails, packing, planning, shortages
from fulfilment.services.packing.settling import OPEN


def due(*, now: datetime) -> int:
    """Ask for the freezing of every date whose cut-off has come and that was not seen to; returns how many dates."""
    days = set(
        Shipment.objects.filter(frozen_at__isnull=True, state="placed", cut_off_at__lte=now).values_list(
            "on", flat=True
        )
    )
    for on in sorted(days):
        if jobs.waits("freeze", subject=on.isoformat()):
            continue
        with transaction.atomic():
            jobs.add("freeze", subject=on.isoformat(), due_at=now)
    return len(days)


def freeze(on: str, *, now: datetime) -> int:
    """Plan the date a last time, mark its shipments, make its pick lists and tell who is short; safe to run again.

    A date that is past is only marked.  Returns how many shipments were frozen by this run.
    """
    day = date.fromisoformat(on)
    if day >= today(now):
        _plan(day, now=now)
    with transaction.atomic():
        fresh = list(
            Shipment.objects.select_for_update(no_key=True, of=("self",))
            .filter(on=day, state__in=OPEN, frozen_at__isnull=True, cut_off_at__lte=now)
            .select_related("kitchen", "buyer")
            .order_by("pk")
        )
        Shipment.objects.filter(pk__in=[s.pk for s in fresh]).update(frozen_at=now, version=F("version") + 1)
        for each in fresh:
            events.record(
                "shipment_frozen", subject=each.public_id, by="night", at=now, kitchen=each.kitchen, buyer=each.buyer,
                data={"on": on},
            )  # fmt: skip
        if fresh:
            events.record("frozen", subject=on, by="night", at=now, data={"shipments": len(fresh)})
    if day >= today(now):
        packing.make_pick_lists(day, by="night", now=now)
        tell_shortages(day, now=now)
        doubts.follow_plan(now=now)
    return len(fresh)


def _plan(day: date, *, now: datetime) -> None:
    """The last plan of a date; a new forecast is drawn for it only where something waits to be taken in."""
    if jobs.waits("replan"):
        planning.replan(now=now, cause=f"cut-off of {day.isoformat()}")
    else:
        planning.allot(today=today(now), now=now, cause=f"cut-off of {day.isoformat()}")


def follow_plan(*, now: datetime) -> int:
    """After a new plan: the lists of frozen dates name the lots that harvests became, and who is short now is told.

    Returns how many customers were told.
    """
    frozen = Shipment.objects.filter(on__gte=today(now), state__in=OPEN, frozen_at__isnull=False)
    told = 0
    for day in sorted(set(frozen.values_list("on", flat=True))):
        packing.make_pick_lists(day, by="night", now=now)
        told += tell_shortages(day, now=now)
    return told


def tell_shortages(on: date, *, now: datetime) -> int:
    """A notice to each customer who will get less than promised on a frozen date; once per order and promise.

    It goes at once: whoever is told while shops are open can still buy elsewhere.  A kitchen is offered a choice for
    each line with it (``services.shortages``); offers of lines that come in full after all are closed.  ``subject``
    says, by line number, why (a word of ``read.shortages.REASONS``) and the offer's id where there is one.
    """
    told = 0
    short = (
        Line.objects.filter(
            shipment__on=on,
            shipment__state__in=OPEN,
            shipment__frozen_at__isnull=False,
            cancelled_at__isnull=True,
            promised__gt=F("allocated") + F("picked"),
        )
        .select_related("order__kitchen", "order__buyer", "promise", "product", "shipment__kitchen")
        .order_by("order_id", "number")
    )
    by_order: dict[int, list[Line]] = {}
    for line in short:
        if reading.is_short(line):
            by_order.setdefault(line.order_id, []).append(line)
    with transaction.atomic():
        shortages.settle(on, now=now)
        for lines in by_order.values():
            order = lines[0].order
            numbers = "-".join(f"{line.number}.{line.promise.number}" for line in lines if line.promise is not None)
            once = f"shortage:{order.public_id}:{sha256(numbers.encode()).hexdigest()[:16]}"
            if Mail.objects.filter(once=once).exists():
                continue
            numbers_of = {line.pk: str(line.number) for line in lines}
            offers = {numbers_of[each.line_id]: each.public_id for each in shortages.offer(lines, now=now)}
            events.record(
                "shortage_told",
                subject=order.public_id,
                by="night",
                at=now,
                kitchen=order.kitchen,
                buyer=order.buyer,
                data={
                    "lines": [
                        {"line": line.number, "promised": line.promised, "comes": line.allocated + line.picked}
                        for line in lines
                    ]
                },
            )
            mails.queue(
                "shortage",
                kitchen=order.kitchen,
                buyer=order.buyer,
                once=once,
                now=now,
                subject={
                    "order": order.pk,
                    "lines": [line.number for line in lines],
                    "reasons": {str(line.number): reading.reason_of(line) for line in lines},
                    "offers": offers,
                },
            )
            told += 1
    return told
