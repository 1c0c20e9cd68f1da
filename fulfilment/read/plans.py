"""The allocation's input: what every open line still needs, and what there is to serve it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from django.db.models import F

from fulfilment.core.allocation import Source, Want, coming, coming_key, expected, follow_harvests, lot_key
from fulfilment.core.promises import window
from fulfilment.core.units import KIT, Goods
from fulfilment.models import Allocation, Book, Line, Lot, PromisePart
from fulfilment.read import holds, supply
from fulfilment.read.farm import farm, lives
from fulfilment.read.terms import substitutes, terms


@dataclass(frozen=True, slots=True)
class Question:
    """Wants and sources as they stand, with the version each line had and the quantity each lot."""

    wants: tuple[Want, ...]
    sources: tuple[Source, ...]
    versions: Mapping[int, int]
    lots: Mapping[int, int]
    stored: Mapping[int, Mapping[str, int]]
    """Line id → its pieces as they are written, source key → amount."""


def question(*, today: date) -> Question:
    """All lines to be delivered from today on that are not sent, and all that can serve them."""
    books = {Goods(row.strain_id, row.grade): row for row in Book.objects.select_related("forecast")}
    life = lives(books)
    lots: dict[int, int] = {}
    sources: list[Source] = []
    held = holds.held_lot_ids()
    for lot in Lot.objects.filter(quantity__gt=0, best_before__gte=today).order_by("pk"):
        if lot.pk not in held and Goods(lot.strain_id, lot.grade) in books:
            goods = Goods(lot.strain_id, lot.grade)
            lots[lot.pk] = lot.quantity
            sources.append(Source(lot_key(lot.pk), goods, lot.quantity, lot.ready_on, lot.best_before, lot.pk))
    to_seal = supply.unsealed()
    for goods, row in books.items():
        if goods.is_kit:
            ready: dict[date, int] = defaultdict(int)
            for day, pieces in to_seal.get(goods.strain_id, ()):
                ready[max(day, today)] += pieces
            sources += coming(goods, ready, life_days=life[goods])
        elif row.forecast is not None:
            grams = supply.scenarios(goods, forecast=row.forecast, today=today)
            if grams is not None:
                sources += expected(goods, grams, today=today, life_days=life[goods])
    needed, versions = wants(today=today)
    stored = {want.line_id: dict(want.previous) for want in needed}
    return Question(follow_harvests(needed, sources), tuple(sources), versions, lots, stored)


def wants(*, today: date) -> tuple[tuple[Want, ...], dict[int, int]]:
    """What each line to be delivered from today on still needs, and the version it has."""
    lines = list(
        Line.objects.filter(
            cancelled_at__isnull=True, shipment__state__in=["placed", "packed"], shipment__on__gte=today
        )
        .select_related("product", "shipment", "order__kitchen")
        .order_by("pk")
    )
    parts: dict[int, list[PromisePart]] = defaultdict(list)
    for part in (
        PromisePart.objects.filter(promise__current_of__in=[line.pk for line in lines])
        .select_related("book", "promise")
        .order_by("rank", "pk")
    ):
        parts[part.promise.line_id].append(part)
    before: dict[int, list[tuple[str, int]]] = defaultdict(list)
    for row in Allocation.objects.filter(line__in=[line.pk for line in lines]).order_by("pk"):
        key = (
            lot_key(row.lot_id)
            if row.lot_id is not None
            else coming_key(Goods(row.strain_id, row.grade), row.coming_on or today)
        )
        before[row.line_id].append((key, row.amount))
    kitchens = {line.order.kitchen_id for line in lines if line.order.kitchen_id is not None}
    instead = substitutes(kitchens)
    known = {Goods(line.product.strain_id, line.product.grade) for line in lines}
    known |= {each for others in instead.values() for each in others}
    own = terms(known, instead=instead)
    found = []
    for line in lines:
        kitchen = line.order.kitchen
        promised, ranks = _unpicked(parts[line.pk], picked=line.picked)
        found.append(
            Want(
                line_id=line.pk,
                order_id=line.order_id,
                day=line.shipment.on,
                choices=tuple(
                    (choice.goods, choice.first, choice.last)
                    for choice in own.choices(
                        kitchen,
                        Goods(line.product.strain_id, line.product.grade),
                        line.shipment.on,
                        keeps_until=line.order.start_on,
                    )
                ),
                ordered=max(0, line.ordered - line.picked),
                promised=promised,
                rank=ranks[0] if ranks else 0,
                part_ranks=ranks,
                tier=kitchen.tier if kitchen is not None else 1,
                pack=line.product.pack,
                at_least=max(0, line.at_least - line.picked),
                picked=line.picked,
                frozen=line.shipment.frozen_at is not None,
                previous=tuple(before[line.pk]),
            )
        )
    return tuple(found), {line.pk: line.version for line in lines}


def _unpicked(parts: list[PromisePart], *, picked: int) -> tuple[tuple[tuple[Goods, int], ...], tuple[int, ...]]:
    """The parts with what is still to come of each, oldest rank served first, and their ranks."""
    left, ranks = [], []
    for part in parts:
        gone = min(part.amount, picked)
        picked -= gone
        if part.amount > gone:
            left.append((Goods(part.book.strain_id, part.book.grade), part.amount - gone))
            ranks.append(part.rank)
    return tuple(left), tuple(ranks)


def open_lines(*, today: date) -> list[tuple[Goods, date, date, int]]:
    """(goods ordered, first and last harvest day accepted, grams still to come) of every open line of fresh goods."""
    rows = list(
        Line.objects.filter(
            cancelled_at__isnull=True, shipment__state__in=["placed", "packed"], shipment__on__gte=today,
            ordered__gt=F("picked"), order__kitchen__isnull=False,
        )
        .exclude(product__grade=KIT)
        .values_list(
            "product__strain_id", "product__grade", "shipment__on", "order__kitchen__max_age_days", "ordered", "picked"
        )
    )  # fmt: skip
    life = lives({Goods(strain, grade) for strain, grade, *_ in rows})
    same_day = farm().harvest_before_packing
    found = []
    for strain, grade, on, max_age, ordered, picked in rows:
        goods = Goods(strain, grade)
        first, last = window(on, max_age_days=max_age, life_days=life[goods], harvest_before_packing=same_day)
        found.append((goods, first, last, ordered - picked))
    return found
