"""Leximin and flow on networks: against worked values, brute force and other people's solvers."""

from __future__ import annotations

import random
from fractions import Fraction
from itertools import combinations, product
from math import lcm

import networkx as nx
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog

from fulfilment.core.fairness import Curve, Flow, Rule, bits, curve, leximin, unfairness
from fulfilment.core.problems import Invalid


def pro_rata(ordered: int, least: int = 0) -> Curve:
    return curve(Rule.PRO_RATA, ordered=ordered, least=least)


def test_two_lots_of_six_shared_by_three_kitchens() -> None:
    # Recomputed by two exact methods: two thirds each.
    lines = [pro_rata(4), pro_rata(8), pro_rata(6)]
    shares = leximin(lines, masks=[0b01, 0b11, 0b10], amounts=[6, 6])
    assert [x / c.most for x, c in zip(shares, lines, strict=True)] == [Fraction(2, 3)] * 3


def test_a_small_lot_of_its_own() -> None:
    # Recomputed by two exact methods: a quarter, three quarters, three quarters.
    lines = [pro_rata(8), pro_rata(6), pro_rata(6)]
    shares = leximin(lines, masks=[0b01, 0b10, 0b10], amounts=[2, 9])
    assert [x / c.most for x, c in zip(shares, lines, strict=True)] == [Fraction(1, 4), Fraction(3, 4), Fraction(3, 4)]


def test_promises_are_lower_bounds() -> None:
    # 6 kg for two orders of 6 kg, one of them promised 5: the other gets the last one.
    assert leximin([pro_rata(6, least=5), pro_rata(6)], masks=[1, 1], amounts=[6]) == [5, 1]


def test_promises_nobody_can_carry_are_refused() -> None:
    with pytest.raises(Invalid, match="cannot be shared"):
        leximin([pro_rata(6, least=5), pro_rata(6, least=4)], masks=[1, 1], amounts=[6])


def test_empty_networks() -> None:
    assert leximin([], masks=[], amounts=[]) == []
    assert leximin([pro_rata(5)], masks=[0], amounts=[]) == [0]
    assert leximin([pro_rata(5), pro_rata(0)], masks=[1, 1], amounts=[0]) == [0, 0]


def test_lines_with_the_same_sources_may_share_a_node() -> None:
    lines = [pro_rata(4), pro_rata(8), pro_rata(6), pro_rata(3)]
    masks = [0b01, 0b11, 0b10, 0b11]
    apart = leximin(lines, masks=masks, amounts=[5, 4])
    together = leximin(lines, masks=[0b01, 0b11, 0b10], amounts=[5, 4], sharer_of=[0, 1, 2, 1])
    assert apart == together


def test_the_certificate_sees_what_is_unfair() -> None:
    lines, masks, lots = [pro_rata(4), pro_rata(8), pro_rata(6)], [0b01, 0b11, 0b10], [6, 6]
    fair = leximin(lines, masks=masks, amounts=lots)
    assert unfairness(lines, fair, masks=masks, amounts=lots) == []
    greedy = [Fraction(4), Fraction(8), Fraction(0)]
    assert "stands above" in unfairness(lines, greedy, masks=masks, amounts=lots)[0]
    wasteful = [Fraction(2), Fraction(4), Fraction(3)]
    assert "is left" in unfairness(lines, wasteful, masks=masks, amounts=lots)[0]
    impossible = [Fraction(4), Fraction(8), Fraction(6)]
    assert "do not carry" in unfairness(lines, impossible, masks=masks, amounts=lots)[0]
    too_much = [Fraction(5), Fraction(4), Fraction(3)]
    assert "outside 0 to 4" in unfairness(lines, too_much, masks=masks, amounts=lots)[0]


def carried(amounts: tuple[int, ...], masks: list[int], lots: list[int]) -> bool:
    """Hall's condition for every set of lines: they need no more than their sources hold."""
    for size in range(1, len(amounts) + 1):
        for group in combinations(range(len(amounts)), size):
            reach = 0
            for i in group:
                reach |= masks[i]
            if sum(amounts[i] for i in group) > sum(lots[t] for t in bits(reach)):
                return False
    return True


@pytest.mark.parametrize("rule", Rule)
def test_against_every_division_there_is(rule: Rule) -> None:
    """Grams cut as fine as the answer needs, every possible division listed, the best one by sorted levels taken."""
    rng = random.Random(rule.value)
    tried = 0
    while tried < 110:
        lots = [rng.randrange(0, 5) for _ in range(rng.randrange(1, 4))]
        orders = [rng.randrange(1, 6) for _ in range(rng.randrange(1, 4))]
        masks = [rng.randrange(0, 1 << len(lots)) for _ in orders]
        least = [rng.choice([0, 0, rng.randrange(0, o + 1)]) for o in orders]
        if not carried(tuple(least), masks, lots):
            continue
        lines = [curve(rule, ordered=o, least=m) for o, m in zip(orders, least, strict=True)]
        shares = leximin(lines, masks=masks, amounts=lots)
        unit = lcm(*(x.denominator for x in shares))
        if np.prod([unit * (c.most - c.least) + 1 for c in lines]) > 4_000:
            continue
        tried += 1
        levels = [curve(rule, ordered=o).level for o in orders]
        best = max(
            sorted(level(Fraction(a, unit)) for level, a in zip(levels, amounts, strict=True))
            for amounts in product(*(range(unit * c.least, unit * c.most + 1) for c in lines))
            if carried(amounts, masks, [unit * lot for lot in lots])
        )
        assert sorted(level(x) for level, x in zip(levels, shares, strict=True)) == best


@st.composite
def networks(draw: st.DrawFn) -> tuple[list[Curve], list[int], list[int]]:
    lots = draw(st.lists(st.integers(0, 50), min_size=1, max_size=6))
    rule = draw(st.sampled_from(Rule))
    orders = draw(st.lists(st.integers(0, 60), min_size=1, max_size=8))
    masks = [draw(st.integers(0, (1 << len(lots)) - 1)) for _ in orders]
    flow = Flow(masks, lots)
    least = [flow.add(i, draw(st.integers(0, o))) for i, o in enumerate(orders)]
    return [curve(rule, ordered=o, least=m) for o, m in zip(orders, least, strict=True)], masks, lots


@given(networks())
def test_every_division_passes_its_certificate(network: tuple[list[Curve], list[int], list[int]]) -> None:
    lines, masks, lots = network
    shares = leximin(lines, masks=masks, amounts=lots)
    assert unfairness(lines, shares, masks=masks, amounts=lots) == []


def graph_of(demands: list[int], masks: list[int], lots: list[int]) -> nx.DiGraph[str]:
    graph: nx.DiGraph[str] = nx.DiGraph()
    graph.add_nodes_from(["from", "to"])
    for t, lot in enumerate(lots):
        graph.add_edge("from", f"lot {t}", capacity=lot)
    for i, (demand, mask) in enumerate(zip(demands, masks, strict=True)):
        graph.add_edge(f"line {i}", "to", capacity=demand)
        for t in bits(mask):
            graph.add_edge(f"lot {t}", f"line {i}")
    return graph


def test_kilos_carried_agree_with_networkx() -> None:
    rng = random.Random(4)
    for _ in range(320):
        lots = [rng.randrange(0, 30) for _ in range(rng.randrange(1, 12))]
        demands = [rng.randrange(0, 40) for _ in range(rng.randrange(1, 15))]
        masks = [rng.getrandbits(len(lots)) & rng.getrandbits(len(lots)) for _ in demands]
        flow = Flow(masks, lots)
        total = sum(flow.add(i, demand) for i, demand in enumerate(demands))
        assert total == nx.maximum_flow_value(graph_of(demands, masks, lots), "from", "to")
        assert total == sum(leximin([pro_rata(d) for d in demands], masks=masks, amounts=lots))


def test_the_lowest_fill_agrees_with_linprog() -> None:
    rng = random.Random(5)
    for _ in range(320):
        lots = [rng.randrange(0, 30) for _ in range(5)]
        orders = [rng.randrange(1, 40) for _ in range(7)]
        masks = [rng.randrange(1, 1 << 5) for _ in orders]
        arcs = [(i, t) for i, mask in enumerate(masks) for t in bits(mask)]
        # maximise z with  sum of arcs of line i >= z * ordered  and  sum of arcs of lot t <= lot
        rows = np.zeros((len(orders) + len(lots), len(arcs) + 1))
        for column, (i, t) in enumerate(arcs):
            rows[i, column] = -1
            rows[len(orders) + t, column] = 1
        rows[: len(orders), -1] = orders
        answer = linprog(
            [*[0] * len(arcs), -1],
            A_ub=rows,
            b_ub=[*[0] * len(orders), *lots],
            bounds=[*[(0, None)] * len(arcs), (0, 1)],
        )
        shares = leximin([pro_rata(o) for o in orders], masks=masks, amounts=lots)
        assert answer.fun is not None
        assert min(float(x / o) for x, o in zip(shares, orders, strict=True)) == pytest.approx(
            -float(answer.fun or 0), abs=1e-7
        )


@given(st.data())
def test_flow_keeps_its_ledgers_whatever_is_added_and_dropped(data: st.DataObject) -> None:
    lots = data.draw(st.lists(st.integers(0, 20), min_size=1, max_size=6))
    masks = data.draw(st.lists(st.integers(0, (1 << len(lots)) - 1), min_size=1, max_size=7))
    flow = Flow(masks, lots)
    has = [0] * len(masks)
    for _ in range(data.draw(st.integers(0, 25))):
        i = data.draw(st.integers(0, len(masks) - 1))
        amount = data.draw(st.integers(0, 15))
        what = data.draw(st.sampled_from(["add", "drop", "carries"]))
        most = nx.maximum_flow_value(graph_of([*has[:i], has[i] + amount, *has[i + 1 :]], masks, lots), "from", "to")
        if what == "add":
            got = flow.add(i, amount)
            assert got == most - sum(has)
            has[i] += got
        elif what == "carries":
            assert flow.carries(i, amount) == (most - sum(has) == amount)
            has[i] = flow.amount(i)
        else:
            amount = min(amount, has[i])
            flow.drop(i, amount)
            has[i] -= amount
        assert [flow.amount(j) for j in range(len(masks))] == has
        for t, lot in enumerate(lots):
            assert flow.spare[t] == lot - sum(flow.given[t].values()) >= 0
            assert bool(flow.spare_mask >> t & 1) == (flow.spare[t] > 0)
