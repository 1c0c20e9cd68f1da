"""The rows there are so far; each sets up its own input and gives back lines."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from bench import coming, sharing
from bench.measure import ROUNDS, Row, judged, ratio
from fulfilment.core import calendar
from tests import servers

ROOT = Path(__file__).resolve().parent.parent
TODAY = date(2026, 5, 4)


def start(seed: int) -> Iterator[Row]:
    """A web process against Django's own set-up with the same URL conf; the solver and the papers are not imported."""
    bare = "import django; django.setup(); import farm_orders.urls"
    web = "from farm_orders.wsgi import application"
    environment = {**os.environ, "DJANGO_SETTINGS_MODULE": "farm_orders.settings", "LOG_LEVEL": "ERROR"}

    def run(code: str) -> Callable[[], object]:
        return lambda: subprocess.run([sys.executable, "-c", code], cwd=ROOT, env=environment, check=True)

    yield ratio("start", run(web), run(bare), at_most=1.2)


def standing(seed: int) -> Iterator[Row]:
    """5,000 standing orders, read once, over 60 days against a numpy weekday mask."""
    rng = np.random.default_rng(seed)
    codes = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
    chosen = [sorted(rng.choice(7, size=2, replace=False).tolist()) for _ in range(5_000)]
    rules = [f"FREQ=WEEKLY;BYDAY={','.join(codes[d] for d in days)}" for days in chosen]
    each = [calendar.Recurrence(rule=rule, starts_on=TODAY - timedelta(days=400)) for rule in rules]
    last = TODAY + timedelta(days=59)
    mask = np.zeros((5_000, 7), dtype=bool)
    for i, days in enumerate(chosen):
        mask[i, days] = True
    read = calendar.Patterns.of(each)
    weekdays = np.array([(TODAY + timedelta(days=i)).weekday() for i in range(60)])
    yield ratio(
        "standing 5,000 x 60",
        lambda: read.days(first=TODAY, last=last),
        lambda: mask[:, weekdays],
        at_most=1.5,
    )


def night(seed: int) -> Iterator[Row]:
    """One night of the demo farm against its core computations alone on the same data."""
    with tempfile.TemporaryDirectory() as folder:
        environment = {**os.environ, "FARM_VAR": folder, "LOG_LEVEL": "ERROR"}
        done = subprocess.run(
            [sys.executable, "-m", "bench.night"], cwd=ROOT, env=environment, check=True, capture_output=True, text=True
        )
    whole, core, peak = (float(word) for word in done.stdout.split()[-3:])
    yield judged(
        "night of the demo farm",
        [whole / core],
        goal="<= 3",
        kept=lambda value: value <= 3,
        note=f"{whole:.2f} s against {core:.2f} s",
    )
    yield judged("night, peak MiB", [peak], goal="<= 300", kept=lambda value: value <= 300)


def mails(seed: int) -> Iterator[Row]:
    """Due mails, rendered, accepted and marked, against smtplib sending the same bytes over one connection."""
    with tempfile.TemporaryDirectory() as folder:
        environment = {**os.environ, "FARM_VAR": folder, "LOG_LEVEL": "ERROR"}
        done = subprocess.run(
            [sys.executable, "-m", "bench.mails"], cwd=ROOT, env=environment, check=True, capture_output=True, text=True
        )
    rounds = [(float(drained), float(talked)) for drained, talked in map(str.split, done.stdout.splitlines()[-ROUNDS:])]
    yield judged(
        "mails 200",
        [talked / drained for drained, talked in rounds],
        goal=">= 0.75",
        kept=lambda value: value >= 0.75,
        note=f"{1000 * statistics.median(drained for drained, _ in rounds):.0f} ms against "
        f"{1000 * statistics.median(talked for _, talked in rounds):.0f} ms",
    )


def order(seed: int) -> Iterator[Row]:
    """Orders of three lines over HTTP, with their promises and with the promise stubbed, against writing the rows."""
    for what, least, promise in (("order", 0.03, ""), ("order, promise stubbed", 0.10, "stubbed")):
        for engine, rounds, said in _on_both(what, "bench.orders", BENCH_PROMISE=promise):
            work, limit = (statistics.median(rates) for rates in zip(*rounds, strict=True))
            yield judged(
                f"{what} {engine}",
                [work / limit for work, limit in rounds],
                goal=f">= {least:.2f}",
                kept=lambda value, least=least: value >= least,  # type: ignore[misc]  # bound now, to this row's
                note=f"{work:.0f} a second against {limit:.0f}{said}",
            )


def lists(seed: int) -> Iterator[Row]:
    """A page of 50 orders with their lines against fetching the same rows, and the fifth page against the first."""
    yield from _read("list")


def get(seed: int) -> Iterator[Row]:
    """One order with its lines against fetching the same rows; no goal of its own, the list's is shown."""
    yield from _read("get")


def _read(what: str) -> Iterator[Row]:
    for engine, rounds, _ in _on_both(what, "bench.api", what):
        work, limit, nothing, *last = (statistics.median(took) for took in zip(*rounds, strict=True))
        yield judged(
            f"{what} {engine}",
            [work / limit for work, limit, *_ in rounds],
            goal="<= 4",
            kept=lambda value: value <= 4,
            note=f"{work:.2f} ms against {limit:.2f} ms; {nothing:.2f} ms where nothing is found",
        )
        if last:
            yield judged(
                f"{what}, page 5 {engine}",
                [last / first for first, *_, last in rounds],
                goal="<= 1.2",
                kept=lambda value: value <= 1.2,
                note=f"{last[0]:.2f} ms against the first page's {work:.2f} ms",
            )


def _on_both(what: str, *module: str, **more: str) -> Iterator[tuple[str, list[tuple[float, ...]], str]]:
    """What a module prints a round of itself, of its limit and of what else it measures, run in a process and a
    database of its own: on SQLite and, where there is one, on PostgreSQL; with what it says of how it was measured.
    """
    for engine in ("sqlite", "postgres"):
        with tempfile.TemporaryDirectory() as folder:
            environment = {**os.environ, "FARM_VAR": folder, "LOG_LEVEL": "ERROR", **more}
            server = None
            if engine == "postgres":
                Path(folder).chmod(0o711)
                server = servers.Postgres(Path(folder) / "postgres")
                try:
                    server.start()
                except servers.Missing as missing:
                    print(f"{what} postgres: left out, {missing}", file=sys.stderr)
                    continue
                environment["DATABASE_URL"] = server.url
            try:
                done = subprocess.run(
                    [sys.executable, "-m", *module], cwd=ROOT, env=environment, check=True, capture_output=True,
                    text=True,
                )  # fmt: skip
            finally:
                if server is not None:
                    server.kill()
        said, rounds = done.stdout.splitlines()[:-ROUNDS], done.stdout.splitlines()[-ROUNDS:]
        yield engine, [tuple(map(float, each.split())) for each in rounds], "".join(f", {line}" for line in said)


ROWS: Mapping[str, Callable[[int], Iterator[Row]]] = {
    "start": start,
    "forecast": coming.forecasts,
    "exact": coming.exact,
    "plan": sharing.plans,
    "chances": sharing.all_chances,
    "promise": sharing.promises,
    "honesty": sharing.honesty,
    "arrival": sharing.arrival,
    "standing": standing,
    "night": night,
    "mails": mails,
    "order": order,
    "list": lists,
    "get": get,
}
