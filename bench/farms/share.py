"""``make farms ROWS=share``: a year of promising and sharing on ten invented farms, beside rivals and a clairvoyant.

``WEEKS`` is how long each farm is lived from week 9 on (44 to the year's end), ``FARMS`` how many there are, ``STEP``
on which nights (every seventh) that night's promises are counted on 4,000 scenarios from which none of them was made.

The rivals promise by a single story of what comes (:mod:`bench.farms.selling`).  What a rival could promise *at that
rate* is what it promised, every line's amount cut by the same part, until no larger share of its kilos is broken than
of ours.  The clairvoyant (:mod:`bench.farms.clairvoyant`) knows every harvest and order and is bound by what ours kept.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, fields
from functools import partial
from typing import Final

from bench.farms import grower
from bench.farms.clairvoyant import Best, best
from bench.farms.market import EQUALS, market
from bench.farms.selling import OURS, RIVALS, TARGETS, Tally, Way, jain_of, sell
from bench.measure import Row, goal_row

FROM_DAY: Final = 56
DAYS: Final = 364
WEEKS: Final = 44
CENTRAL: Final = "ours at 90"
"""What a kitchen is asked that says nothing else."""
SURER: Final = "ours at 95"
SELLERS: Final = ("four weeks", "half of it", "all")
"""Those who sell without a forecast."""
MOST_TIMES: Final = 99
"""Shown where a rival can promise next to nothing at our rate."""

Delivered = Mapping[int, tuple[int, int]]
"""Line → (promised, got)."""


@dataclass(frozen=True, slots=True)
class Lived:
    """One farm's year in all ways."""

    tallies: Mapping[str, Tally]
    delivered: Mapping[str, Delivered]
    best: Mapping[str, Best]
    """By the way whose kept promises bind it."""


def live(seed: int, *, weeks: int = WEEKS, step: int = 7, ways: Sequence[Way] = (*OURS, *RIVALS)) -> Lived:
    """The farm of this seed, sold in these ways."""
    farm = grower.live(seed, days=DAYS)
    first, last = FROM_DAY, min(FROM_DAY + 7 * weeks, DAYS) - 1
    demand = market(farm, seed=seed, first=first, last=last)
    years = sell(farm, demand, ways=ways, seed=seed, first=first, last=last, step=step)
    delivered = {name: year.delivered for name, year in years.items()}
    clairvoyants: dict[str, Best] = {}
    for name in (CENTRAL, SURER):
        if name in years:
            bound = {line: min(promised, got) for line, (promised, got) in delivered[name].items()}
            clairvoyants[name] = best(farm, demand, first=first, last=last, bound=bound)
    return Lived({name: year.tally for name, year in years.items()}, delivered, clairvoyants)


def rows(*, seed: int, farms: int, weeks: int, step: int) -> Iterator[Row]:
    """The table, and a row for each goal."""
    seeds = range(seed, seed + farms)
    with ProcessPoolExecutor() as pool:
        lived = list(pool.map(partial(live, weeks=weeks, step=step), seeds))
    print(f"share: farms {seeds[0]} to {seeds[-1]}, {weeks} weeks from week 9 on")
    print("\n".join(table(lived)))
    yield from goals(lived)


def together(lived: Sequence[Lived], name: str) -> Tally:
    """All farms' tallies of one way as one; kitchens are not added up."""
    total = Tally()
    for each in fields(Tally):
        if each.name != "by_kitchen":
            setattr(total, each.name, sum(getattr(one.tallies[name], each.name) for one in lived))
    return total


def table(lived: Sequence[Lived]) -> Iterator[str]:
    """A line for each way of selling."""
    yield (
        f"{'way':<11} {'lines':>6} {'promised':>9} {'at once':>8} {'kept':>6} {'broken':>7} {'2 under':>8} "
        f"{'delivered':>10} {'wasted':>7} {'moved':>6} {'near':>6} {'changed':>8} {'Jain':>7}"
    )
    yield (
        f"{'':<11} {'':>6} {'kg':>9} {'kg':>8} {'%':>6} {'% kg':>7} {'%':>8} {'kg':>10} {'%':>7} {'%':>6} {'%':>6} "
        f"{'%':>8}"
    )
    for name in lived[0].tallies:
        t = together(lived, name)
        under = f"{_percent(t.under, t.counted):.2f}" if t.counted else ""
        yield (
            f"{name:<11} {t.lines_promised:>6} {t.promised / 1e3:>9.0f} {t.at_placing / 1e3:>8.0f} "
            f"{_percent(t.kept, t.lines_promised):>6.1f} {_percent(t.broken, t.promised):>7.2f} {under:>8} "
            f"{t.delivered / 1e3:>10.0f} {_percent(t.wasted, t.harvested):>7.1f} "
            f"{_percent(t.resourced, t.planned):>6.1f} {_percent(t.resourced_weighted, t.planned_weighted):>6.1f} "
            f"{_percent(t.changed, t.planned):>8.1f} {_jain(lived, name):>7.4f}"
        )
    ordered = together(lived, CENTRAL)
    yield (
        f"ordered {ordered.ordered / 1e3:.0f} kg in {ordered.lines} lines, harvested {ordered.harvested / 1e3:.0f} kg; "
        f"the clairvoyant delivers {sum(one.best[CENTRAL].delivered for one in lived) / 1e3:.0f} kg"
    )


def goals(lived: Sequence[Lived]) -> Iterator[Row]:
    """What the years are held against."""
    yield from _honest(lived)
    yield from _against_days(lived)
    for name in (CENTRAL, SURER):
        chance = name.removeprefix("ours ")
        yield from _broken(lived, name, chance)
        yield from _against_the_best(lived, name, chance)
        even = _jain(lived, name)
        note = "the least of all farms"
        yield goal_row(f"share {chance}, Jain of equals", even, ">= 0.97", kept=even >= 0.97, note=note)
        ours = together(lived, name)
        moved, near = _percent(ours.resourced, ours.planned), _percent(ours.resourced_weighted, ours.planned_weighted)
        note = f"{near:.1f} where near days weigh more; {_percent(ours.changed, ours.planned):.1f} % other amounts"
        yield goal_row(f"share {chance}, % re-sourced", moved, "<= 10", kept=moved <= 10, note=note)


def _honest(lived: Sequence[Lived]) -> Iterator[Row]:
    for target in TARGETS:
        t = together(lived, f"ours at {target}")
        under, kept = _percent(t.under, t.counted), _percent(t.kept, t.lines_promised)
        note = f"{t.under} of {t.counted} lines promised"
        yield goal_row(f"share at {target}, % 2 under", under, "< 2", kept=under < 2, note=note)
        note = f"{t.kept} of {t.lines_promised} lines, {t.promised / 1e3:.0f} kg"
        yield goal_row(f"share at {target}, % lines kept", kept, f">= {target}", kept=kept >= target, note=note)


def _against_days(lived: Sequence[Lived]) -> Iterator[Row]:
    ours, low, mean = (together(lived, name) for name in (CENTRAL, "daily P10", "mean"))
    over = ours.at_placing / max(low.at_placing, 1)
    note = f"{ours.at_placing / 1e3:.0f} kg against {low.at_placing / 1e3:.1f} kg when the order comes"
    yield goal_row("share at 90 / daily P10", over, ">= 10", kept=over >= 10, note=note)
    under, broken = _percent(mean.under, mean.counted), _percent(mean.broken, mean.promised)
    note = f"{mean.under} of {mean.counted} lines promised, {broken:.1f} % of kilos broken"
    yield goal_row("share by the mean, % < 88", under, "beside it", kept=True, note=note)


def _broken(lived: Sequence[Lived], name: str, chance: str) -> Iterator[Row]:
    ours = together(lived, name)
    broken = _percent(ours.broken, ours.promised)
    yield goal_row(f"share {chance}, % kilos broken", broken, "<= 2", kept=broken <= 2)
    rivals = {name: sum(at_rate(one.delivered[name], broken / 100) for one in lived) for name in SELLERS}
    better = max(rivals, key=rivals.__getitem__)
    over = min(ours.promised / max(rivals[better], 1), MOST_TIMES)
    note = f"{ours.promised / 1e3:.0f} kg; {better} at that rate {rivals[better] / 1e3:.0f} kg"
    yield goal_row(f"share {chance} / better rival", over, ">= 1.3", kept=over >= 1.3, note=note)


def _against_the_best(lived: Sequence[Lived], name: str, chance: str) -> Iterator[Row]:
    ours, known = together(lived, name), [one.best[name] for one in lived]
    value = _percent(ours.value, sum(each.value for each in known))
    yield goal_row(f"share {chance}, % of best value", value, ">= 97", kept=value >= 97)
    left = _percent(sum(each.delivered for each in known) - ours.delivered, ours.harvested)
    note = "of the harvest, than the best"
    yield goal_row(f"share {chance}, % more left over", left, "<= 3", kept=left <= 3, note=note)


def at_rate(delivered: Delivered, rate: float) -> int:
    """The grams promised when every line's promise is cut by one part so that at most ``rate`` of them is broken."""
    for percent in range(100, 0, -1):
        cut = [(promised * percent // 100, got) for promised, got in delivered.values()]
        promised = sum(amount for amount, _ in cut)
        if sum(max(0, amount - got) for amount, got in cut) <= rate * promised:
            return promised
    return 0


def _jain(lived: Sequence[Lived], name: str) -> float:
    """The least even of the farms, among the kitchens that are equal in everything."""
    return min(jain_of(one.tallies[name], range(1, EQUALS + 1)) for one in lived)


def _percent(part: float, whole: float) -> float:
    return 100 * part / whole if whole else 0.0
