"""What must hold for any week: drawn weeks, and other people's flow routines on bigger ones."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import date, timedelta

import networkx as nx
from hypothesis import given
from hypothesis import strategies as st

from fulfilment.core.allocation import Piece, Plan, Rule, Source, Unrest, Want, allocate, audit, difference, unrest
from fulfilment.core.units import Goods

MONDAY = date(2026, 5, 4)
GOODS = (Goods(1, "a"), Goods(1, "b"), Goods(2, "a"))


def day(offset: int) -> date:
    return MONDAY + timedelta(days=offset)


@st.composite
def lots(
    draw: st.DrawFn, *, goods: tuple[Goods, ...] = GOODS, keeps: int | None = None, shy: bool = False
) -> list[Source]:
    """``shy``: of some, only a part may go beyond promises."""
    made = []
    for number in range(draw(st.integers(0, 7))):
        ready = draw(st.integers(-6, 5))
        life = draw(st.integers(1, 7)) if keeps is None else keeps
        kind = draw(st.sampled_from(goods))
        amount = draw(st.integers(0, 3_000))
        made.append(Source(f"lot:{number}", kind, amount, day(ready), day(ready + life), number))
        if shy and draw(st.booleans()):
            made[-1] = replace(made[-1], to_share=draw(st.integers(0, amount)))
    return made


@st.composite
def orders(
    draw: st.DrawFn,
    *,
    goods: tuple[Goods, ...] = GOODS,
    simple: bool = False,
    most: int = 3,
    keys: tuple[str, ...] = (),
) -> list[Want]:
    """``simple``: one kind a line, no minimum, nothing past cut-off."""
    wants = []
    for number in range(draw(st.integers(0, 8))):
        on, age = draw(st.integers(-1, 6)), draw(st.integers(0, 7))
        liked = draw(st.lists(st.sampled_from(goods), unique=True, min_size=1, max_size=1 if simple else most))
        pack = draw(st.sampled_from([1, 100, 500]))
        ordered = pack * draw(st.integers(0, 2_000 // pack))
        promised = pack * draw(st.integers(0, ordered // pack))
        want = Want(
            line_id=number,
            order_id=number // 2,
            day=day(on),
            choices=tuple((g, day(on - age), day(on)) for g in liked),
            ordered=ordered,
            promised=((liked[0], promised),) if promised else (),
            rank=draw(st.integers(0, 8)),
            tier=draw(st.sampled_from([1, 2])),
            pack=pack,
        )
        if not simple:
            want = replace(
                want,
                at_least=draw(st.sampled_from([0, 0, 1, 500, 1_000])),
                picked=draw(st.sampled_from([0, 0, 0, 200])),
                frozen=draw(st.booleans()),
                previous=tuple(
                    (key, draw(st.integers(0, 600)))
                    for key in draw(st.lists(st.sampled_from(["gone", *keys]), unique=True, max_size=3))
                ),
            )
        wants.append(want)
    return wants


@st.composite
def weeks(draw: st.DrawFn) -> tuple[list[Want], list[Source]]:
    sources = draw(lots(shy=True))
    return draw(orders(keys=tuple(s.key for s in sources))), sources


def fed_back(wants: list[Want], plan: Plan) -> list[Want]:
    return [
        replace(w, previous=tuple((p.source, p.amount) for p in plan.pieces if p.line_id == w.line_id)) for w in wants
    ]


@given(weeks(), st.sampled_from(Rule), st.randoms(use_true_random=False))
def test_every_plan_counts_through_and_does_not_depend_on_order(
    week: tuple[list[Want], list[Source]], rule: Rule, shuffle: random.Random
) -> None:
    wants, sources = week
    plan = allocate(wants, sources, today=MONDAY, rule=rule)
    assert audit(plan, wants, sources, today=MONDAY) == []
    assert plan.totals.allocated == sum(p.amount for p in plan.pieces) == sum(plan.amounts.values())
    mixed = allocate(shuffle.sample(wants, len(wants)), shuffle.sample(sources, len(sources)), today=MONDAY, rule=rule)
    assert (mixed.pieces, mixed.amounts, mixed.totals) == (plan.pieces, plan.amounts, plan.totals)
    assert dict(mixed.accounts) == dict(plan.accounts)


@given(orders(), lots(shy=True))
def test_yesterdays_plan_is_kept_where_nothing_changed(wants: list[Want], sources: list[Source]) -> None:
    fresh = [replace(w, frozen=False, picked=0, previous=()) for w in wants]
    plan = allocate(fresh, sources, today=MONDAY)
    again = allocate(fed_back(fresh, plan), sources, today=MONDAY)
    assert again.amounts == plan.amounts
    assert difference(plan.pieces, again.pieces) == difference([], [])


@given(orders(simple=True), lots(shy=True))
def test_a_later_promise_never_cuts_an_earlier_one(wants: list[Want], sources: list[Source]) -> None:
    wants = [replace(w, rank=w.line_id) for w in wants]
    for count in range(1, len(wants)):
        with_later = allocate(wants[: count + 1], sources, today=MONDAY)
        without = allocate(wants[:count], sources, today=MONDAY)
        for want in wants[:count]:
            before = min(without.amounts[want.line_id], want.promised_total)
            assert min(with_later.amounts[want.line_id], want.promised_total) == before


@given(orders(goods=GOODS[:1], simple=True), lots(goods=GOODS[:1], keeps=5))
def test_oldest_first_fills_whatever_can_be_filled(wants: list[Want], sources: list[Source]) -> None:
    """Lines by their last day, each from the oldest it accepts: a packer's rule, and it decides what is possible."""
    left = {s.key: s.amount for s in sources}
    by_hand = True
    for want in sorted(wants, key=lambda w: max(w.day, MONDAY)):
        need, on = want.ordered, max(want.day, MONDAY)
        for source in sorted(sources, key=lambda s: s.ready_on):
            _, first, last = want.choices[0]
            if first <= source.ready_on <= min(last, on) and source.usable_until >= on:
                step = min(need, left[source.key])
                left[source.key] -= step
                need -= step
        by_hand = by_hand and need == 0
    plan = allocate(wants, sources, today=MONDAY)
    assert all(plan.amounts[w.line_id] == w.ordered for w in wants) == by_hand


@given(orders(simple=True), lots())
def test_more_mushrooms_never_mean_less_in_all(wants: list[Want], sources: list[Source]) -> None:
    loose = [replace(w, pack=1) for w in wants]
    before = allocate(loose, sources, today=MONDAY).totals
    more = allocate(loose, [replace(s, amount=s.amount + 100) for s in sources], today=MONDAY).totals
    assert more.allocated >= before.allocated
    assert more.promised_kept >= before.promised_kept


def test_kilos_and_substitutes_agree_with_networkx() -> None:
    rng = random.Random(23)
    for _ in range(25):
        sources = [
            Source(f"lot:{t}", rng.choice(GOODS), rng.randrange(0, 900), day(r := rng.randrange(-5, 4)), day(r + 6))
            for t in range(14)
        ]
        wants = []
        for i in range(20):
            on, age = rng.randrange(0, 6), rng.randrange(1, 6)
            choices = tuple((g, day(on - age), day(on)) for g in rng.sample(GOODS, rng.randrange(1, 4)))
            wants.append(Want(i, i, day(on), choices, rng.randrange(1, 900), rank=i))
        plan = allocate(wants, sources, today=MONDAY)
        graph: nx.DiGraph[str] = nx.DiGraph()
        graph.add_nodes_from(["from", "to"])
        for source in sources:
            graph.add_edge("from", source.key, capacity=source.amount, weight=0)
        for want in wants:
            graph.add_edge(f"line {want.line_id}", "to", capacity=want.ordered, weight=0)
            for liking, (goods, first, last) in enumerate(want.choices):
                for source in sources:
                    if source.goods == goods and first <= source.ready_on <= last and source.usable_until >= want.day:
                        graph.add_edge(source.key, f"line {want.line_id}", weight=liking)
        assert plan.totals.allocated == nx.maximum_flow_value(graph, "from", "to")
        for want in wants:
            graph[f"line {want.line_id}"]["to"]["capacity"] = plan.amounts[want.line_id]
        cheapest = nx.cost_of_flow(graph, nx.max_flow_min_cost(graph, "from", "to"))
        by_key = {s.key: s.goods for s in sources}
        liked = {w.line_id: [g for g, _, _ in w.choices] for w in wants}
        assert sum(liked[p.line_id].index(by_key[p.source]) * p.amount for p in plan.pieces) == cheapest


def test_unrest_weighs_what_is_near() -> None:
    goods = GOODS[0]
    before = [Piece(1, "lot:1", goods, 1_000), Piece(2, "lot:1", goods, 1_000), Piece(3, "lot:1", goods, 500)]
    after = [Piece(1, "lot:2", goods, 1_000), Piece(2, "lot:1", goods, 600), Piece(3, "lot:1", goods, 500)]
    new = [*after, Piece(4, "lot:2", goods, 9_000)]
    days = {1: day(2), 2: day(1), 3: day(1), 4: day(1)}
    assert unrest(before, new, days=days, today=MONDAY) == Unrest(1_000, 400, 640, 320)
    assert unrest(before, before, days=days, today=MONDAY) == Unrest()


def test_what_an_account_says_went_to_promises_before_is_what_the_pieces_show() -> None:
    """Counted again line against line, without classes or cohorts; for weeks with nothing past cut-off."""
    rng = random.Random(37)
    for _ in range(40):
        wants, sources = busy_week(rng, lines=rng.randrange(5, 40), lots=rng.randrange(2, 20), days=rng.randrange(1, 9))
        wants = [replace(w, frozen=False, previous=()) for w in wants]
        plan = allocate(wants, sources, today=MONDAY)
        by_key = {s.key: s for s in sources}
        owed = {}
        for want in wants:
            room, mine = min(plan.amounts[want.line_id], want.promised_total), []
            own = [p for p in plan.pieces if p.line_id == want.line_id]
            for piece in sorted(own, key=lambda p: (by_key[p.source].usable_until, by_key[p.source].ready_on, p.goods)):
                mine.append((by_key[piece.source], min(room, piece.amount)))
                room -= mine[-1][1]
            owed[want.line_id] = mine
        for want in wants:
            before = sum(
                amount
                for other in wants
                if (other.rank, other.line_id) < (want.rank, want.line_id)
                for source, amount in owed[other.line_id]
                if source.ready_on <= max(want.day, MONDAY) <= source.usable_until
                and any(g == source.goods and a <= source.ready_on <= b for g, a, b in want.choices)
            )
            assert plan.accounts[want.line_id].promised_before == before


def busy_week(rng: random.Random, *, lines: int, lots: int, days: int) -> tuple[list[Want], list[Source]]:
    sources = [
        Source(f"lot:{t}", rng.choice(GOODS), rng.randrange(0, 9_000), day(r := rng.randrange(-5, days)), day(r + 7))
        for t in range(lots)
    ]
    sources = [replace(s, to_share=s.amount * 3 // 4) if s.ready_on > MONDAY else s for s in sources]
    wants = []
    for i in range(lines):
        on, age, pack = rng.randrange(0, days + 1), rng.randrange(1, 8), rng.choice([1, 100, 500])
        choices = tuple((g, day(on - age), day(on - 1)) for g in rng.sample(GOODS, rng.randrange(1, 4)))
        ordered = pack * rng.randrange(1, 9_000 // pack)
        promised = ((choices[0][0], rng.randrange(ordered) // pack * pack),) if rng.random() < 0.6 else ()
        least = rng.choice([0, 0, 0, 2 * pack])
        tier, frozen = rng.choice([1, 2]), rng.random() < 0.1
        previous = ((rng.choice(sources).key, rng.randrange(1, 3_000)),) if rng.random() < 0.3 else ()
        wants.append(
            Want(i, i, day(on), choices, ordered, promised, i, tier, pack, least, frozen=frozen, previous=previous)
        )
    return wants, sources


def test_busy_weeks_count_through() -> None:
    rng = random.Random(29)
    short = 0
    for _ in range(60):
        wants, sources = busy_week(rng, lines=rng.randrange(5, 60), lots=rng.randrange(2, 25), days=rng.randrange(1, 9))
        plan = allocate(wants, sources, today=MONDAY, rule=rng.choice(list(Rule)))
        assert audit(plan, wants, sources, today=MONDAY) == []
        short += plan.totals.promised_kept < plan.totals.promised
    assert short > 20


def test_a_month_of_three_hundred_lines_counts_through_and_keeps_its_sources() -> None:
    wants, sources = busy_week(random.Random(31), lines=300, lots=200, days=28)
    wants = [replace(w, frozen=False, previous=()) for w in wants]
    plan = allocate(wants, sources, today=MONDAY)
    assert audit(plan, wants, sources, today=MONDAY) == []
    assert 0 < plan.totals.allocated < plan.totals.ordered
    again = allocate(fed_back(wants, plan), sources, today=MONDAY)
    assert again.pieces == plan.pieces
