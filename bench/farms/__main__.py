"""``make farms``: ten invented farms over a year: tables, and a line a goal as in ``make bench``.

``ROWS`` chooses among ``forecast`` (what is coming) and ``share`` (promising and sharing it: :mod:`bench.farms.share`),
``SEED`` is the first farm's (the others follow it).  ``STEP`` leaves out mornings: of the forecast all of them (1 is
every one), of promises only the mornings on which they are counted again on fresh scenarios (7).  ``FARMS`` and
``WEEKS`` make ``share`` shorter: ``FARMS=2 WEEKS=4`` takes about a minute.  The misses are printed like the rest.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial

from bench.farms import share
from bench.farms.trial import WEEK, Line, lines, run
from bench.measure import Row, goal_row, write
from bench.rows import ROOT

FARMS = 10
LEAST_BELOW = {1: 65.0, 3: 45.0, 7: 15.0, 14: 0.0}
"""Percent below the better rival."""


def forecast_rows(*, seed: int, step: int) -> Iterator[Row]:
    seeds = range(seed, seed + FARMS)
    with ProcessPoolExecutor() as pool:
        tallies = list(pool.map(partial(run, step=step), seeds))
    print(f"forecast: farms {seeds[0]} to {seeds[-1]}, every {step}. morning from week 9 on")
    for name in ("ours", "oracle"):
        print(name)
        found = lines(tallies, of=name)
        print("\n".join(str(line) for line in found))
        if name == "ours":
            kept = found
    for line in kept:
        yield from _goals(line)


def _goals(line: Line) -> Iterator[Row]:
    name = "week" if line.lead == WEEK else f"{line.lead} d"
    fewest, most = min(line.deciles), max(line.deciles)
    yield goal_row(f"farms {name}, crps / oracle", line.over, "<= 1.1", kept=line.over <= 1.1)
    if line.lead in LEAST_BELOW:
        least = LEAST_BELOW[line.lead]
        note = f"the oracle itself: {line.oracle_below:.1f} %"
        yield goal_row(f"farms {name}, % below rival", line.below, f">= {least:g}", kept=line.below >= least, note=note)
    yield goal_row(f"farms {name}, % inside", line.inside, "76 to 84", kept=76 <= line.inside <= 84)
    yield goal_row(f"farms {name}, fewest in a decile", fewest, ">= 7", kept=fewest >= 7)
    yield goal_row(f"farms {name}, most in a decile", most, "<= 13", kept=most <= 13)


def forecasts(seed: int) -> Iterator[Row]:
    yield from forecast_rows(seed=seed, step=_number("STEP", 1))


def shares(seed: int) -> Iterator[Row]:
    yield from share.rows(
        seed=seed, farms=_number("FARMS", FARMS), weeks=_number("WEEKS", share.WEEKS), step=_number("STEP", 7)
    )


ROWS = {"forecast": forecasts, "share": shares}


def main() -> int:
    asked = os.environ.get("ROWS", "").split() or list(ROWS)
    unknown = [name for name in asked if name not in ROWS]
    if unknown:
        print(f"No row is called {', '.join(unknown)}: there are {', '.join(ROWS)}.", file=sys.stderr)
        return 2
    rows = [row for name in asked for row in ROWS[name](_number("SEED", 1))]
    for row in rows:
        print(row, flush=True)
    write(rows, to=ROOT / "bench" / "results.json")
    return 0


def _number(name: str, usual: int) -> int:
    return int(os.environ.get(name, usual))


if __name__ == "__main__":
    sys.exit(main())
