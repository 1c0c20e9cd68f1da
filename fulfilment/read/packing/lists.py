"""Pick lists as a packer sees them: stops in order, under each its rows, with what was taken already."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date

from django.db.models import Sum

from fulfilment.models import Pick, PickList, PickRow
from fulfilment.read import holds
from fulfilment.read.packing.overview import told


@dataclass(frozen=True, slots=True)
class PickedAmount:
    """A pick that was not undone."""

    pick: str
    lot: str
    amount: int
    by: str


@dataclass(frozen=True, slots=True)
class RowView:
    """So much of this lot for this line.  ``lot`` is empty for a coming harvest; ``left`` is what is still to take."""

    line: str
    product: str
    is_kit: bool
    lot: str
    lot_product: str
    best_before: date | None
    on_hold: bool
    amount: int
    picked: int
    position: int

    @property
    def left(self) -> int:
        return max(0, self.amount - self.picked)


@dataclass(frozen=True, slots=True)
class LineView:
    """A line on the list with its rows and the picks that stand; amounts in grams, or pieces for kits."""

    line: str
    product: str
    is_kit: bool
    ordered: int
    promised: int
    picked: int
    rows: tuple[RowView, ...]
    picks: tuple[PickedAmount, ...]

    @property
    def due(self) -> int:
        return sum(row.amount for row in self.rows)


@dataclass(frozen=True, slots=True)
class StopView:
    """One shipment on the list."""

    shipment: str
    state: str
    position: int
    name: str
    town: str
    instructions: str
    tolerance_pct: int
    gift: bool
    collects_grounds: bool
    crates_out: int
    lines: tuple[LineView, ...]


@dataclass(frozen=True, slots=True)
class ListView:
    """A pick list; ``round_id`` and ``round_name`` are empty for parcels and collections."""

    public_id: str
    on: date
    way: str
    round_id: str
    round_name: str
    closed: bool
    done: bool
    version: int
    stops: tuple[StopView, ...]


def pick_lists(day: date) -> tuple[ListView, ...]:
    """The pick lists of a day, rounds first."""
    lists = PickList.objects.filter(on=day).select_related("round")
    return _views(sorted(lists, key=lambda each: (each.round is None, each.round.name if each.round else each.way)))


def pick_list(public_id: str) -> ListView:
    """One of them, by its id."""
    return _views([PickList.objects.select_related("round").get(public_id=public_id)])[0]


def _views(lists: Sequence[PickList]) -> tuple[ListView, ...]:
    rows: dict[int, list[PickRow]] = defaultdict(list)
    for row in (
        PickRow.objects.filter(pick_list__in=lists)
        .select_related(
            "lot__strain", "line__order", "line__product", "line__shipment__kitchen", "line__shipment__address",
            "line__shipment__stop",
        )
        .order_by("position", "pk")
    ):  # fmt: skip
        rows[row.pick_list_id].append(row)
    every = [row for group in rows.values() for row in group]
    picked, picks = _picked(every)
    held = holds.held_lot_ids()
    return tuple(
        ListView(
            public_id=each.public_id,
            on=each.on,
            way=each.way,
            round_id=each.round.public_id if each.round else "",
            round_name=each.round.name if each.round else "",
            closed=each.round is not None and each.round.closed_at is not None,
            done=each.done_at is not None,
            version=each.version,
            stops=_stops(rows[each.pk], picked, picks, held=held),
        )
        for each in lists
    )


def _stops(
    rows: Sequence[PickRow],
    picked: dict[tuple[int, int | None], int],
    picks: dict[int, list[PickedAmount]],
    *,
    held: Collection[int],
) -> tuple[StopView, ...]:
    by_shipment: dict[int, dict[int, list[PickRow]]] = defaultdict(lambda: defaultdict(list))
    for row in rows:
        by_shipment[row.line.shipment_id][row.line_id].append(row)
    found = []
    for place, lines in enumerate(by_shipment.values(), start=1):
        groups = list(lines.values())
        shipment = groups[0][0].line.shipment
        stop = getattr(shipment, "stop", None)
        kitchen = shipment.kitchen
        found.append(
            StopView(
                shipment=shipment.public_id,
                state=shipment.state,
                position=stop.position if stop is not None else place,
                name=shipment.address.name,
                town=shipment.address.town,
                instructions=told(shipment.address.instructions, (group[0].line.order for group in groups)),
                tolerance_pct=kitchen.tolerance_pct if kitchen is not None else 0,
                gift=any(group[0].line.order.gift for group in groups),
                collects_grounds=stop is not None and stop.collects_grounds,
                crates_out=kitchen.crates_out if kitchen is not None else 0,
                lines=tuple(_line(group, picked, picks, held=held) for group in groups),
            )
        )
    return tuple(sorted(found, key=lambda each: each.position))


def _line(
    rows: Sequence[PickRow],
    picked: dict[tuple[int, int | None], int],
    picks: dict[int, list[PickedAmount]],
    *,
    held: Collection[int],
) -> LineView:
    line = rows[0].line
    return LineView(
        line=str(line),
        product=line.product.name,
        is_kit=line.product.is_kit,
        ordered=line.ordered,
        promised=line.promised,
        picked=line.picked,
        rows=tuple(
            RowView(
                line=str(line),
                product=line.product.name,
                is_kit=line.product.is_kit,
                lot=row.lot.public_id if row.lot else "",
                lot_product=f"{row.lot.strain.name}, {row.lot.grade}" if row.lot else "",
                best_before=row.lot.best_before if row.lot else None,
                on_hold=row.lot_id in held,
                amount=row.amount,
                picked=picked.get((row.line_id, row.lot_id), 0),
                position=row.position,
            )
            for row in rows
        ),
        picks=tuple(picks.get(line.pk, ())),
    )


def _picked(rows: Sequence[PickRow]) -> tuple[dict[tuple[int, int | None], int], dict[int, list[PickedAmount]]]:
    """Net picked by (line, lot), and by line the picks that stand."""
    lines = {row.line_id for row in rows}
    totals = Pick.objects.filter(line__in=lines).values_list("line_id", "lot_id").annotate(total=Sum("amount"))
    standing: dict[int, list[PickedAmount]] = defaultdict(list)
    for pick in (
        Pick.objects.filter(line__in=lines, reverses__isnull=True, reversed_by__isnull=True)
        .select_related("lot")
        .order_by("pk")
    ):
        standing[pick.line_id].append(PickedAmount(pick.public_id, pick.lot.public_id, pick.amount, pick.by))
    return {(line, lot): total for line, lot, total in totals}, standing
