"""The invented farms and kitchens that promising and sharing are tried on."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from bench.farms import grower, share
from bench.farms.clairvoyant import Best, best
from bench.farms.market import EQUALS, GOODS, Market, market
from bench.farms.selling import HORIZON, OURS, RIVALS, Tally, View, Way, Year, sell

FIRST, LAST = 70, 83
WAYS = {way.name: way for way in (*OURS, *RIVALS)}


def _farm(seed: int) -> tuple[grower.Farm, Market]:
    farm = grower.live(seed, days=140)
    return farm, market(farm, seed=seed, first=FIRST, last=LAST)


@pytest.fixture(scope="module")
def years() -> Mapping[str, Year]:
    """Two weeks of one farm, sold in four ways."""
    farm, demand = _farm(3)
    ways: list[Way] = [WAYS[name] for name in ("ours at 90", "daily P10", "all", "harvest")]
    return sell(farm, demand, ways=ways, seed=3, first=FIRST, last=LAST, step=100, scenarios=100)


def test_a_farm_and_its_kitchens_are_their_seed_s() -> None:
    (farm, demand), (again, same), (other, _) = _farm(3), _farm(3), _farm(4)
    assert np.array_equal(farm.picked, again.picked)
    assert demand == same
    assert not np.array_equal(farm.picked, other.picked)


def test_four_kitchens_are_equal_in_all_they_ask_for() -> None:
    _, demand = _farm(3)
    asked = [
        [(ask.day, ask.strain, ask.amount, ask.placed) for ask in demand.asks if ask.kitchen.number == number]
        for number in range(1, EQUALS + 1)
    ]
    assert asked[0]
    assert all(own == asked[0] for own in asked)
    terms = {(k.tier, k.weekdays, k.max_age, k.instead) for k in demand.kitchens[:EQUALS]}
    assert len(terms) == 1


def test_rivals_believe_what_is_said_of_them() -> None:
    drawn = np.zeros((10, HORIZON), np.int32)
    drawn[1:, 0] = np.arange(1, 10) * 100
    drawn[9, 1] = 500
    past, truth = np.full((3, 40), 50.0), np.full((3, HORIZON), 700.0)
    past[:, :12] = 1_000
    view = View(dict.fromkeys(GOODS, drawn), past, truth)

    def sees(name: str) -> list[int]:
        amounts = WAYS[name].sees(view)[GOODS[0]]
        assert amounts.shape == ((10 if name.startswith("ours") else 1), HORIZON)
        return [int(x) for x in amounts[0, :3]]

    assert sees("daily P10") == [90, 0, 0]
    assert sees("mean") == [450, 50, 0]
    assert sees("four weeks") == [40, 40, 40]
    assert sees("half of it") == [20, 20, 20]
    assert sees("harvest") == [700, 700, 700]
    assert sees("ours at 80") == [0, 0, 0]
    assert [way.chance for way in OURS] == [80, 90, 95]


def test_no_gram_is_sold_twice_or_lost(years: Mapping[str, Year]) -> None:
    for year in years.values():
        tally = year.tally
        assert tally.delivered > 0
        assert tally.delivered + tally.wasted + year.left == tally.harvested
        assert sum(got for _, got in year.delivered.values()) == tally.delivered
        assert tally.lines == len(year.delivered) == len(year.market.asks)


def test_who_knows_the_harvest_breaks_no_promise_and_who_accepts_everything_does(years: Mapping[str, Year]) -> None:
    assert years["harvest"].tally.broken == 0
    assert years["all"].tally.promised == years["all"].tally.ordered
    assert years["all"].tally.broken > 0


def test_scenarios_promise_more_at_once_than_each_day_s_worst_and_no_more_than_is_ordered(
    years: Mapping[str, Year],
) -> None:
    ours, low = years["ours at 90"].tally, years["daily P10"].tally
    assert low.at_placing < ours.at_placing <= ours.promised <= ours.ordered


def test_nobody_does_better_than_the_clairvoyant(years: Mapping[str, Year]) -> None:
    farm, demand = _farm(3)
    unbound = best(farm, demand, first=FIRST, last=LAST, bound={})
    for year in years.values():
        assert year.tally.value <= unbound.value + 1
    kept = {line: min(promised, got) for line, (promised, got) in years["all"].delivered.items()}
    bound = best(farm, demand, first=FIRST, last=LAST, bound=kept)
    assert years["all"].tally.value - 1 <= bound.value <= unbound.value + 1


def test_a_rival_s_promises_are_cut_until_few_enough_are_broken() -> None:
    delivered = {1: (1_000, 1_000), 2: (1_000, 500)}
    assert share.at_rate(delivered, 0.25) == 2_000
    assert share.at_rate(delivered, 0.0) == 1_000
    assert share.at_rate({1: (1_000, 0)}, 0.1) == 0


def test_misses_are_printed_like_the_rest() -> None:
    bad = Tally(
        lines=10, ordered=10_000, lines_promised=10, promised=10_000, at_placing=10, kept=1, broken=9_000,
        delivered=1_000, harvested=20_000, counted=10, under=5, planned=1_000, resourced=900, planned_weighted=1.0,
        by_kitchen={1: (1_000, 1_000), **dict.fromkeys(range(2, EQUALS + 1), (1000, 0))},
    )  # fmt: skip
    everyone = dict.fromkeys(WAYS, bad)
    delivered = {name: {1: (20_000, 20_000)} for name in WAYS}
    known = dict.fromkeys((share.CENTRAL, share.SURER), Best(value=9_000.0, delivered=9_000.0))
    lived = [share.Lived(everyone, delivered, known)]
    rows = {row.name: row for row in share.goals(lived)}
    assert {row.verdict for name, row in rows.items() if "mean" not in name} == {"missed"}
    assert rows["share at 90, % re-sourced"].ratio == 90
    assert len(list(share.table(lived))) == 3 + len(WAYS)
