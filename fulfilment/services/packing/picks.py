"""Picks: what was really taken from a lot for a line, and taking one back.

What is on the scale is recorded as it is.  Some things are refused (a lot on hold, another strain, past use-by, a
shipment that has gone); some are asked once and then recorded as they are (more than the line is due, more than the
book says the lot holds, older than the kitchen takes).  A pick never waits for a promise book; the replan it asks for
says what has become doubtful.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from django.db import transaction
from django.db.models import F

from fulfilment.core.calendar import in_words
from fulfilment.core.problems import Conflict, Invalid, Unconfirmed
from fulfilment.core.units import amount as checked_amount
from fulfilment.models import Allocation, Batch, Hold, Line, Lot, Pick, PickRow, PromisePart, Shipment, StockEntry
from fulfilment.read import holds
from fulfilment.services import events, given, jobs, kits, rows, stock
from fulfilment.services.packing import lines
from fulfilment.services.packing.settling import OPEN, due, settle, stamp_lists, tolerance_pct

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(slots=True)
class _Question:
    """What is asked before it is recorded: sentences for the packer, codes and numbers for programs."""

    sentences: list[str] = field(default_factory=list)
    codes: list[str] = field(default_factory=list)
    data: dict[str, Any] = field(default_factory=dict)

    def add(self, code: str, sentence: str, **data: Any) -> None:
        self.sentences.append(sentence)
        self.codes.append(code)
        self.data |= data

    def ask(self) -> None:
        if self.sentences:
            raise Unconfirmed(
                f"{' '.join(self.sentences)} Confirm, and it is recorded as it is.",
                where="amount",
                questions=self.codes,
                **self.data,
            )


def pick(
    line: str,
    *,
    lot: str,
    amount: int,
    kit_numbers: Sequence[str] = (),
    reason: str = "",
    confirmed: bool = False,
    by: str,
    now: datetime,
    today: date,
) -> Pick:
    """Record ``amount`` (grams net of tare, or kits) taken from ``lot`` for ``line`` (``K7Q2-M4XJ/1``).

    ``kit_numbers`` names the kits taken; else they are those sealed first.  ``reason`` is needed past best before.
    Raises :class:`Unconfirmed` once for what is unlikely; the same call with ``confirmed`` writes it.
    """
    because = given.text(reason, where="reason", at_most=200, required=False)
    with transaction.atomic():
        source, shipment, wanted = _locked(line, lot)
        unit = "kits" if wanted.product.is_kit else "grams"
        checked_amount(amount, where="amount", unit=unit)
        _check_open(wanted, shipment)
        _check_lot(source, wanted, today=today, because=because)
        if not confirmed:
            _question(source, wanted, amount, unit=unit).ask()
        bags = kits.choose(source, count=amount, numbers=kit_numbers) if wanted.product.is_kit else []
        correction = max(0, amount - source.quantity)
        if correction:
            stock.move(
                source, kind=StockEntry.Kind.CORRECTED, quantity=correction, by=by, now=now,
                reason="weighed more than the book when picked",
            )  # fmt: skip
        entry = stock.move(source, kind=StockEntry.Kind.PICKED, quantity=-amount, reason=because, by=by, now=now)
        made = Pick.objects.create(
            line=wanted, lot=source, amount=amount, entry=entry, reason=because, at=now,
            by=by[: events.BY_LENGTH],
        )  # fmt: skip
        if bags:
            kits.sell(bags, line=wanted, on=today, by=by, now=now)
            stock.lose_kits(source.batch, pieces=amount)
        _write_line(wanted, shipment, more=amount, by=by, now=now)
        events.record(
            "picked", subject=wanted.order.public_id, by=by, at=now, kitchen=shipment.kitchen, buyer=shipment.buyer,
            data={"line": wanted.number, "lot": source.public_id, "amount": amount, "pick": made.public_id,
                  "due": due([wanted])[wanted.pk], "picked": wanted.picked, "corrected": correction,
                  "kits": [kit.public_id for kit in bags]},
        )  # fmt: skip
        jobs.add("replan", due_at=now)
    return made


def undo_pick(pick: str, *, reason: str = "", by: str, now: datetime, today: date) -> Pick:
    """Put back what a pick took, once, as long as it has not left the farm; the same pick stays to be seen."""
    because = given.text(reason, where="reason", at_most=200, required=False)
    with transaction.atomic():
        found = rows.find(Pick, pick, where="pick")
        name = f"{found.line.order.public_id}/{found.line.number}"
        source, shipment, wanted = _locked(name, found.lot.public_id)
        if found.reverses_id is not None:
            raise Conflict(
                "This entry already undoes a pick: pick again if it was right after all.",
                code="is_undoing",
                where="pick",
            )
        if Pick.objects.filter(reverses=found).exists():
            raise Conflict("This pick was undone already.", code="already_undone", where="pick")
        if shipment.state not in OPEN:
            raise Conflict(
                f"Line {name} is {shipment.state}: what has left the farm never comes back into store. "
                "Record it as refused at the door instead.",
                code="already_sent",
                where="pick",
                state=shipment.state,
            )
        entry = stock.move(
            source, kind=StockEntry.Kind.PICK_UNDONE, quantity=found.amount, reason=because, by=by, now=now
        )
        made = Pick.objects.create(
            line=wanted, lot=source, amount=-found.amount, entry=entry, reverses=found, reason=because, at=now,
            by=by[: events.BY_LENGTH],
        )  # fmt: skip
        if wanted.product.is_kit:
            kits.take_back(wanted, lot=source, count=found.amount, sold_at=found.at, on=today, by=by, now=now)
            Batch.objects.filter(pk=source.batch_id).update(
                kit_quota=F("kit_quota") + found.amount, version=F("version") + 1
            )
        _write_line(wanted, shipment, more=-found.amount, by=by, now=now)
        events.record(
            "pick_undone", subject=wanted.order.public_id, by=by, at=now,
            kitchen=shipment.kitchen, buyer=shipment.buyer,
            data={"line": wanted.number, "lot": source.public_id, "amount": found.amount, "pick": found.public_id,
                  "picked": wanted.picked},
        )  # fmt: skip
        jobs.add("replan", due_at=now)
    return made


def _locked(line: str, lot: str) -> tuple[Lot, Shipment, Line]:
    """Batch (kits move its quota), lot, shipment and line, locked in the order that holds everywhere."""
    seen = lines.find(line)
    source = rows.find(Lot, lot, where="lot")
    if source.kind == Lot.Kind.KITS:
        Batch.objects.select_for_update(no_key=True).get(pk=source.batch_id)
    source = rows.lock(Lot, source.public_id)
    shipment = rows.lock(Shipment, seen.shipment.public_id)
    return source, shipment, lines.lock(line)


def _check_open(line: Line, shipment: Shipment) -> None:
    if line.cancelled_at is not None or shipment.state == Shipment.State.CANCELLED:
        raise Conflict(f"Line {line} was cancelled: leave its goods in store.", code="cancelled", where="line")
    if shipment.state not in OPEN:
        raise Conflict(
            f"Line {line} is already {shipment.state}: nothing more can be picked for it. What is still wanted is a "
            "new order.",
            code="already_sent",
            where="line",
            state=shipment.state,
        )


def _check_lot(lot: Lot, line: Line, *, today: date, because: str) -> None:
    """What is refused whoever asks; past best before a person's reason is enough."""
    for hold in holds.over_lot(lot.pk):
        destroyed = hold.outcome == Hold.Outcome.DESTROYED
        raise Conflict(
            f"Lot {lot.public_id} was destroyed: nothing is ever picked from it. Take another lot."
            if destroyed
            else f"Lot {lot.public_id} is on hold: nothing is picked from it until somebody releases it. Take another "
            "lot.",
            code="destroyed" if destroyed else "on_hold",
            where="lot",
            lot=lot.public_id,
        )
    accepted = _accepted(line)
    if (lot.strain_id, lot.grade) not in accepted:
        raise Invalid(
            f"Lot {lot.public_id} holds {lot.strain.name}, {lot.grade}; line {line} takes "
            f"{line.product.strain.name}, {line.product.grade}"
            f"{' or what was agreed to stand in for it' if len(accepted) > 1 else ''}.",
            code="not_accepted",
            where="lot",
            lot=lot.public_id,
        )
    arrives = max(today, line.shipment.on)
    if lot.best_before >= arrives:
        return
    date_name = "use-by" if lot.hard_stop else "start-by" if lot.kind == Lot.Kind.KITS else "best-before"
    past = (
        f"is past its {date_name} date, {in_words(lot.best_before)}"
        if lot.best_before < today
        else f"will be past its {date_name} date, {in_words(lot.best_before)}, when it arrives on {in_words(arrives)}"
    )
    if lot.hard_stop:
        raise Conflict(
            f"Lot {lot.public_id} {past}: it is not picked, whoever asks. "
            f"{'Write it off as waste.' if lot.best_before < today else 'Take another lot.'}",
            code="past_use_by",
            where="lot",
            lot=lot.public_id,
        )
    if not because:
        raise Invalid(
            f"Lot {lot.public_id} {past}: to pick it all the same, say why.",
            code="past_best_before",
            where="reason",
            lot=lot.public_id,
        )


def _accepted(line: Line) -> set[tuple[int, str]]:
    """(strain, grade) the line may get: what it names, what was promised instead, what its kitchen takes instead."""
    product, kitchen = line.product, line.shipment.kitchen
    found = {(product.strain_id, product.grade)}
    found |= set(PromisePart.objects.filter(promise__current_of=line).values_list("book__strain_id", "book__grade"))
    if kitchen is not None:
        found |= set(
            kitchen.substitutes.filter(strain=product.strain_id, grade=product.grade).values_list(
                "instead_strain_id", "instead_grade"
            )
        )
    return found


def _question(lot: Lot, line: Line, amount: int, *, unit: str) -> _Question:
    question = _Question()
    is_due, total = due([line])[line.pk], line.picked + amount
    over = total - is_due
    if 100 * over > is_due * tolerance_pct(line):
        eaten = _eaten(lot, line, amount, over=over)
        whose = (
            f"{sum(part for _, part in eaten)} {unit} of it would come out of what was promised to "
            f"{_listed([name for name, _ in eaten])}."
            if eaten
            else "It takes nothing out of another promise from this lot."
        )
        question.add(
            "too_much",
            f"Line {line} is due {is_due} {unit} and would have {total}. {whose}",
            due=is_due,
            would_have=total,
            eats=[{"line": name, "amount": part} for name, part in eaten],
        )
    if amount > lot.quantity:
        question.add(
            "above_book",
            f"By the book lot {lot.public_id} holds {lot.quantity} {unit}, and {amount} were taken: the book would be "
            f"corrected by {amount - lot.quantity}.",
            holds=lot.quantity,
            correction=amount - lot.quantity,
        )
    kitchen = line.shipment.kitchen
    if kitchen is not None and lot.kind == Lot.Kind.FRESH:
        age = (line.shipment.on - lot.ready_on).days
        if age > kitchen.max_age_days:
            oldest = line.shipment.on - timedelta(days=kitchen.max_age_days)
            question.add(
                "too_old",
                f"Lot {lot.public_id} was harvested on {in_words(lot.ready_on)}; this kitchen takes nothing harvested "
                f"before {in_words(oldest)}.",
                age_days=age,
            )
    return question


def _eaten(lot: Lot, line: Line, amount: int, *, over: int) -> list[tuple[str, int]]:
    """(line, amount) of the other lines whose promise from this lot the excess would take, the last delivered first."""
    others = [
        (str(each.line), min(each.amount, each.line.promised - each.line.picked))
        for each in Allocation.objects.filter(
            lot=lot,
            line__shipment__state__in=OPEN,
            line__cancelled_at__isnull=True,
            line__promised__gt=F("line__picked"),
        )
        .exclude(line=line)
        .select_related("line__order")
        .order_by("-line__shipment__on", "-line")
    ]
    missing = min(over, sum(owed for _, owed in others) - max(0, lot.quantity - amount))
    found = []
    for name, owed in others:
        if missing <= 0:
            break
        found.append((name, min(owed, missing)))
        missing -= owed
    return found


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _write_line(line: Line, shipment: Shipment, *, more: int, by: str, now: datetime) -> None:
    line.picked += more
    line.version += 1
    line.save(update_fields=["picked", "version"])
    settle(shipment, by=by, now=now)
    stamp_lists(PickRow.objects.filter(line=line).values_list("pick_list", flat=True), now=now)
