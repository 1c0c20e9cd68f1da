"""Where something came from and where it went, from one code: the lot on a label, a kit's number, an intake, a batch,
an order or one of its lines.

Back means what went into it: the lots, the batches they were taken off, the intakes and deliveries that were mixed into
these, and who gave or sold them.  Forward means what was made of it: lots, kits, the order lines that were picked from
them, and whose they are.  A trace goes both ways from its code and never turns round on the way: an intake's trace does
not name the other intakes of the same batch.  To look sideways, trace the batch.

Amounts are grams, or pieces for kits and bags.  What a line has from a lot is the sum of its picks, an undone one
counted back.  A lot tells its whole ledger, so that what was made of it equals what left plus what is in store.

Worked example: 27 kg of an intake went into batch B.  Lot L of B weighed 3,000 g; line 1 of an order has 990 g of it,
100 g were thrown away, 1,910 g are in store.  The intake's trace names B, L with that ledger, and the line; the line's
trace names L, B, and every intake and delivery of B with so much as B took of it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from datetime import date

from django.db.models import Q, Sum

from fulfilment.core.problems import Missing
from fulfilment.models import (
    Batch,
    BatchInput,
    BatchIntake,
    BatchSpawn,
    Buyer,
    Crop,
    Donor,
    InputDelivery,
    Intake,
    Kit,
    Kitchen,
    Line,
    Lot,
    Order,
    Pick,
    SpawnDelivery,
    StockEntry,
    Supplier,
)
from fulfilment.read import holds


@dataclass(frozen=True, slots=True)
class Person:
    """Whom to reach.  ``kind`` is donor, supplier, kitchen, buyer or holder."""

    kind: str
    code: str
    name: str
    email: str
    phone: str


@dataclass(frozen=True, slots=True)
class Used:
    """So much of a source in a batch."""

    batch: str
    amount: int


@dataclass(frozen=True, slots=True)
class Source:
    """An intake or a delivery; ``kind`` is intake, spawn_delivery or input_delivery; ``what`` the strain, or straw …"""

    kind: str
    code: str
    what: str
    on: date
    amount: int
    supplier_lot: str
    allergens: str
    giver: Person
    used: tuple[Used, ...]


@dataclass(frozen=True, slots=True)
class BatchPart:
    code: str
    strain: str
    mixed_on: date
    room: str
    bags: int
    held: bool


@dataclass(frozen=True, slots=True)
class LotPart:
    """``crop`` and ``flush`` are of fresh lots; ``ledger`` is (kind of entry, signed sum)."""

    code: str
    kind: str
    strain: str
    grade: str
    batch: str
    crop: str | None
    flush: int | None
    ready_on: date
    best_before: date
    in_store: int
    held: bool
    ledger: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class Taken:
    """So much of a lot for a line."""

    lot: str
    amount: int


@dataclass(frozen=True, slots=True)
class LinePart:
    """``taken`` names only the lots of this trace; ``refused`` and ``picked`` are the line's own."""

    code: str
    product: str
    on: date
    shipment: str
    state: str
    delivery_note: int | None
    customer: Person
    picked: int
    refused: int
    taken: tuple[Taken, ...]


@dataclass(frozen=True, slots=True)
class KitPart:
    """A kit that left the farm or is in store; ``holder`` is who has it now, where anybody has said."""

    code: str
    lot: str
    state: str
    line: str | None
    held: bool
    holder: Person | None


@dataclass(frozen=True, slots=True)
class Trace:
    """``kind`` is what the code is: lot, intake, spawn_delivery, input_delivery, batch, crop, kit, order or line."""

    code: str
    kind: str
    sources: tuple[Source, ...]
    batches: tuple[BatchPart, ...]
    lots: tuple[LotPart, ...]
    lines: tuple[LinePart, ...]
    kits: tuple[KitPart, ...]


@dataclass(frozen=True, slots=True)
class _Reach:
    """What the code touches.  An empty Q means all that hangs on the rows above it."""

    kind: str
    batches: Q
    lots: Q = field(default_factory=Q)
    lines: Q = field(default_factory=Q)
    kits: Q = field(default_factory=Q)
    sources: tuple[str, int] | None = None
    """One source alone, where the trace began with it."""


def trace(code: str) -> Trace:
    """Both ways from ``code``, written as the house stores it; a line is ``K7Q2-M4XJ/1``.  :class:`Missing` if none."""
    reach = _reach(code)
    batches = list(Batch.objects.filter(reach.batches).select_related("strain", "room").distinct().order_by("pk"))
    lots = list(
        Lot.objects.filter(reach.lots, batch__in=batches)
        .select_related("strain", "batch", "harvest__crop")
        .distinct()
        .order_by("pk")
    )
    return Trace(
        code=code,
        kind=reach.kind,
        sources=_sources(batches, only=reach.sources),
        batches=_batches(batches),
        lots=_lots(lots),
        lines=_lines(lots, reach.lines),
        kits=_kits(lots, reach.kits),
    )


def _reach(code: str) -> _Reach:
    """What kind of thing has this code, and what it touches."""
    order, _, number = code.partition("/")
    if number:
        wanted = int(number) if number.isdecimal() and len(number) <= 4 else 0
        line = Line.objects.filter(order__public_id=order, number=wanted).first()
        if line is not None:
            return _of_lines("line", Q(line=line), Q(pk=line.pk))
    elif (lot := Lot.objects.filter(public_id=code).first()) is not None:
        return _Reach("lot", Q(pk=lot.batch_id), lots=Q(pk=lot.pk))
    elif (batch := Batch.objects.filter(public_id=code).first()) is not None:
        return _Reach("batch", Q(pk=batch.pk))
    elif (crop := Crop.objects.filter(public_id=code).first()) is not None:
        return _Reach("crop", Q(pk=crop.batch_id), lots=Q(harvest__crop=crop))
    elif (kit := Kit.objects.filter(public_id=code).first()) is not None:
        return _Reach("kit", Q(pk=kit.batch_id), lots=Q(pk=kit.lot_id), lines=Q(kits=kit), kits=Q(pk=kit.pk))
    elif (intake := Intake.objects.filter(public_id=code).first()) is not None:
        return _Reach("intake", Q(from_intakes__intake=intake), sources=("intake", intake.pk))
    elif (spawn := SpawnDelivery.objects.filter(public_id=code).first()) is not None:
        return _Reach("spawn_delivery", Q(from_spawn__spawn_delivery=spawn), sources=("spawn_delivery", spawn.pk))
    elif (given := InputDelivery.objects.filter(public_id=code).first()) is not None:
        return _Reach("input_delivery", Q(from_inputs__input_delivery=given), sources=("input_delivery", given.pk))
    elif (placed := Order.objects.filter(public_id=code).first()) is not None:
        return _of_lines("order", Q(line__order=placed), Q(order=placed))
    raise Missing(
        f"Nothing here has the code {code[:20]}: give that of a lot, intake, delivery, batch, crop, kit or order, or a "
        "line such as K7Q2-M4XJ/1."
    )


def _of_lines(kind: str, picked: Q, lines: Q) -> _Reach:
    """Only the lots of which something stands picked for these lines."""
    sums = Pick.objects.filter(picked).values("lot").annotate(total=Sum("amount")).filter(total__gt=0)
    lots = [each["lot"] for each in sums]
    kits = Q(line__in=Line.objects.filter(lines))
    return _Reach(kind, Q(lots__in=lots), lots=Q(pk__in=lots), lines=lines, kits=kits)


# ---- Back -----------------------------------------------------------------------------------------------------------


def _sources(batches: Collection[Batch], *, only: tuple[str, int] | None) -> tuple[Source, ...]:
    kind, pk = only or ("", 0)
    found: list[Source] = []
    if kind in ("", "intake"):
        intakes = Intake.objects.filter(pk=pk) if only else Intake.objects.filter(into_batches__batch__in=batches)
        uses = _uses(
            BatchIntake.objects.filter(batch__in=batches)
            .order_by("batch", "pk")
            .values_list("intake", "batch__public_id", "grams")
        )
        found += [
            Source(
                "intake", each.public_id, "grounds", each.collected_on, each.grams, "", each.allergens,
                _person("donor", each.donor), uses[each.pk],
            )
            for each in intakes.select_related("donor").distinct().order_by("pk")
        ]  # fmt: skip
    if kind in ("", "spawn_delivery"):
        spawn = (
            SpawnDelivery.objects.filter(pk=pk)
            if only
            else SpawnDelivery.objects.filter(into_batches__batch__in=batches)
        )
        uses = _uses(
            BatchSpawn.objects.filter(batch__in=batches)
            .order_by("batch", "pk")
            .values_list("spawn_delivery", "batch__public_id", "grams")
        )
        found += [
            Source(
                "spawn_delivery", each.public_id, each.strain.name, each.received_on, each.grams, each.supplier_lot,
                each.allergens, _person("supplier", each.supplier), uses[each.pk],
            )
            for each in spawn.select_related("supplier", "strain").distinct().order_by("pk")
        ]  # fmt: skip
    if kind in ("", "input_delivery"):
        inputs = (
            InputDelivery.objects.filter(pk=pk)
            if only
            else InputDelivery.objects.filter(into_batches__batch__in=batches)
        )
        uses = _uses(
            BatchInput.objects.filter(batch__in=batches)
            .order_by("batch", "pk")
            .values_list("input_delivery", "batch__public_id", "amount")
        )
        found += [
            Source(
                "input_delivery", each.public_id, each.kind, each.received_on, each.amount, each.supplier_lot,
                each.allergens, _person("supplier", each.supplier), uses[each.pk],
            )
            for each in inputs.select_related("supplier").distinct().order_by("pk")
        ]  # fmt: skip
    return tuple(found)


def _uses(rows: Iterable[tuple[int, str, int]]) -> defaultdict[int, tuple[Used, ...]]:
    found: defaultdict[int, tuple[Used, ...]] = defaultdict(tuple)
    for source, batch, amount in sorted(rows):
        found[source] += (Used(batch, amount),)
    return found


def _batches(batches: Collection[Batch]) -> tuple[BatchPart, ...]:
    held = holds.held_batch_ids()
    return tuple(
        BatchPart(each.public_id, each.strain.name, each.mixed_on, each.room.name, each.bags, each.pk in held)
        for each in batches
    )


# ---- Forward --------------------------------------------------------------------------------------------------------


def _lots(lots: Collection[Lot]) -> tuple[LotPart, ...]:
    held = holds.held_lot_ids()
    ledgers: dict[int, list[tuple[str, int]]] = defaultdict(list)
    sums = StockEntry.objects.filter(lot__in=lots).values_list("lot", "kind").annotate(total=Sum("quantity"))
    for lot, kind, total in sums.order_by("lot", "kind"):
        ledgers[lot].append((kind, total))
    return tuple(
        LotPart(
            code=lot.public_id,
            kind=lot.kind,
            strain=lot.strain.name,
            grade=lot.grade,
            batch=lot.batch.public_id,
            crop=lot.harvest.crop.public_id if lot.harvest else None,
            flush=lot.harvest.flush if lot.harvest else None,
            ready_on=lot.ready_on,
            best_before=lot.best_before,
            in_store=lot.quantity,
            held=lot.pk in held,
            ledger=tuple(ledgers[lot.pk]),
        )
        for lot in lots
    )


def _lines(lots: Collection[Lot], narrowed: Q) -> tuple[LinePart, ...]:
    taken: dict[int, list[Taken]] = defaultdict(list)
    sums = (
        Pick.objects.filter(lot__in=lots)
        .values_list("line", "lot__public_id")
        .annotate(total=Sum("amount"))
        .filter(total__gt=0)
        .order_by("line", "lot")
    )
    for line, lot, total in sums:
        taken[line].append(Taken(lot, total))
    lines = Line.objects.filter(narrowed, pk__in=taken)
    return tuple(
        LinePart(
            code=str(line),
            product=line.product.name,
            on=line.shipment.on,
            shipment=line.shipment.public_id,
            state=line.shipment.state,
            delivery_note=line.shipment.delivery_note.number if hasattr(line.shipment, "delivery_note") else None,
            customer=_customer(line.order),
            picked=line.picked,
            refused=line.refused,
            taken=tuple(taken[line.pk]),
        )
        for line in lines.select_related(
            "product", "order__kitchen", "order__buyer", "shipment__delivery_note"
        ).order_by("pk")
    )


def _kits(lots: Collection[Lot], narrowed: Q) -> tuple[KitPart, ...]:
    held = holds.held_kit_ids()
    kits = Kit.objects.filter(narrowed, lot__in=lots).select_related("lot", "line__order", "holder")
    return tuple(
        KitPart(
            code=kit.public_id,
            lot=kit.lot.public_id,
            state=kit.state,
            line=str(kit.line) if kit.line else None,
            held=kit.pk in held,
            holder=Person("holder", kit.holder.public_id, kit.holder.name, kit.holder.email, "")
            if kit.holder
            else None,
        )
        for kit in kits.order_by("pk")
    )


def _customer(order: Order) -> Person:
    if order.kitchen is not None:
        return _person("kitchen", order.kitchen)
    assert order.buyer is not None
    return _person("buyer", order.buyer)


def _person(kind: str, row: Donor | Supplier | Kitchen | Buyer) -> Person:
    return Person(kind, row.public_id, row.name, row.email, row.phone)
