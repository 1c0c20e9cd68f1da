"""What happens to a lot in store besides being picked: it dries out, is thrown away, taken, counted again.

``move`` is the one way a lot's ledger grows, for every service.  A trigger adds the entry to the lot's quantity and the
table refuses to go below zero; ``move`` looks first, so that a person gets a sentence.

Fresh lots are grams.  Lots of kits are numbered bags: which of them are taken is named, or those with the lowest
numbers are, and each is told so in its own events.

Taking what nobody is owed changes what the promises receive, so the book is locked first.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

from django.db import transaction
from django.db.models import F, Sum
from django.db.models.functions import Greatest

from fulfilment.core import codes
from fulfilment.core.calendar import in_words
from fulfilment.core.care import EventKind, KitStage
from fulfilment.core.care.events import SAME_FLUSH
from fulfilment.core.problems import Conflict, Invalid, Unconfirmed
from fulfilment.core.units import amount
from fulfilment.models import Allocation, Batch, Book, Hold, Kit, KitEvent, Lot, Pick, Plan, StockEntry
from fulfilment.read import holds
from fulfilment.services import events, given, jobs, rows

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime

    from django.db.models import QuerySet

Kind = StockEntry.Kind

TAKEN: Final = (Kind.SAMPLE, Kind.OWN_USE, Kind.GIVEN_AWAY, Kind.SOLD_AT_GATE)
EATEN: Final = (Kind.OWN_USE, Kind.GIVEN_AWAY, Kind.SOLD_AT_GATE)
"""What somebody will eat: not from a lot that is held or past its use-by date."""
HANDED_OVER: Final = (Kind.GIVEN_AWAY, Kind.SOLD_AT_GATE)
"""A kit taken so has a holder, who can join by the code on the box."""


def move(lot: Lot, *, kind: str, quantity: int, by: str, now: datetime, reason: str = "") -> StockEntry:
    """Write one entry of a lot that the caller has locked: ``quantity`` above zero came in, below it left.

    The lot in hand is brought up to date.  The caller writes the event.
    """
    left = lot.quantity + quantity
    if left < 0:
        raise Conflict(
            f"Lot {lot.public_id} holds {lot.quantity} {unit(lot)}, so {-quantity} cannot leave it: take at most "
            f"{lot.quantity}, or correct the lot first."
            if lot.quantity
            else f"Lot {lot.public_id} is empty: take from another lot, or correct this one first.",
            code="not_in_store",
            where="quantity",
            lot=lot.public_id,
            there=lot.quantity,
        )
    entry = StockEntry.objects.create(
        lot=lot, kind=kind, quantity=quantity, at=now, by=by[: events.BY_LENGTH], reason=reason
    )
    Lot.objects.filter(pk=lot.pk).update(version=F("version") + 1)
    lot.refresh_from_db(fields=["quantity", "version"])
    return entry


def unit(lot: Lot) -> str:
    """What a lot's quantity counts."""
    return "kits" if lot.kind == Lot.Kind.KITS else "g"


def lock_books(books: QuerySet[Book]) -> None:
    """Lock these books, before any lot or batch: nobody is promised meanwhile what is about to be taken."""
    rows.lock_all(books)


def waste(
    lot_id: str,
    *,
    quantity: int,
    by: str,
    now: datetime,
    today: date,
    reason: str = "",
    kits: Sequence[str] = (),
) -> StockEntry:
    """Thrown away: it is on the compost and comes back no more."""
    with transaction.atomic():
        lot = _lock(lot_id)
        reason = given.text(reason, where="reason", at_most=200, required=False)
        entry = _take(lot, kind=Kind.WASTED, quantity=quantity, kits=kits, by=by, now=now, today=today, reason=reason)
        _tell("lot_wasted", lot, entry, by=by, now=now)
    return entry


def dry_out(
    lot_id: str, *, by: str, now: datetime, lost_g: int | None = None, counted_g: int | None = None
) -> StockEntry:
    """Mushrooms lose water in store: so many grams less, or weighed again at so many."""
    with transaction.atomic():
        lot = _lock(lot_id)
        if lot.kind != Lot.Kind.FRESH:
            raise Invalid("Kits are counted, not weighed: they do not dry out.", code="not_fresh", where="lot")
        if (lost_g is None) == (counted_g is None):
            raise Invalid(
                "Give either the grams lost or the weight counted now, one of the two.",
                code="one_of_two",
                where="lost_g",
            )
        if counted_g is not None:
            amount(counted_g, where="counted_g", at_least=0)
            if counted_g >= lot.quantity:
                raise Invalid(
                    f"Lot {lot.public_id} holds {lot.quantity} g by the book, and drying makes it lighter, not "
                    f"{counted_g} g: correct the lot if the book is wrong.",
                    code="not_lighter",
                    where="counted_g",
                    there=lot.quantity,
                )
            lost_g = lot.quantity - counted_g
        entry = move(lot, kind=Kind.DRIED_OUT, quantity=-amount(lost_g, where="lost_g"), by=by, now=now)
        _tell("lot_dried_out", lot, entry, by=by, now=now)
    return entry


def correct(lot_id: str, *, to_quantity: int, reason: str, by: str, now: datetime) -> StockEntry:
    """The book is wrong: the lot holds ``to_quantity`` grams, and the reason says how one knows."""
    with transaction.atomic():
        lot = _lock(lot_id)
        if lot.kind != Lot.Kind.FRESH:
            raise Invalid(
                "Kits are numbered bags: throw away the missing ones by their numbers instead.",
                code="not_fresh",
                where="lot",
            )
        amount(to_quantity, where="to_quantity", at_least=0)
        reason = given.reason(reason, what="correcting a lot")
        if to_quantity == lot.quantity:
            raise Invalid(
                f"Lot {lot.public_id} holds {to_quantity} g by the book already: there is nothing to correct.",
                code="nothing_to_correct",
                where="to_quantity",
            )
        entry = move(lot, kind=Kind.CORRECTED, quantity=to_quantity - lot.quantity, by=by, now=now, reason=reason)
        _tell("lot_corrected", lot, entry, by=by, now=now)
    return entry


def take(
    lot_id: str,
    *,
    kind: str,
    quantity: int,
    by: str,
    now: datetime,
    today: date,
    reason: str = "",
    kits: Sequence[str] = (),
    confirmed: bool = False,
) -> StockEntry:
    """A sample, for one's own table, given away, sold at the gate.

    Asks once before it takes what tonight's plan meant for somebody's order.
    """
    with transaction.atomic():
        given.one_of(kind, [word.value for word in TAKEN], where="kind")
        lot = _lock(lot_id)
        reason = given.text(reason, where="reason", at_most=200, required=False)
        amount(quantity, where="quantity", unit=unit(lot))
        if kind in EATEN:
            _check_fit_to_eat(lot, today=today, reason=reason)
        free = max(0, lot.quantity - _allocated(lot))
        if free < quantity <= lot.quantity and not confirmed:
            raise Unconfirmed(
                f"Only {free} {unit(lot)} of lot {lot.public_id} are not planned for an order: confirm to take "
                f"{quantity} all the same, and the orders are planned anew.",
                where="quantity",
                free=free,
            )
        entry = _take(lot, kind=kind, quantity=quantity, kits=kits, by=by, now=now, today=today, reason=reason)
        _tell("lot_taken", lot, entry, by=by, now=now)
    return entry


def lose_kits(batch: Batch, *, pieces: int) -> None:
    """So many sealed kits of a batch that the caller has locked are gone: they count no longer as kits to come."""
    Batch.objects.filter(pk=batch.pk).update(kit_quota=Greatest(F("kit_quota") - pieces, 0), version=F("version") + 1)


def in_store(batch: Batch) -> int:
    """Kits of a batch that are sealed and not yet picked."""
    total = Lot.objects.filter(batch=batch, kind=Lot.Kind.KITS).aggregate(sum=Sum("quantity"))["sum"]
    return total or 0


def end_kits(kits: Sequence[Kit], *, kind: str, by: str, now: datetime, today: date) -> None:
    """Tell each of these kits, all of them sealed and unsold, what became of it."""
    steps = [EventKind.SOLD, EventKind.SENT] if kind in HANDED_OVER else [EventKind.FINISHED]
    stage = KitStage.SEALED
    for step in steps:
        stage = SAME_FLUSH[stage, step]
    told = [step.value for step in steps]
    before = Counter(
        KitEvent.objects.filter(kit__in=kits, kind__in=told).values_list("kit_id", "kind")
    )  # a kit that went back on sale was sold before
    KitEvent.objects.bulk_create(
        KitEvent(kit=kit, kind=step, on=today, cycle=before[kit.pk, step] + 1, at=now, by=by[: events.BY_LENGTH])
        for kit in kits
        for step in told
    )
    Kit.objects.filter(pk__in=[kit.pk for kit in kits]).update(
        state=stage.value,
        finished_on=today if stage is KitStage.FINISHED else None,
        version=F("version") + 1,
    )


def _lock(lot_id: str) -> Lot:
    """The lot for taking from it: its book first, then the batch of kits, then itself."""
    found = rows.find(Lot, lot_id, where="lot")
    lock_books(Book.objects.filter(strain=found.strain_id, grade=found.grade))
    if found.kind == Lot.Kind.KITS:
        Batch.objects.select_for_update(no_key=True).get(pk=found.batch_id)
    return rows.lock(Lot, lot_id, where="lot")


def _take(
    lot: Lot, *, kind: str, quantity: int, kits: Sequence[str], by: str, now: datetime, today: date, reason: str
) -> StockEntry:
    amount(quantity, where="quantity", unit=unit(lot))
    if lot.kind == Lot.Kind.FRESH:
        if kits:
            raise Invalid("Fresh mushrooms have no numbers: leave the kits out.", code="not_kits", where="kits")
        return move(lot, kind=kind, quantity=-quantity, by=by, now=now, reason=reason)
    entry = move(lot, kind=kind, quantity=-quantity, by=by, now=now, reason=reason)
    end_kits(_choose(lot, kits, quantity=quantity), kind=kind, by=by, now=now, today=today)
    lose_kits(lot.batch, pieces=quantity)
    return entry


def _choose(lot: Lot, numbers: Sequence[str], *, quantity: int) -> list[Kit]:
    """The kits that are named, or those with the lowest numbers, of what is sealed and nobody's."""
    free = Kit.objects.filter(lot=lot, state=KitStage.SEALED.value, line__isnull=True)
    if not numbers:
        found = rows.lock_all(free)[:quantity]
    else:
        wanted = {codes.tidy(number) for number in numbers}
        found = rows.lock_all(free.filter(public_id__in=wanted))
        if len(wanted) != quantity or len(found) != len(wanted):
            raise Invalid(
                f"{quantity} kits were to be taken and {len(found)} of the numbers are kits in lot {lot.public_id}: "
                "name each kit once.",
                code="kits_not_in_lot",
                where="kits",
            )
    if len(found) < quantity:
        raise Conflict(
            f"Lot {lot.public_id} has {len(found)} kits that are not picked for an order: undo a pick first.",
            code="not_in_store",
            where="quantity",
            there=len(found),
        )
    return found


def _check_fit_to_eat(lot: Lot, *, today: date, reason: str) -> None:
    for hold in holds.over_lot(lot.pk):
        destroyed = hold.outcome == Hold.Outcome.DESTROYED
        raise Conflict(
            f"Lot {lot.public_id} was destroyed ({hold.reason}): nobody may eat of it."
            if destroyed
            else f"Lot {lot.public_id} is held ({hold.reason}): nobody may eat of it until a person releases it.",
            code="destroyed" if destroyed else "held",
            where="lot",
            hold=hold.public_id,
        )
    if today <= lot.best_before:
        return
    if lot.hard_stop:
        raise Conflict(
            f"Lot {lot.public_id} was to be used by {in_words(lot.best_before)}: it can only be thrown away.",
            code="past_use_by",
            where="lot",
        )
    if not reason:
        raise Invalid(
            f"Lot {lot.public_id} is past its date, {in_words(lot.best_before)}: say why it goes out all the same.",
            code="reason_needed",
            where="reason",
        )


def _allocated(lot: Lot) -> int:
    """What the plan takes from this lot and is not picked yet; a plan knows of the picks that were before it."""
    planned = dict(
        Allocation.objects.filter(
            lot=lot, line__shipment__state__in=["placed", "packed"], line__cancelled_at__isnull=True
        ).values_list("line_id", "amount")
    )
    since = Pick.objects.filter(lot=lot, line__in=planned)
    newest = Plan.objects.order_by("-made_at").values_list("made_at", flat=True).first()
    if newest is not None:
        since = since.filter(at__gte=newest)
    picked = dict(since.values_list("line_id").annotate(total=Sum("amount")))
    return sum(max(0, planned[line] - picked.get(line, 0)) for line in planned)


def _tell(kind: str, lot: Lot, entry: StockEntry, *, by: str, now: datetime) -> None:
    events.record(
        kind,
        subject=lot.public_id,
        by=by,
        at=now,
        data={"entry": entry.pk, "kind": entry.kind, "quantity": entry.quantity, "left": lot.quantity},
    )
    jobs.add("replan", due_at=now)
