"""A year of selling what an invented farm grows, by the farm's own rules or by a rival's.

Every morning is the service's night in the core's words: what was picked yesterday is lots, the coming harvest is
forecast from the log; open lines are asked again (:func:`ask_again`), standing orders rolled in turn, lines allotted
(:func:`allocate`, audited) and yesterday's plan compared with today's.  Lines of the day go out with the lots that the
plan names; the cut-off of the day is this same plan.  By day orders for once are placed and answered at once; in the
evening nature gives.  Everything that decides is ``fulfilment.core``'s, composed as ``services.planning`` does.

A *way* of selling differs in what it believes is coming when it promises and plans:

========== =========================================================================================================
target     the forecast's scenarios, promised at 80, 90 or 95 %; planned on their mean, extras on what surely comes
daily P10  each day's tenth percentile, as if sure
mean       each day's mean, as if sure
four weeks four fifths of the last four weeks' average day, as if sure
half of it two fifths of it
all        accepts everything; serves first come, first served, the oldest lot first, only what is due
harvest    knows the harvest
========== =========================================================================================================
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bench.farms import trial
from bench.farms.grower import Farm, on
from bench.farms.market import GOODS, LIFE, PACK, ROLLED, Ask, Market
from fulfilment.core.allocation import (
    Piece,
    Source,
    Want,
    allocate,
    audit,
    expected,
    follow_harvests,
    lot_key,
    unrest,
)
from fulfilment.core.chances import chances
from fulfilment.core.fairness import jain, turns
from fulfilment.core.promises import (
    Answer,
    Book,
    LotOnHand,
    Part,
    Question,
    Supply,
    Waiting,
    answer,
    ask_again,
    reserve,
    stack,
)
from fulfilment.core.units import Goods

Amounts = NDArray[np.int32]
HORIZON: Final = 35
SCENARIOS: Final = 1_000
FRESH: Final = 4_000
"""Scenarios that promises are counted on; none of them was promised from."""
FRESH_SEED: Final = 7_919
ALLOWED: Final = 2
"""Points that a promise may fall under what it is held to."""
FOUR_WEEKS: Final = 28
PLENTY: Final = 10_000_000


@dataclass(frozen=True, slots=True)
class View:
    """What a morning knows: [scenario, day] grams by goods, the past's picked grams; and the truth, for one rival."""

    drawn: Mapping[Goods, Amounts]
    past: NDArray[np.float64]
    truth: NDArray[np.float64]

    def certain(self, rows: NDArray[np.float64]) -> dict[Goods, Amounts]:
        """Points [goods, day] as a single scenario."""
        return {goods: np.floor(row)[None, :].astype(np.int32) for goods, row in zip(GOODS, rows, strict=True)}


Belief = Callable[[View], Mapping[Goods, Amounts]]


@dataclass(frozen=True, slots=True)
class Way:
    """``chance`` is asked of what ``sees`` believes; ``ahead``: plans all open lines, not only what is due."""

    name: str
    sees: Belief
    chance: int = 100
    ahead: bool = True
    held_to: int = 0
    """The percent that its promises are held to on fresh scenarios; 0 where they are not counted."""


def _by_scenarios(view: View) -> Mapping[Goods, Amounts]:
    return view.drawn


def _by_low_days(view: View) -> Mapping[Goods, Amounts]:
    return view.certain(np.array([np.quantile(view.drawn[goods], 0.1, axis=0) for goods in GOODS]))


def _by_mean(view: View) -> Mapping[Goods, Amounts]:
    return view.certain(np.array([view.drawn[goods].mean(axis=0) for goods in GOODS]))


def _by_four_weeks(view: View, *, part: float) -> Mapping[Goods, Amounts]:
    return view.certain(np.repeat(part * view.past[:, -FOUR_WEEKS:].mean(axis=1, keepdims=True), HORIZON, axis=1))


def _all(_: View) -> Mapping[Goods, Amounts]:
    return {goods: np.full((1, HORIZON), PLENTY, np.int32) for goods in GOODS}


def _harvest(view: View) -> Mapping[Goods, Amounts]:
    return view.certain(view.truth)


TARGETS: Final = (80, 90, 95)
OURS: Final = tuple(Way(f"ours at {chance}", _by_scenarios, chance, held_to=chance) for chance in TARGETS)
RIVALS: Final = (
    Way("daily P10", _by_low_days),
    Way("mean", _by_mean, held_to=90),
    Way("four weeks", partial(_by_four_weeks, part=0.8)),
    Way("half of it", partial(_by_four_weeks, part=0.4)),
    Way("all", _all, ahead=False),
    Way("harvest", _harvest),
)


@dataclass(slots=True)
class Tally:
    """What one way made of one farm's year; grams, and numbers of lines."""

    lines: int = 0
    ordered: int = 0
    lines_promised: int = 0
    promised: int = 0
    at_placing: int = 0
    """Promised when the line was placed or rolled, before it was ever asked again."""
    kept: int = 0
    broken: int = 0
    delivered: int = 0
    harvested: int = 0
    wasted: int = 0
    counted: int = 0
    under: int = 0
    planned: int = 0
    resourced: int = 0
    resourced_weighted: int = 0
    changed: int = 0
    changed_weighted: int = 0
    planned_weighted: float = 0.0
    value: int = 0
    by_kitchen: dict[int, tuple[int, int]] = field(default_factory=dict)
    """Kitchen → (ordered, delivered)."""


@dataclass(slots=True)
class Lot:
    number: int
    goods: Goods
    left: int
    harvested: int
    best_before: int


@dataclass(slots=True)
class Line:
    ask: Ask
    parts: list[Part] = field(default_factory=list)
    pieces: tuple[tuple[str, int], ...] = ()

    @property
    def promised(self) -> int:
        return sum(part.amount for part in self.parts)


WEIGHT: Final = {1: 4, 2: 2, 3: 1}
"""What a gram is worth by its kitchen's tier, where a year's value is summed."""


def views(farm: Farm, *, morning: int, seed: int, scenarios: int = SCENARIOS) -> View:
    """What this morning knows."""
    drawn = trial.ours(farm, morning=morning, seed=seed, learns=True, horizon=HORIZON, scenarios=scenarios)
    arrays = {goods: np.rint(each).astype(np.int32) for goods, each in zip(GOODS, drawn, strict=True)}
    return View(arrays, farm.picked[:, :morning], farm.picked[:, morning : morning + HORIZON])


class Year:
    """One way of selling, day by day."""

    def __init__(self, way: Way, market: Market, *, first: int, last: int) -> None:
        self.way, self.market = way, market
        self.first, self.last = first, last
        self.tally = Tally()
        self.lines: dict[int, Line] = {}
        self.delivered: dict[int, tuple[int, int]] = {}
        """Line → (promised, got)."""
        self._lots: list[Lot] = []
        self._books: dict[Goods, Book] = {}
        self._rank = self._part = 0
        self._rolled_until = first
        self._lot_number = 0
        self._fresh_parts: set[int] = set()
        self._placed: dict[int, list[Ask]] = defaultdict(list)
        self._standing: dict[int, list[Ask]] = defaultdict(list)
        for ask in market.asks:
            if ask.placed is None:
                self._standing[ask.day].append(ask)
            else:
                self._placed[ask.placed].append(ask)

    def live(self, day: int, view: View, fresh: View | None) -> None:
        """One day from its night to its evening."""
        believed = self.way.sees(view)
        self._books = {goods: Book.replay(each, self._parts(goods)) for goods, each in self._supplies(believed, day)}
        self._fresh_parts = set()
        self._ask_again()
        self._roll(day)
        if fresh is not None and self.way.held_to:
            self._count(fresh, day)
        self._plan(believed, day)
        self._deliver(day)
        for ask in self._placed[day]:
            self._place(ask)
        self._harvest(view, day)

    @property
    def left(self) -> int:
        """Grams in store."""
        return sum(lot.left for lot in self._lots)

    # ---- Promises ----

    def _supplies(self, believed: Mapping[Goods, Amounts], day: int) -> list[tuple[Goods, Supply]]:
        lots = [LotOnHand(lot.goods, lot.left, on(lot.harvested), on(lot.best_before)) for lot in self._lots]
        return [
            (
                goods,
                stack(
                    goods, today=on(day), lots=lots, coming=believed[goods], life_days=life,
                    scenarios=believed[goods].shape[0],
                ),
            )
            for goods, life in zip(GOODS, LIFE, strict=True)
        ]  # fmt: skip

    def _parts(self, goods: Goods) -> list[Part]:
        return [part for line in self.lines.values() for part in line.parts if part.goods == goods]

    def _question(self, ask: Ask, wanted: int) -> Question:
        return Question(wanted, ask.kitchen.choices(ask.strain, ask.day), PACK, self.way.chance)

    def _ask_again(self) -> None:
        short = [line for line in self.lines.values() if line.promised < line.ask.amount]
        waiting = [
            Waiting(
                line.ask.number,
                line.parts[0].rank if line.parts else None,
                self._question(line.ask, line.ask.amount - line.promised),
            )
            for line in short
        ]
        for number, given in ask_again(waiting, books=self._books).items():
            self._write(self.lines[number], given)

    def _roll(self, day: int) -> None:
        until = min(day + ROLLED, self.last)
        due = [ask for each in range(self._rolled_until, until + 1) for ask in self._standing[each] if ask.day > day]
        self._rolled_until = max(self._rolled_until, until + 1)
        turn = turns((kitchen.number for kitchen in self.market.kitchens), today=on(day))
        for ask in sorted(due, key=lambda ask: (ask.kitchen.tier, ask.day, turn[ask.kitchen.number], ask.number)):
            self._place(ask)

    def _place(self, ask: Ask) -> None:
        line = self.lines[ask.number] = Line(ask)
        given = answer(self._question(ask, ask.amount), books=self._books)
        reserve(given, books=self._books)
        self._write(line, given)
        self.tally.at_placing += line.promised

    def _write(self, line: Line, given: Answer) -> None:
        if not given.parts:
            return
        self._rank += 1
        for part in given.parts:
            self._part += 1
            self._fresh_parts.add(self._part)
            line.parts.append(
                Part(self._part, line.ask.number, part.goods, part.first, part.last, part.amount, self._rank)
            )  # fmt: skip

    def _count(self, fresh: View, day: int) -> None:
        """Lines promised something this morning, on scenarios that nothing was promised from."""
        supplies = dict(self._supplies(fresh.drawn, day))
        parts = [part for goods in GOODS for part in self._parts(goods)]
        found = chances(supplies, parts).by_line
        touched = {part.line_id for part in parts if part.part_id in self._fresh_parts}
        self.tally.counted += len(touched)
        self.tally.under += sum(found[line] < (self.way.held_to - ALLOWED) / 100 - 1e-9 for line in touched)

    # ---- The plan ----

    def _plan(self, believed: Mapping[Goods, Amounts], day: int) -> None:
        sources = [
            Source(lot_key(lot.number), lot.goods, lot.left, on(lot.harvested), on(lot.best_before), lot.number)
            for lot in self._lots
            if lot.left > 0
        ]
        if self.way.ahead:
            for goods, life in zip(GOODS, LIFE, strict=True):
                sources += expected(goods, believed[goods], today=on(day), life_days=life)
        lines = [line for line in self.lines.values() if self.way.ahead or line.ask.day == day]
        wants = follow_harvests([_want(line) for line in lines], sources)
        made = allocate(wants, sources, today=on(day))
        wrong = audit(made, wants, sources, today=on(day))
        assert not wrong, wrong
        goods_of = {source.key: source.goods for source in sources}
        before = [
            Piece(want.line_id, key, goods_of.get(key, Goods(0, "")), amount)
            for want in wants
            for key, amount in want.previous
        ]
        moved = unrest(before, made.pieces, days={want.line_id: want.day for want in wants}, today=on(day))
        tally = self.tally
        tally.planned += made.totals.allocated
        tally.planned_weighted += sum(0.8 ** (want.day - on(day)).days * made.amounts[want.line_id] for want in wants)
        tally.resourced += moved.resourced
        tally.resourced_weighted += moved.resourced_weighted
        tally.changed += moved.changed
        tally.changed_weighted += moved.changed_weighted
        pieces: dict[int, list[tuple[str, int]]] = defaultdict(list)
        for piece in made.pieces:
            pieces[piece.line_id].append((piece.source, piece.amount))
        for line in lines:
            line.pieces = tuple(pieces[line.ask.number])

    # ---- What leaves and what comes ----

    def _deliver(self, day: int) -> None:
        lots = {lot_key(lot.number): lot for lot in self._lots}
        for line in [line for line in self.lines.values() if line.ask.day == day]:
            got = 0
            for key, amount in line.pieces:
                if key in lots:
                    lots[key].left -= amount
                    got += amount
            self._close(line, got)
            del self.lines[line.ask.number]

    def _close(self, line: Line, got: int) -> None:
        tally, ask, promised = self.tally, line.ask, line.promised
        self.delivered[ask.number] = promised, got
        tally.lines += 1
        tally.ordered += ask.amount
        tally.delivered += got
        tally.value += WEIGHT[ask.kitchen.tier] * got
        if promised:
            tally.lines_promised += 1
            tally.promised += promised
            tally.kept += got >= promised
            tally.broken += max(0, promised - got)
        ordered, had = tally.by_kitchen.get(ask.kitchen.number, (0, 0))
        tally.by_kitchen[ask.kitchen.number] = ordered + ask.amount, had + got

    def _harvest(self, view: View, day: int) -> None:
        self.tally.wasted += sum(lot.left for lot in self._lots if lot.best_before <= day)
        self._lots = [lot for lot in self._lots if lot.left > 0 and lot.best_before > day]
        for goods, life, grams in zip(GOODS, LIFE, view.truth[:, 0].tolist(), strict=True):
            if grams:
                self._lot_number += 1
                self._lots.append(Lot(self._lot_number, goods, int(grams), day, day + life))
                self.tally.harvested += int(grams)


def _want(line: Line) -> Want:
    ask = line.ask
    return Want(
        line_id=ask.number,
        order_id=ask.number,
        day=on(ask.day),
        choices=tuple((choice.goods, choice.first, choice.last) for choice in ask.kitchen.choices(ask.strain, ask.day)),
        ordered=ask.amount,
        promised=tuple((part.goods, part.amount) for part in line.parts),
        rank=line.parts[0].rank if line.parts else 0,
        part_ranks=tuple(part.rank for part in line.parts),
        tier=ask.kitchen.tier,
        pack=PACK,
        previous=line.pieces,
    )


def sell(
    farm: Farm,
    market: Market,
    *,
    ways: Sequence[Way],
    seed: int,
    first: int,
    last: int,
    step: int,
    scenarios: int = SCENARIOS,
) -> dict[str, Year]:
    """The days ``first`` to ``last`` in each of the ways; promises are counted on every ``step``-th."""
    years = {way.name: Year(way, market, first=first, last=last) for way in ways}
    for day in range(first, last + 1):
        view = views(farm, morning=day, seed=seed, scenarios=scenarios)
        counted = any(way.held_to for way in ways) and (day - first) % step == 0
        fresh = views(farm, morning=day, seed=seed + FRESH_SEED, scenarios=FRESH) if counted else None
        for year in years.values():
            year.live(day, view, fresh)
    return years


def jain_of(tally: Tally, kitchens: Sequence[int]) -> float:
    """Jain's index of what share of their orders these kitchens got."""
    return float(jain([Fraction(had, ordered) for ordered, had in (tally.by_kitchen[number] for number in kitchens)]))
