"""One pick list as it is worked through: stops in order, what to take from which lot, what was taken.

Everything that the page and its paper show, in a number of statements that does not grow with the list.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from django.db.models import Min

from fulfilment.core import codes
from fulfilment.core.problems import Missing
from fulfilment.models import (
    Allocation,
    Kit,
    Line,
    Lot,
    Pick,
    PickList,
    PickRow,
    PromisePart,
    Room,
    Shipment,
    Substitute,
)
from fulfilment.read import holds
from fulfilment.read.packing.overview import OPEN, list_name, told
from fulfilment.read.packing.standing import COMING, DONE, SHORT, standings

MOST_CHOICES: Final = 20
"""So many other lots are offered for a line, the oldest first."""

Goods = tuple[int, str]
"""Strain and grade."""


@dataclass(frozen=True, slots=True)
class PickFacts:
    """A pick that stands."""

    pick: str
    lot: str
    amount: int
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class LotChoice:
    """A lot that could serve a line."""

    lot: str
    product: str
    best_before: date
    in_store: int
    past: bool


@dataclass(frozen=True, slots=True)
class RowFacts:
    """So much of this lot for this line.  ``lot`` is empty for a coming harvest, expected on ``coming_on``.

    ``state`` is a word of :mod:`fulfilment.read.packing.standing`.  ``past`` means past its date when it arrives.
    """

    key: str
    lot: str
    lot_product: str
    ready_on: date | None
    best_before: date | None
    hard_stop: bool
    past: bool
    on_hold: bool
    shelf: str
    in_store: int
    amount: int
    picked: int
    left: int
    state: str
    coming_on: date | None
    picks: tuple[PickFacts, ...]

    @property
    def done(self) -> bool:
        return self.state in DONE


@dataclass(frozen=True, slots=True)
class LineFacts:
    """A line with its rows; ``elsewhere`` are picks from lots that no row names."""

    key: str
    line: str
    product: str
    is_kit: bool
    due: int
    picked: int
    open: bool
    rows: tuple[RowFacts, ...]
    elsewhere: tuple[PickFacts, ...]
    choices: tuple[LotChoice, ...]

    @property
    def left(self) -> int:
        return sum(row.left for row in self.rows)

    @property
    def all_there(self) -> bool:
        """Whether everything due is packed, within what the customer tolerates."""
        return all(row.done and row.state != SHORT for row in self.rows)


@dataclass(frozen=True, slots=True)
class StopFacts:
    """One shipment on the list; ``open`` until it has left.  ``note`` is its delivery note's number."""

    shipment: str
    state: str
    open: bool
    position: int
    name: str
    town: str
    instructions: str
    window: str
    tolerance_pct: int
    gift: bool
    is_kitchen: bool
    collects_grounds: bool
    crates_out: int
    note: int | None
    lines: tuple[LineFacts, ...]

    @property
    def picked(self) -> bool:
        return any(line.picked for line in self.lines)

    @property
    def rows_left(self) -> int:
        return sum(not row.done for line in self.lines for row in line.rows)


@dataclass(frozen=True, slots=True)
class Picking:
    """A pick list with all that stands on it."""

    public_id: str
    on: date
    way: str
    name: str
    round_id: str
    closed: bool
    made_at: datetime
    stops: tuple[StopFacts, ...]

    def lines(self) -> Iterator[tuple[StopFacts, LineFacts]]:
        for stop in self.stops:
            for line in stop.lines:
                yield stop, line

    def line(self, name: str) -> tuple[StopFacts, LineFacts] | None:
        """The line of this name with its stop."""
        return next(((stop, line) for stop, line in self.lines() if line.line == name), None)

    @property
    def rows(self) -> int:
        return sum(len(line.rows) for _, line in self.lines())

    @property
    def done(self) -> int:
        return sum(row.done for _, line in self.lines() for row in line.rows)

    @property
    def short(self) -> int:
        return sum(row.state == SHORT for _, line in self.lines() for row in line.rows)

    @property
    def coming(self) -> int:
        return sum(row.state == COMING for _, line in self.lines() for row in line.rows)

    @property
    def packed(self) -> bool:
        return self.done == self.rows


@dataclass(frozen=True, slots=True)
class Found:
    """What a scanned code points to: the row to open (empty: none), the kit to take, and a sentence where it is not
    plain.
    """

    key: str = ""
    kit: str = ""
    sentence: str = ""


def picking(public_id: str, *, today: date) -> Picking:
    """The list of this id; :class:`Missing` where there is none."""
    code = codes.tidy(public_id)
    of = PickList.objects.select_related("round").filter(public_id=code).first() if code else None
    if of is None:
        raise Missing(f"There is no pick list {public_id[:12]}: look for it among the lists.", where="list")
    rows = list(
        PickRow.objects.filter(pick_list=of, line__cancelled_at__isnull=True)
        .exclude(line__shipment__state=Shipment.State.CANCELLED)
        .select_related(
            "lot__strain", "line__order", "line__product__strain", "line__shipment__kitchen",
            "line__shipment__address", "line__shipment__stop", "line__shipment__delivery_note",
        )
        .order_by("position", "pk")
    )  # fmt: skip
    facts = _Facts(rows, today=today)
    return Picking(
        public_id=of.public_id,
        on=of.on,
        way=of.way,
        name=list_name(of),
        round_id=of.round.public_id if of.round else "",
        closed=of.round is not None and of.round.closed_at is not None,
        made_at=of.made_at,
        stops=_stops(rows, facts),
    )


def scanned(text: str, of: Picking) -> Found:
    """The row that a scanned lot code or kit number belongs to: the first still open, else the first."""
    code = codes.tidy(text)
    if not code:
        return Found(
            sentence=f"“{text.strip()[:20]}” is no code of this farm: they look like K7Q2-M4XJ. Scan it again."
        )
    kit = ""
    lot = code
    if not _rows_of(of, lot):
        found = Kit.objects.filter(public_id=code).values_list("lot__public_id", flat=True).first()
        if found is None:
            return Found(sentence=_not_here(code, of))
        lot, kit = found, code
    rows = _rows_of(of, lot)
    if not rows:
        return Found(sentence=f"Kit {kit} is of lot {lot}, and nothing on this list comes from that lot.")
    key = next((row.key for row in rows if not row.done), rows[0].key)
    return Found(key=key, kit=kit)


def _rows_of(of: Picking, lot: str) -> list[RowFacts]:
    return [row for _, line in of.lines() for row in line.rows if row.lot == lot]


def _not_here(code: str, of: Picking) -> str:
    suits = [
        f"{line.line} ({stop.name})" for stop, line in of.lines() if any(each.lot == code for each in line.choices)
    ]
    if suits:
        return f"Lot {code} is not on this list. It suits {', '.join(suits[:3])}: choose it there under “another lot”."
    return f"Nothing on this list comes from {code}, and it suits no line of it. Put it back and take the lot named."


# ---- Parts ----------------------------------------------------------------------------------------------------------


class _Facts:
    """What is looked up beside the rows, each for the whole list at once."""

    def __init__(self, rows: Sequence[PickRow], *, today: date) -> None:
        self.today = today
        lines = {row.line_id: row.line for row in rows}
        self.held = holds.held_lot_ids()
        self.picks: dict[int, list[Pick]] = defaultdict(list)
        for pick in (
            Pick.objects.filter(line__in=lines, reverses__isnull=True, reversed_by__isnull=True)
            .select_related("lot")
            .order_by("pk")
        ):
            self.picks[pick.line_id].append(pick)
        self.coming: Mapping[int, date] = dict(
            Allocation.objects.filter(line__in=lines, coming_on__isnull=False)
            .order_by()
            .values_list("line")
            .annotate(first=Min("coming_on"))
        )
        self.accepted = _accepted(lines)
        self.lots = _in_store({goods for each in self.accepted.values() for goods in each}, held=self.held)
        cold = list(Room.objects.filter(kind=Room.Kind.COLD).values_list("name", flat=True)[:2])
        self.shelf = cold[0] if len(cold) == 1 else ""
        """Where fresh lots are, known only while there is one cold room."""

    def choices(self, line: Line) -> tuple[LotChoice, ...]:
        arrives = max(self.today, line.shipment.on)
        found = []
        for lot in self.lots:
            past = lot.best_before < arrives
            if (lot.strain_id, lot.grade) in self.accepted[line.pk] and not (past and lot.hard_stop):
                found.append(
                    LotChoice(lot.public_id, f"{lot.strain.name}, {lot.grade}", lot.best_before, lot.quantity, past)
                )
        return tuple(found[:MOST_CHOICES])


def _accepted(lines: Mapping[int, Line]) -> dict[int, set[Goods]]:
    """Line id → what it may get: what it names, what was promised instead, what its kitchen takes instead."""
    found = {pk: {(line.product.strain_id, line.product.grade)} for pk, line in lines.items()}
    for pk, strain, grade in PromisePart.objects.filter(promise__current_of__in=lines).values_list(
        "promise__current_of", "book__strain", "book__grade"
    ):
        found[pk].add((strain, grade))
    kitchens = {line.shipment.kitchen_id for line in lines.values() if line.shipment.kitchen_id}
    instead: dict[tuple[int, int, str], list[Goods]] = defaultdict(list)
    for each in Substitute.objects.filter(kitchen__in=kitchens):
        instead[each.kitchen_id, each.strain_id, each.grade].append((each.instead_strain_id, each.instead_grade))
    for pk, line in lines.items():
        if line.shipment.kitchen_id:
            found[pk] |= set(instead[line.shipment.kitchen_id, line.product.strain_id, line.product.grade])
    return found


def _in_store(goods: Collection[Goods], *, held: Collection[int]) -> list[Lot]:
    """Lots of these in store and not stopped, the oldest first."""
    lots = (
        Lot.objects.filter(strain__in={strain for strain, _ in goods}, quantity__gt=0)
        .select_related("strain")
        .order_by("best_before", "ready_on", "pk")
    )
    return [lot for lot in lots if (lot.strain_id, lot.grade) in goods and lot.pk not in held]


def _stops(rows: Sequence[PickRow], facts: _Facts) -> tuple[StopFacts, ...]:
    by_shipment: dict[int, dict[int, list[PickRow]]] = defaultdict(lambda: defaultdict(list))
    for row in rows:
        by_shipment[row.line.shipment_id][row.line_id].append(row)
    found = []
    for place, lines in enumerate(by_shipment.values(), start=1):
        groups = list(lines.values())
        shipment = groups[0][0].line.shipment
        stop, kitchen = getattr(shipment, "stop", None), shipment.kitchen
        note = getattr(shipment, "delivery_note", None)
        found.append(
            StopFacts(
                shipment=shipment.public_id,
                state=shipment.state,
                open=shipment.state in OPEN,
                position=stop.position if stop is not None else place,
                name=shipment.address.name,
                town=shipment.address.town,
                instructions=told(shipment.address.instructions, (group[0].line.order for group in groups)),
                window=f"{kitchen.window_from:%H:%M}–{kitchen.window_to:%H:%M}" if kitchen is not None else "",
                tolerance_pct=kitchen.tolerance_pct if kitchen is not None else 0,
                gift=any(group[0].line.order.gift for group in groups),
                is_kitchen=kitchen is not None,
                collects_grounds=stop is not None and stop.collects_grounds,
                crates_out=kitchen.crates_out if kitchen is not None else 0,
                note=note.number if note is not None else None,
                lines=tuple(_line(group, facts) for group in groups),
            )
        )
    return tuple(sorted(found, key=lambda each: each.position))


def _line(rows: Sequence[PickRow], facts: _Facts) -> LineFacts:
    line = rows[0].line
    picks = [
        PickFacts(pick.public_id, pick.lot.public_id, pick.amount, pick.by, pick.at) for pick in facts.picks[line.pk]
    ]
    picked: dict[str, int] = defaultdict(int)
    for pick in picks:
        picked[pick.lot] += pick.amount
    kitchen = line.shipment.kitchen
    tolerance = 0 if line.product.is_kit or kitchen is None else kitchen.tolerance_pct
    where = standings(
        [(row.lot.public_id if row.lot else "", row.amount) for row in rows], picked, tolerance_pct=tolerance
    )
    named = {row.lot.public_id for row in rows if row.lot}
    key = f"{line.order.public_id}-{line.number}"
    arrives = max(facts.today, line.shipment.on)
    return LineFacts(
        key=f"line-{key}",
        line=str(line),
        product=line.product.name,
        is_kit=line.product.is_kit,
        due=sum(row.amount for row in rows),
        picked=line.picked,
        open=line.shipment.state in OPEN,
        rows=tuple(
            RowFacts(
                key=f"row-{key}-{row.lot.public_id if row.lot else 'coming'}",
                lot=row.lot.public_id if row.lot else "",
                lot_product=f"{row.lot.strain.name}, {row.lot.grade}" if row.lot else "",
                ready_on=row.lot.ready_on if row.lot else None,
                best_before=row.lot.best_before if row.lot else None,
                hard_stop=row.lot is not None and row.lot.hard_stop,
                past=row.lot is not None and row.lot.best_before < arrives,
                on_hold=row.lot_id in facts.held,
                shelf=facts.shelf if row.lot is not None and row.lot.kind == Lot.Kind.FRESH else "",
                in_store=row.lot.quantity if row.lot else 0,
                amount=row.amount,
                picked=standing.picked,
                left=standing.left,
                state=standing.state,
                coming_on=facts.coming.get(line.pk) if row.lot is None else None,
                picks=tuple(pick for pick in picks if row.lot is not None and pick.lot == row.lot.public_id),
            )
            for row, standing in zip(rows, where, strict=True)
        ),
        elsewhere=tuple(pick for pick in picks if pick.lot not in named),
        choices=facts.choices(line),
    )
