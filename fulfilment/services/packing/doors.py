"""Out of the house and to the door: rounds closed, parcels handed over, deliveries accepted or refused, crates.

Closing a round sends each of its stops with what was picked for it, short or not; what is still promised and unpicked
ends there.  What a customer sends back at the door is recorded with its reason and is waste, never stock again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime

from django.db import transaction
from django.db.models import F, Max

from fulfilment.core import codes
from fulfilment.core.calendar import in_words
from fulfilment.core.problems import Conflict, Invalid, Unconfirmed
from fulfilment.core.units import amount, said
from fulfilment.models import (
    Allocation,
    CrateEntry,
    DeliveryNote,
    Farm,
    Kit,
    Kitchen,
    Line,
    Parcel,
    Refusal,
    Round,
    Shipment,
    Way,
)
from fulfilment.models.states import SHIPMENT, move
from fulfilment.read import holds
from fulfilment.services import events, given, jobs, kits, mails, rows
from fulfilment.services.packing import lines
from fulfilment.services.packing.lists import check_open
from fulfilment.services.packing.settling import OPEN, lacks, stamp_lists

MOST_CRATES = 500


def close_round(round: str, *, crates: dict[str, int] | None = None, by: str, now: datetime, today: date) -> Round:  # noqa: A002 - the trade's word
    """The round leaves: every stop with anything picked is sent with a delivery note.

    ``crates`` says how many of the farm's crates go to a stop, by shipment id.  A stop with nothing picked stays where
    it is, for another round, and is told to staff by the event.
    """
    out = {codes.tidy(key) or key: value for key, value in (crates or {}).items()}
    with transaction.atomic():
        trip = rows.lock(Round, round, where="round")
        check_open(trip)
        shipments = rows.lock_all(
            Shipment.objects.filter(stop__round=trip, state__in=OPEN).select_related("kitchen", "buyer", "stop")
        )
        going = [shipment for shipment in shipments if _anything_picked(shipment)]
        _check_crates(out, shipments, going=going)
        sent = []
        for shipment in sorted(going, key=lambda each: each.stop.position):
            _send(shipment, by=by, now=now, today=today)
            crates_out = out.get(shipment.public_id, 0)
            if crates_out and shipment.kitchen is not None:
                _move_crates(shipment.kitchen, crates_out, shipment=shipment, by=by, now=now)
            sent.append(shipment.public_id)
        trip.closed_at, trip.closed_by, trip.version = now, by[: events.BY_LENGTH], trip.version + 1
        trip.save(update_fields=["closed_at", "closed_by", "version"])
        stamp_lists([trip.pick_list.pk] if hasattr(trip, "pick_list") else [], now=now)
        empty = [shipment.public_id for shipment in shipments if shipment.public_id not in sent]
        events.record(
            "round_closed", subject=trip.public_id, by=by, at=now, data={"sent": sent, "nothing_packed": empty}
        )
        jobs.add("replan", due_at=now)
    return trip


def hand_parcel(
    shipment: str,
    *,
    carrier: str,
    tracking: str = "",
    link: str = "",
    confirmed: bool = False,
    by: str,
    now: datetime,
    today: date,
) -> Parcel:
    """A packed parcel is the carrier's now; its kits' care begins and their buyer is told, with the ``link`` where the
    carrier tells of it.

    One that lacks something of what it is due is asked about once.
    """
    with transaction.atomic():
        found = rows.lock(Shipment, shipment, where="shipment")
        if found.way != Way.CARRIER:
            raise Conflict(f"This shipment goes by {found.way}, not by carrier.", code="other_way", where="shipment")
        _check_open(found)
        _check_packed(found, confirmed=confirmed)
        parcel = Parcel.objects.create(
            shipment=found,
            carrier=given.text(carrier, where="carrier", at_most=60),
            tracking=given.text(tracking, where="tracking", at_most=60, required=False),
            link=given.link(link, where="link"),
            handed_at=now,
            handed_by=by[: events.BY_LENGTH],
        )
        _send(found, by=by, now=now, today=today)
        events.record(
            "parcel_handed", subject=found.public_id, by=by, at=now, kitchen=found.kitchen, buyer=found.buyer,
            data={"carrier": parcel.carrier},
        )  # fmt: skip
        jobs.add("replan", due_at=now)
    return parcel


def collect(shipment: str, *, confirmed: bool = False, by: str, now: datetime, today: date) -> Shipment:
    """The customer fetched it: sent and delivered in one.

    What lacks something of what it is due is asked about once.
    """
    with transaction.atomic():
        found = rows.lock(Shipment, shipment, where="shipment")
        if found.way != Way.COLLECTED:
            raise Conflict(
                f"This shipment goes by {found.way}: it is not collected.", code="other_way", where="shipment"
            )
        _check_open(found)
        _check_packed(found, confirmed=confirmed)
        _send(found, by=by, now=now, today=today)
        jobs.add("replan", due_at=now)
        return deliver(shipment, by=by, now=now, today=today)


def deliver(
    shipment: str,
    *,
    refused: Sequence[tuple[str, int, str]] = (),
    crates_back: int = 0,
    confirmed: bool = False,
    by: str,
    now: datetime,
    today: date,
) -> Shipment:
    """At the door: what was refused, as (line, amount, reason), and empty crates taken back.

    More crates than the kitchen has by the book are asked once.
    """
    with transaction.atomic():
        found = rows.lock(Shipment, shipment, where="shipment")
        state = move(SHIPMENT, found.state, Shipment.State.DELIVERED, what="shipment")
        sent_back = [
            {
                "line": _refuse(found, name, quantity, reason, where=f"refused.{place}", by=by, now=now, today=today),
                "amount": quantity,
            }
            for place, (name, quantity, reason) in enumerate(refused)
        ]
        back = given.number(crates_back, where="crates_back", at_least=0, at_most=MOST_CRATES, unit="crates")
        if back and found.kitchen is None:
            raise Invalid("Crates are counted for kitchens only.", code="no_kitchen", where="crates_back")
        if back and found.kitchen is not None:
            _check_back(found.kitchen, back, confirmed=confirmed, where="crates_back")
            _move_crates(found.kitchen, -back, shipment=found, by=by, now=now)
        found.state, found.delivered_at, found.version = Shipment.State(state), now, found.version + 1
        found.save(update_fields=["state", "delivered_at", "version"])
        events.record(
            "delivered", subject=found.public_id, by=by, at=now, kitchen=found.kitchen, buyer=found.buyer,
            data={"refused": sent_back, "crates_back": back},
        )  # fmt: skip
    return found


def take_crates(kitchen: str, *, back: int, confirmed: bool = False, by: str, now: datetime) -> Kitchen:
    """Empty crates that came back outside a delivery; more than the kitchen has by the book are asked once."""
    with transaction.atomic():
        whose = rows.lock(Kitchen, kitchen, where="kitchen")
        given.number(back, where="back", at_least=1, at_most=MOST_CRATES, unit="crates")
        _check_back(whose, back, confirmed=confirmed, where="back")
        _move_crates(whose, -back, shipment=None, by=by, now=now)
    return rows.find(Kitchen, kitchen)


def _check_open(shipment: Shipment) -> None:
    if shipment.state not in OPEN:
        raise Conflict(
            f"This shipment is {shipment.state} already.", code="wrong_state", where="shipment", state=shipment.state
        )


def _anything_picked(shipment: Shipment) -> bool:
    return shipment.lines.filter(cancelled_at__isnull=True, picked__gt=0).exists()


def _check_packed(shipment: Shipment, *, confirmed: bool) -> None:
    """Something is picked; and everything that is due, unless a person has said that it goes as it is."""
    if not _anything_picked(shipment):
        raise Conflict("Nothing of this shipment is picked yet: pick it first.", code="not_packed", where="shipment")
    lacking = [] if confirmed else lacks(shipment)
    if lacking:
        told = "; ".join(
            f"line {line} is due {said(wanted, is_kit=line.product.is_kit)} and has "
            f"{said(line.picked, is_kit=line.product.is_kit) if line.picked else 'nothing'}"
            for line, wanted in lacking
        )
        raise Unconfirmed(
            f"Not all of it is packed: {told}. Confirm, and it goes as it is; what is still wanted is a new order.",
            where="shipment",
            lines=[{"line": str(line), "due": wanted, "picked": line.picked} for line, wanted in lacking],
        )


def _send(shipment: Shipment, *, by: str, now: datetime, today: date) -> None:
    """The caller has locked it: sent as it is packed, with its delivery note; kits begin their way."""
    _check_holds(shipment)
    _check_use_by(shipment, today=today)
    shipment.state = Shipment.State(move(SHIPMENT, shipment.state, Shipment.State.SENT, what="shipment"))
    shipment.sent_at, shipment.version = now, shipment.version + 1
    shipment.save(update_fields=["state", "sent_at", "version"])
    Allocation.objects.filter(line__shipment=shipment).delete()
    Line.objects.filter(shipment=shipment).update(allocated=0, version=F("version") + 1)
    _note(shipment, now=now)
    sold = Kit.objects.filter(line__shipment=shipment)
    if sold.exists():
        kits.send(sold, on=today, by=by, now=now)
        mails.queue(
            "kit_sent", kitchen=shipment.kitchen, buyer=shipment.buyer, subject={"shipment": shipment.pk},
            once=f"kit_sent:{shipment.public_id}", now=now,
        )  # fmt: skip
    events.record(
        "sent", subject=shipment.public_id, by=by, at=now, kitchen=shipment.kitchen, buyer=shipment.buyer,
        data={"lines": [
            {"order": line.order.public_id, "line": line.number, "promised": line.promised, "picked": line.picked}
            for line in shipment.lines.filter(cancelled_at__isnull=True).select_related("order")
        ]},
    )  # fmt: skip


def _check_holds(shipment: Shipment) -> None:
    """A hold placed after packing stops what is packed too."""
    lots, bags = holds.held_lot_ids(), holds.held_kit_ids()
    if not lots and not bags:
        return
    for line in shipment.lines.filter(cancelled_at__isnull=True, picked__gt=0).select_related("order"):
        live = line.picks.filter(amount__gt=0, reversed_by__isnull=True).select_related("lot")
        stopped = [f"lot {pick.lot.public_id}" for pick in live if pick.lot_id in lots]
        stopped += [f"kit {kit.public_id}" for kit in line.kits.all() if kit.pk in bags]
        if stopped:
            raise Conflict(
                f"Line {line.order.public_id}/{line.number} holds {stopped[0]}, which is on hold: undo that pick, or "
                "have the hold released, before it leaves.",
                code="on_hold",
                where="shipment",
                on=stopped,
            )


def _check_use_by(shipment: Shipment, *, today: date) -> None:
    """What was packed in time and stood too long stays here: past use-by is a hard stop, whoever asks."""
    for line in shipment.lines.filter(cancelled_at__isnull=True, picked__gt=0).select_related("order"):
        late = line.picks.filter(
            amount__gt=0, reversed_by__isnull=True, lot__hard_stop=True, lot__best_before__lt=today
        ).select_related("lot")
        for pick in late:
            raise Conflict(
                f"Line {line.order.public_id}/{line.number} holds lot {pick.lot.public_id}, which was to be used by "
                f"{in_words(pick.lot.best_before)}: undo that pick and write the lot off before the rest leaves.",
                code="past_use_by",
                where="shipment",
                lot=pick.lot.public_id,
            )


def _note(shipment: Shipment, *, now: datetime) -> DeliveryNote:
    """Numbers count up without a gap: the farm's row is what two that leave at once wait for."""
    Farm.objects.select_for_update(no_key=True).get(pk=1)
    newest = DeliveryNote.objects.aggregate(newest=Max("number"))["newest"] or 0
    return DeliveryNote.objects.create(shipment=shipment, number=newest + 1, made_at=now)


def _check_crates(out: Mapping[str, int], shipments: Sequence[Shipment], *, going: Sequence[Shipment]) -> None:
    """Crates go out with the round's own kitchens, in numbers that can be."""
    kitchens = {shipment.public_id: shipment.kitchen for shipment in shipments}
    for shipment, count in out.items():
        where = f"crates.{shipment}"
        if shipment not in kitchens:
            raise Invalid(
                f"Shipment {shipment[:9]!r} is no open stop of this round: crates go out with its own stops.",
                code="not_on_round",
                where="crates",
            )
        given.number(count, where=where, at_least=0, at_most=MOST_CRATES, unit="crates")
        if count and all(shipment != each.public_id for each in going):
            raise Invalid(
                f"Nothing is picked for shipment {shipment}, so it stays here: no crates go out with it.",
                code="nothing_picked",
                where=where,
            )
        if count and kitchens[shipment] is None:
            raise Invalid("Only kitchens get crates: send a buyer's goods in a box.", code="no_kitchen", where=where)


def _check_back(kitchen: Kitchen, back: int, *, confirmed: bool, where: str) -> None:
    kitchen.refresh_from_db(fields=["crates_out"])
    if back > kitchen.crates_out and not confirmed:
        raise Unconfirmed(
            f"By the book this kitchen has {kitchen.crates_out} crates, and {back} come back. Confirm if it is so.",
            where=where,
            out=kitchen.crates_out,
        )


def _move_crates(kitchen: Kitchen, count: int, *, shipment: Shipment | None, by: str, now: datetime) -> None:
    CrateEntry.objects.create(kitchen=kitchen, shipment=shipment, crates=count, at=now, by=by[: events.BY_LENGTH])
    Kitchen.objects.filter(pk=kitchen.pk).update(crates_out=F("crates_out") + count)
    events.record("crates_moved", subject=kitchen.public_id, by=by, at=now, kitchen=kitchen, data={"crates": count})


def _refuse(
    shipment: Shipment, name: str, quantity: int, reason: str, *, where: str, by: str, now: datetime, today: date
) -> str:
    """Write it down; the line by its name."""
    line = lines.lock(name, where=f"{where}.line")
    if line.shipment_id != shipment.pk:
        raise Invalid(
            f"Line {line} is not of this delivery: name one of its own lines.",
            code="other_delivery",
            where=f"{where}.line",
        )
    left = line.accepted
    amount(quantity, where=f"{where}.amount", unit="kits" if line.product.is_kit else "grams")
    if quantity > left:
        raise Conflict(
            f"Only {left} of line {line} were delivered: no more than that can be sent back.",
            code="more_than_delivered",
            where=f"{where}.amount",
            delivered=left,
        )
    Refusal.objects.create(
        line=line, amount=quantity, reason=given.reason(reason, what="sending something back", where=f"{where}.reason"),
        at=now, by=by[: events.BY_LENGTH],
    )  # fmt: skip
    Line.objects.filter(pk=line.pk).update(refused=F("refused") + quantity, version=F("version") + 1)
    if line.product.is_kit:
        kits.refuse(line, count=quantity, on=today, by=by, now=now)
    return str(line)
