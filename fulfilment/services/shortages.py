"""Shortages: kitchens are offered a choice, and their answer is honoured.

The answer is the one thing a kitchen may still change after the cut-off (``services.answers`` says what each does).
What does not come was promised, so whoever takes less, a substitute or another date is lowered to what comes with its
rank kept, and the plan's pieces stay where they are.  Who answers nothing gets what comes.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from django.db import transaction

from fulfilment.core.calendar import in_words, zone_of
from fulfilment.core.problems import Conflict
from fulfilment.core.units import Goods, said
from fulfilment.models import Line, Shipment, ShortageOffer
from fulfilment.read import shortages as reading
from fulfilment.read.farm import farm, today
from fulfilment.read.ways import Told, Way
from fulfilment.services import answers, events


def offer(lines: Sequence[Line], *, now: datetime) -> list[ShortageOffer]:
    """An offer for each short line of a kitchen that is not yet picked from, once a promise.

    In the transaction of whoever tells the kitchen; lines come with order, kitchen, promise and shipment.
    """
    made = []
    for line in lines:
        kitchen = line.order.kitchen
        if kitchen is None or line.promise is None or line.picked:
            continue
        made.append(
            ShortageOffer(
                line=line,
                promise=line.promise,
                comes=line.allocated,
                reason=reading.reason_of(line),
                told_at=now,
                closes_at=reading.closes_at(kitchen, on=line.shipment.on, now=now),
            )
        )
    ShortageOffer.objects.bulk_create(made, ignore_conflicts=True)
    return list(ShortageOffer.objects.filter(promise__in=[each.promise_id for each in made]).order_by("pk"))


def settle(on: date, *, now: datetime) -> int:
    """Close the offers of a day whose promise the plan keeps after all, and open them again where it does not.

    Returns how many were closed or opened.
    """
    moved = 0
    unanswered = ShortageOffer.objects.filter(answer="", line__shipment__on=on, line__cancelled_at__isnull=True)
    with transaction.atomic():
        found = unanswered.select_related("line__order__kitchen", "line__product").order_by("pk")
        for each in found.select_for_update(no_key=True, of=("self",)):
            line = each.line
            if line.promise_id != each.promise_id or reading.is_short(line) is (each.filled_at is None):
                continue
            each.filled_at = now if each.filled_at is None else None
            each.save(update_fields=["filled_at"])
            events.record(
                "shortage_filled" if each.filled_at else "shortage_opened_again", subject=line.order.public_id,
                by="night", at=now, kitchen=line.order.kitchen,
                data={"offer": each.public_id, "line": line.number, "comes": line.allocated + line.picked},
            )  # fmt: skip
            moved += 1
    return moved


def answer(
    offer: str, *, choice: str, kitchen: str = "", on: date | None = None, product: str = "",
    amount: int | None = None, by: str, now: datetime,
) -> ShortageOffer:  # fmt: skip
    """The kitchen's answer (``services.answers``); refused too where the line comes in full after all."""
    return answers.answer(
        _KIND, offer, choice=choice, kitchen=kitchen, on=on, product=product, amount=amount, by=by, now=now
    )


def look(told: str, *, choice: str, kitchen: str, now: datetime) -> tuple[Told, Way]:
    """What an answer would mean, without giving it."""
    return answers.look(_KIND, told, choice=choice, kitchen=kitchen, now=now)


def _find_open(public_id: str, now: datetime) -> ShortageOffer | None:
    return reading.open_rows(now=now).filter(public_id=public_id).first()


def _why_not(row: ShortageOffer, now: datetime) -> Conflict:
    line, shipment = row.line, row.line.shipment
    comes = said(line.allocated + line.picked, is_kit=line.product.is_kit)
    if line.cancelled_at is not None or line.promise_id != row.promise_id:
        return Conflict(
            f"Line {line} was changed since you were told: look at the order as it is now.", code="changed_since"
        )
    if shipment.on < today(now):
        return Conflict(f"{in_words(shipment.on)} is over: there is nothing left to choose.", code="too_late")
    if line.picked or shipment.state != Shipment.State.PLACED:
        return Conflict(
            f"Line {line} is packed already, so it comes as it is. Please call the farm.", code="already_packed"
        )
    if line.promised <= line.allocated + line.picked:
        return Conflict(
            f"Line {line} comes in full after all: {comes} on {in_words(shipment.on)}. There is nothing to answer.",
            code="filled",
        )
    assert row.closes_at is not None, "nothing else closes an offer"
    local = row.closes_at.astimezone(zone_of(farm().zone))
    return Conflict(
        f"The time to answer was over on {in_words(local.date())} at {local:%H:%M}: {comes} will come on "
        f"{in_words(shipment.on)}. Please call the farm.",
        code="too_late",
        closed_at=row.closes_at.isoformat(),
    )


def _comes(row: ShortageOffer, _now: datetime) -> dict[Goods, int]:
    """What the plan, and the packer, have of each of the line's goods."""
    line = row.line
    coming = {Goods(line.product.strain_id, line.product.grade): line.picked}
    for piece in line.allocations.all():
        goods = Goods(piece.strain_id, piece.grade)
        coming[goods] = coming.get(goods, 0) + piece.amount
    return coming


_KIND = answers.Kind(
    name="offer",
    event="shortage_answered",
    rest="comes",
    after="Please call the farm to change it.",
    choices=ShortageOffer.Answer.values,
    rows=lambda: reading.with_lines(ShortageOffer.objects.all()),
    find_open=_find_open,
    why_not=_why_not,
    view=lambda row, now: reading.view([row], now=now)[0],
    stays=_comes,
)
