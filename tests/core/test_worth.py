"""What a bag is worth as fresh mushrooms: the difference that one bag more makes."""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import date, timedelta

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from fulfilment.core.allocation import Source, Want, allocate
from fulfilment.core.promises import Book, Part, Supply
from fulfilment.core.units import Goods
from fulfilment.core.worth import Demand, Worth, worths

MONDAY = date(2026, 5, 4)
PEARL, PINK = Goods(1, "a"), Goods(2, "a")
LIFE = 6


def day(offset: int) -> date:
    return MONDAY + timedelta(days=offset)


def supply(*scenarios: Sequence[int], goods: Goods = PEARL) -> Supply:
    return Supply(goods, MONDAY, np.array(scenarios, dtype=np.int32))


def bag(*scenarios: Sequence[float]) -> NDArray[np.float64]:
    return np.array(scenarios, dtype=np.float64)


def wants(grams: int, first: int, last: int, *, price: int = 1_200, standing: tuple[int, int] = (1, 0)) -> Demand:
    return Demand(PEARL, day(first), day(last), grams, price, standing)


def worth(of: NDArray[np.float64], stock: Supply, *demands: Demand) -> Worth:
    return worths({7: {stock.goods: of}}, supplies={stock.goods: stock}, demands=demands)[7]


# ---- By hand --------------------------------------------------------------------------------------------------------


def test_the_worked_example() -> None:
    stock = supply([0, 1_000, 0, 0, 1_500])
    given = bag([0, 400, 0, 0, 800])
    tuesday, friday = wants(1_000, 1, 1, standing=(1, 1)), wants(2_000, 4, 4, standing=(1, 2))
    assert worth(given, stock, tuesday, friday) == Worth(600, 1_200, 500)


def test_where_there_is_enough_a_bag_is_worth_nothing() -> None:
    assert worth(bag([900, 0]), supply([2_000, 2_000]), wants(1_500, 0, 1)) == Worth(0, 900, 0)
    assert worth(bag([900, 0]), supply([0, 0])) == Worth(0, 900, 0), "and where nobody ordered"


def test_where_all_of_it_is_wanted_it_is_worth_its_grams() -> None:
    assert worth(bag([500, 400]), supply([0, 0]), wants(9_000, 0, 1, price=1_450)) == Worth(1_305, 900, 900)


def test_further_grams_fetch_what_is_served_last() -> None:
    """The promised line is served first, whoever pays more; what comes on top goes to the other."""
    promised, other = wants(1_000, 0, 0, price=1_000, standing=(0, 5)), wants(1_000, 0, 0, price=1_400, standing=(1, 1))
    assert worth(bag([500]), supply([1_000]), promised, other) == Worth(700, 500, 500)
    assert worth(bag([500]), supply([1_000]), other, promised) == Worth(700, 500, 500), "in whatever order listed"


def test_a_scenario_with_enough_and_one_without_are_worth_half() -> None:
    assert worth(bag([600], [600]), supply([1_000], [0]), wants(1_000, 0, 0)) == Worth(360, 600, 300)


def test_two_goods_of_one_bag_add_up() -> None:
    found = worths(
        {1: {PEARL: bag([300]), PINK: bag([200])}, 2: {PINK: bag([200])}},
        supplies={PEARL: supply([0]), PINK: supply([0], goods=PINK)},
        demands=[wants(1_000, 0, 0), Demand(PINK, day(0), day(0), 100, 2_000, (1, 1))],
    )
    assert found == {1: Worth(560, 500, 400), 2: Worth(200, 200, 100)}


def test_grams_of_a_fraction_are_not_lost_by_rounding() -> None:
    """Thirty days of 0.4 g are 12 g, though each day rounds to nothing."""
    assert worth(bag([0.4] * 30), supply([0] * 30), wants(1_000, 0, 29, price=1_000)) == Worth(12, 12, 12)


# ---- By brute force -------------------------------------------------------------------------------------------------


def a_week(rng: random.Random) -> tuple[list[int], list[int], list[Demand]]:
    """A stock, a bag and demands of one tier and price each; what is promised has ranks."""
    days = rng.randrange(1, 7)
    stock = [rng.choice([0, rng.randrange(900)]) for _ in range(days)]
    extra = [rng.choice([0, rng.randrange(300)]) for _ in range(days)]
    price_of = {tier: rng.randrange(800, 2_000) for tier in (1, 2, 3)}
    demands = []
    for line in range(rng.randrange(1, 9)):
        last = rng.randrange(days)
        first, grams = rng.randrange(last + 1), rng.randrange(1, 900)
        tier = rng.choice([0, 1, 2, 3])
        price = price_of[tier] if tier else rng.randrange(800, 2_000)
        demands.append(Demand(PEARL, day(first), day(last), grams, price, (tier, line)))
    return stock, extra, demands


def carried(stock: Sequence[int], demands: Sequence[Demand]) -> int:
    """The most grams that can be sold at all, by another's flow routine."""
    graph: nx.DiGraph[str] = nx.DiGraph()
    graph.add_nodes_from(["from", "to"])
    for offset, grams in enumerate(stock):
        graph.add_edge("from", f"day {offset}", capacity=grams)
    for place, demand in enumerate(demands):
        graph.add_edge(f"line {place}", "to", capacity=demand.grams)
        for offset in range(len(stock)):
            if demand.first <= day(offset) <= demand.last:
                graph.add_edge(f"day {offset}", f"line {place}")
    return int(nx.maximum_flow_value(graph, "from", "to"))


def test_what_is_sold_of_a_bag_is_the_difference_of_two_flows() -> None:
    rng = random.Random(41)
    some = 0
    for _ in range(300):
        stock, extra, demands = a_week(rng)
        found = worth(bag(extra), supply(stock), *demands)
        more = [a + b for a, b in zip(stock, extra, strict=True)]
        assert found.sold == carried(more, demands) - carried(stock, demands)
        assert found.grams == sum(extra)
        some += 0 < found.sold < found.grams
    assert some > 60


def test_the_value_of_a_bag_is_the_difference_of_two_plans() -> None:
    """The farm's own plan with the bag and without it, each line's amount at its price; to the gram, in packs of one.

    Promised lines have prices of their own, the tiers one each: which of two kitchens of a tier gets the last gram is
    the sharing rule's business and moves no money then.
    """
    rng = random.Random(43)
    some = 0
    for _ in range(300):
        stock, extra, demands = a_week(rng)
        found = worth(bag(extra), supply(stock), *demands)
        more = [a + b for a, b in zip(stock, extra, strict=True)]
        value = planned(more, demands) - planned(stock, demands)
        assert abs(found.minor - value / 1_000) <= 0.5
        some += found.minor > 0
    assert some > 100


def planned(stock: Sequence[int], demands: Sequence[Demand]) -> int:
    """Grams times price of what the plan gives."""
    sources = [
        Source(f"lot:{offset}", PEARL, grams, day(offset), day(offset + LIFE), offset)
        for offset, grams in enumerate(stock)
    ]
    lines = [
        Want(
            line_id=line, order_id=line, day=demand.last, choices=((PEARL, demand.first, demand.last),),
            ordered=demand.grams, promised=((PEARL, demand.grams),) if demand.standing[0] == 0 else (),
            rank=line + 1 if demand.standing[0] == 0 else 0, tier=max(1, demand.standing[0]),
        )
        for line, demand in enumerate(demands)
    ]  # fmt: skip
    amounts = allocate(lines, sources, today=MONDAY).amounts
    return sum(demand.price_minor * amounts[line] for line, demand in enumerate(demands))


def test_one_bag_more_takes_from_nobody() -> None:
    rng = random.Random(47)
    for _ in range(300):
        stock, extra, demands = a_week(rng)
        before, after = (
            Book.replay(
                supply(amounts),
                [Part(i, i, PEARL, d.first, d.last, d.grams, rank=i) for i, d in enumerate(demands)],
            ).received
            for amounts in (stock, [a + b for a, b in zip(stock, extra, strict=True)])
        )
        assert all(after[i][0] >= before[i][0] for i in before)
