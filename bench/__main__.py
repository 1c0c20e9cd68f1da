"""``make bench``: one line a row — name, ratio, low, high, goal, verdict — and the same in bench/results.json."""

from __future__ import annotations

import os
import sys

from bench.measure import Row, write
from bench.rows import ROOT, ROWS


def main() -> int:
    asked = os.environ.get("ROWS", "").split() or list(ROWS)
    unknown = [name for name in asked if name not in ROWS]
    if unknown:
        print(f"No row is called {', '.join(unknown)}: there are {', '.join(ROWS)}.", file=sys.stderr)
        return 2
    seed = int(os.environ.get("SEED", "1"))
    rows: list[Row] = []
    for name in asked:
        for row in ROWS[name](seed):
            print(row, flush=True)
            rows.append(row)
    write(rows, to=ROOT / "bench" / "results.json")
    return 0


if __name__ == "__main__":
    sys.exit(main())
