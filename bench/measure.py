"""Timing by ABBA: the work and its limit in turn, so that a machine that slows down slows both.

A ratio is the median over rounds of work / limit, shown with the lowest and the highest round.  Noise is shown, not
hidden: where highest and lowest differ by more than half of the median, the verdict says "noisy" beside it.
"""

from __future__ import annotations

import json
import statistics
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from time import perf_counter

ROUNDS = 7


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the bench: a name, the ratio (median, low, high) and the goal it is held against."""

    name: str
    ratio: float
    low: float
    high: float
    goal: str
    verdict: str
    note: str = ""

    def __str__(self) -> str:
        return (
            f"{self.name:<28} {self.ratio:>9.3f} {self.low:>9.3f} {self.high:>9.3f}  "
            f"{self.goal:<10} {self.verdict:<12} {self.note}"
        )


def ratio(
    name: str,
    work: Callable[[], object],
    limit: Callable[[], object],
    *,
    at_most: float,
    rounds: int = ROUNDS,
    note: str = "",
) -> Row:
    """``work`` against ``limit`` in the same run; the goal is that it takes at most ``at_most`` times as long."""
    work()
    limit()
    ratios, works, limits = [], [], []
    for place in range(rounds):
        pair = (work, limit) if place % 2 == 0 else (limit, work)
        took = {each: _seconds(each) for each in pair}
        works.append(took[work])
        limits.append(took[limit])
        ratios.append(took[work] / took[limit])
    return judged(
        name,
        ratios,
        goal=f"<= {at_most:g}",
        kept=lambda value: value <= at_most,
        note=note or f"{1000 * statistics.median(works):.1f} ms against {1000 * statistics.median(limits):.1f} ms",
    )


def judged(name: str, values: list[float], *, goal: str, kept: Callable[[float], bool], note: str = "") -> Row:
    """A row of several rounds' values against a goal."""
    middle, low, high = statistics.median(values), min(values), max(values)
    verdict = "kept" if kept(middle) else "missed"
    if high - low > middle / 2:
        verdict += ", noisy"
    return Row(name, middle, low, high, goal, verdict, note)


def goal_row(name: str, value: float, goal: str, *, kept: bool, note: str = "") -> Row:
    """A single value against a goal."""
    return Row(name, value, value, value, goal, "kept" if kept else "missed", note)


def write(rows: list[Row], *, to: Path) -> None:
    to.write_text(json.dumps([asdict(row) for row in rows], indent=1) + "\n")


def _seconds(work: Callable[[], object]) -> float:
    begun = perf_counter()
    work()
    return perf_counter() - begun
