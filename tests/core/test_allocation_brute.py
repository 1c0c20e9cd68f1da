"""Tiny weeks, every possible plan listed: the plan must be the best of them by the rules as a person would say them."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta
from itertools import combinations, product

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from fulfilment.core.allocation import Code, Plan, Rule, Source, Want, allocate, audit
from fulfilment.core.units import Goods

MONDAY = date(2026, 5, 4)
GOODS = (Goods(1, "a"), Goods(2, "a"))
KEEPS = timedelta(days=6)


def day(offset: int) -> date:
    return MONDAY + timedelta(days=offset)


def accepts(want: Want, source: Source, only: Goods | None = None) -> bool:
    return source.ready_on <= want.day <= source.usable_until and any(
        goods == source.goods and first <= source.ready_on <= last and only in (None, goods)
        for goods, first, last in want.choices
    )


def fits(demands: Sequence[tuple[int, frozenset[int]]], lots: Sequence[int]) -> bool:
    """Hall's condition: no set of demands asks for more than the lots it may use hold."""
    live = [(amount, reach) for amount, reach in demands if amount]
    return all(
        sum(amount for amount, _ in group) <= sum(lots[t] for t in frozenset().union(*(reach for _, reach in group)))
        for size in range(1, len(live) + 1)
        for group in combinations(live, size)
    )


class Week:
    """One case, with the lots each line and each promised part may use."""

    def __init__(self, wants: Sequence[Want], sources: Sequence[Source]) -> None:
        self.wants, self.sources = wants, sources
        self.lots = [s.amount for s in sources]
        self.reach = [self._lots(w, None) for w in wants]

    def _lots(self, want: Want, only: Goods | None) -> frozenset[int]:
        return frozenset(t for t, source in enumerate(self.sources) if accepts(want, source, only))

    def holds(self, amounts: Sequence[int]) -> bool:
        return fits(list(zip(amounts, self.reach, strict=True)), self.lots)

    def firm(self) -> list[int]:
        """What promises bring each line, to the gram, one at a time in rank order, first in their own goods."""
        parts = sorted(
            (rank, i, goods, amount)
            for i, want in enumerate(self.wants)
            for rank, (goods, amount) in zip(want.part_ranks, want.promised, strict=True)
        )
        firm = [0] * len(self.wants)
        carried: list[tuple[int, frozenset[int]]] = []
        for _, i, goods, amount in parts:
            reach = self._lots(self.wants[i], goods)
            got = max(x for x in range(amount + 1) if fits([*carried, (x, reach)], self.lots))
            carried.append((got, reach))
            firm[i] += got
        return self.mended(firm)

    def mended(self, firm: list[int]) -> list[int]:
        """Broken promises raised from anything accepted, in whole packs, by rank, until none fits any more."""
        while True:
            before = list(firm)
            for i in sorted(range(len(firm)), key=lambda i: (self.wants[i].rank, self.wants[i].line_id)):
                missing, pack = self.wants[i].promised_total - firm[i], self.wants[i].pack
                firm[i] += max(
                    x
                    for x in range(missing + 1)
                    if (x % pack == 0 or x == missing) and self.holds([*firm[:i], firm[i] + x, *firm[i + 1 :]])
                )
            if firm == before:
                return firm


def week(rng: random.Random, *, pack: tuple[int, ...] = (1,), minimums: bool = False, promises: float = 0.5) -> Week:
    sources = [
        Source(f"lot:{t}", rng.choice(GOODS), rng.randrange(0, 7), ready := day(rng.randrange(-3, 3)), ready + keeps)
        for t in range(rng.randrange(1, 4))
        for keeps in [timedelta(days=rng.randrange(1, 4))]
    ]
    wants = []
    for i in range(rng.randrange(1, 5)):
        on, age, size = rng.randrange(0, 4), rng.randrange(1, 5), rng.choice(pack)
        choices = tuple((g, day(on - age), day(on)) for g in rng.sample(GOODS, rng.randrange(1, 3)))
        ordered = size * rng.randrange(1, 8 // size + 1)
        left, promised = ordered, []
        for goods, _, _ in choices:
            amount = size * rng.randrange(0, left // size + 1) if rng.random() < promises else 0
            left -= amount
            if amount:
                promised.append((goods, amount))
        want = Want(i, i, day(on), choices, ordered, promised=tuple(promised), rank=i, tier=1, pack=size)
        if minimums and rng.random() < 0.6:
            want = replace(want, at_least=rng.randrange(1, ordered + 1))
        wants.append(replace(want, part_ranks=tuple(i for _ in promised)))
    return Week(wants, sources)


def plan_of(case: Week, rule: Rule = Rule.PRO_RATA) -> Plan:
    plan = allocate(case.wants, case.sources, today=MONDAY, rule=rule)
    assert audit(plan, case.wants, case.sources, today=MONDAY) == []
    return plan


@pytest.mark.parametrize("pack", [(1,), (2, 3), (1, 2, 4)])
def test_promises_in_rank_order(pack: tuple[int, ...]) -> None:
    rng = random.Random(len(pack))
    short = 0
    for _ in range(250):
        case = week(rng, pack=pack, promises=0.9)
        # Nothing beyond promises is ordered, so that the amounts show the promises alone.
        case.wants = [replace(w, ordered=w.promised_total) for w in case.wants]
        firm = case.firm()
        assert list(plan_of(case).amounts.values()) == firm
        short += firm != [w.promised_total for w in case.wants]
    assert short > 50


def level_of(rule: Rule, want: Want, amount: int) -> float:
    if rule is Rule.PRO_RATA:
        return amount / want.ordered
    return amount if rule is Rule.EQUAL_SHARES else amount - want.ordered


@pytest.mark.parametrize("rule", Rule)
def test_shares_are_within_a_gram_of_fair_and_no_division_beats_them(rule: Rule) -> None:
    rng = random.Random(rule.value)
    for _ in range(150):
        case = week(rng)
        firm = case.firm()
        plan = plan_of(case, rule)
        got = [plan.amounts[w.line_id] for w in case.wants]
        every = [
            amounts
            for amounts in product(*(range(f, w.ordered + 1) for f, w in zip(firm, case.wants, strict=True)))
            if case.holds(amounts)
        ]
        assert sum(got) == max(map(sum, every))
        assert all(abs(g - plan.accounts[w.line_id].fair) < 1 for g, w in zip(got, case.wants, strict=True))
        # One gram moved from one line to another never lifts the lower of two that are more than a gram apart.
        for i, j in product(range(len(got)), repeat=2):
            moved = [g + (k == j) - (k == i) for k, g in enumerate(got)]
            if i != j and tuple(moved) in every:
                after_giving = level_of(rule, case.wants[i], moved[i])
                assert after_giving <= level_of(rule, case.wants[j], moved[j])


def test_minimums_first_come_first_served() -> None:
    rng = random.Random(11)
    refused = 0
    for _ in range(250):
        case = week(rng, minimums=True, promises=0)
        least = [min(w.at_least, w.ordered) for w in case.wants]
        served: list[int] = []
        chosen = [0] * len(least)
        for i, amount in enumerate(least):
            if amount and case.holds([*chosen[:i], amount, *chosen[i + 1 :]]):
                chosen[i] = amount
                served.append(i)
        plan = plan_of(case)
        for i, want in enumerate(case.wants):
            if least[i]:
                assert (plan.amounts[want.line_id] >= least[i]) == (i in served)
                refused += i not in served
                if i not in served:
                    assert plan.amounts[want.line_id] == 0
                    assert plan.accounts[want.line_id].code in {Code.MINIMUM_NOT_REACHED, Code.NOTHING_THERE}
    assert refused > 50


def test_minimums_agree_with_an_integer_programme() -> None:
    """Bigger weeks than can be listed: who is served, asked of HiGHS with a weight above all later ones together."""
    rng = random.Random(13)
    for _ in range(100):
        wants = [
            Want(i, i, day(2), ((goods, day(-age), day(2)),), ordered, rank=i, at_least=ordered)
            for i in range(12)
            for goods in [rng.choice(GOODS)]
            for age, ordered in [(rng.randrange(0, 4), rng.randrange(1, 9))]
        ]
        sources = [
            Source(
                f"lot:{t}", rng.choice(GOODS), rng.randrange(1, 9), ready := day(rng.randrange(-3, 2)), ready + KEEPS
            )
            for t in range(5)
        ]
        case = Week(wants, sources)
        arcs = [(i, t) for i, reach in enumerate(case.reach) for t in sorted(reach)]
        rows = np.zeros((12 + 5, 12 + len(arcs)))
        for i, want in enumerate(wants):
            rows[i, i] = -want.ordered
        for column, (i, t) in enumerate(arcs, start=12):
            rows[i, column] = rows[12 + t, column] = 1
        answer = milp(
            [*(-float(2 ** (12 - i)) for i in range(12)), *[0.0] * len(arcs)],
            constraints=LinearConstraint(rows, [*[0] * 12, *[-np.inf] * 5], [*[0] * 12, *case.lots]),
            integrality=np.repeat([1, 0], [12, len(arcs)]),
            bounds=Bounds(0, [*[1] * 12, *[np.inf] * len(arcs)]),
            options={"mip_rel_gap": 0},
        )
        plan = plan_of(case)
        assert answer.x is not None
        assert [plan.amounts[i] > 0 for i in range(12)] == [bool(x > 0.5) for x in answer.x[:12]]


def pourings(case: Week, amounts: Sequence[int]) -> Iterator[tuple[tuple[int, ...], ...]]:
    """Every way to source the amounts: one row per line, one column per lot."""

    def rows(i: int, need: int, lots: Sequence[int], t: int = 0) -> Iterator[tuple[int, ...]]:
        if t == len(lots):
            if need == 0:
                yield ()
            return
        most = min(need, lots[t]) if t in case.reach[i] else 0
        for amount in range(most + 1):
            for rest in rows(i, need - amount, lots, t + 1):
                yield (amount, *rest)

    def lines(i: int, lots: Sequence[int]) -> Iterator[tuple[tuple[int, ...], ...]]:
        if i == len(amounts):
            yield ()
            return
        for row in rows(i, amounts[i], lots):
            for rest in lines(i + 1, [lot - a for lot, a in zip(lots, row, strict=True)]):
                yield (row, *rest)

    return lines(0, case.lots)


def test_no_sourcing_beats_the_plans() -> None:
    rng = random.Random(17)
    for _ in range(120):
        case = week(rng)
        case.sources = [replace(s, lot_id=t if rng.random() < 0.7 else None) for t, s in enumerate(case.sources)]
        names = [s.key for s in case.sources]
        case.wants = [
            replace(w, previous=tuple((n, rng.randrange(1, 4)) for n in names if rng.random() < 0.4))
            for w in case.wants
        ]
        plan = plan_of(case)
        mine = {(p.line_id, p.source): p.amount for p in plan.pieces}
        last_days = sorted({s.usable_until for s in case.sources})
        like = {(s.goods, s.ready_on, s.usable_until) for s in case.sources if s.lot_id is not None}
        on_hand = [s for s in case.sources if (s.goods, s.ready_on, s.usable_until) in like]

        def worth(
            rows: Sequence[Sequence[int]],
            case: Week = case,
            last_days: list[date] = last_days,
            on_hand: list[Source] = on_hand,
        ) -> tuple[int, int, int]:
            substitutes = expiry = kept = 0
            for want, row in zip(case.wants, rows, strict=True):
                liked = [goods for goods, _, _ in want.choices]
                for source, amount in zip(case.sources, row, strict=True):
                    if amount:
                        substitutes += liked.index(source.goods) * amount
                        place = last_days.index(source.usable_until)
                        expiry += (place if source in on_hand else len(last_days)) * amount
                        kept += min(amount, dict(want.previous).get(source.key, 0))
            return substitutes, expiry, -kept

        amounts = [plan.amounts[w.line_id] for w in case.wants]
        best = min(worth(rows) for rows in pourings(case, amounts))
        made = worth([[mine.get((w.line_id, n), 0) for n in names] for w in case.wants])
        assert made[:2] == best[:2]
        assert made[2] == best[2]
