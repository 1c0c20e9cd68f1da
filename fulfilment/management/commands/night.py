"""One night by hand: what the worker does at night, now, and its result as a table."""

from __future__ import annotations

from datetime import UTC, date, datetime
from time import perf_counter
from typing import TYPE_CHECKING, Any

from django.core.management.base import BaseCommand, CommandError

from fulfilment import work
from fulfilment.core.problems import Problem
from fulfilment.read.farm import farm, today
from fulfilment.read.tonight import KitWeek, Mails, Papers, Short, StrainWeek, Tonight, day_in_short, kilos, tonight
from fulfilment.services import nights

if TYPE_CHECKING:
    from collections.abc import Sequence

    from django.core.management.base import CommandParser

MOST_SHORT = 12


class Command(BaseCommand):
    help = "Run the farm's night for a day (today unless said otherwise), then everything that is due."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--day", type=date.fromisoformat, help="the farm's day, YYYY-MM-DD (default: today)")
        parser.add_argument("--report", action="store_true", help="print what the night found")
        parser.add_argument(
            "--scenarios", type=int, help="how many futures are drawn (default: the farm's own setting)"
        )

    def handle(self, *, day: date | None, report: bool, scenarios: int | None, **_: Any) -> None:
        now = datetime.now(UTC)
        try:
            whose, here = farm(), today(now)
        except Problem as problem:
            raise CommandError(problem.sentence) from problem
        on = day or here
        if on > here:
            raise CommandError(f"{on} has not come yet: the night of {here} is the newest that can be run.")
        begun = perf_counter()
        nights.run(on.isoformat(), now=now, scenarios=scenarios)
        planned = perf_counter()
        while work.drain(now=now):
            pass
        done = perf_counter()
        if report:
            for line in table(tonight(on, now=now), farm=whose.name, night_s=planned - begun, drain_s=done - planned):
                self.stdout.write(line)


def table(found: Tonight, *, farm: str, night_s: float, drain_s: float) -> list[str]:
    """The night's result, line by line."""
    span = f"{day_in_short(found.first)} to {day_in_short(found.last)}"
    return [
        "",
        f"{farm} · night of {day_in_short(found.first)} · {found.bags_alive} bags alive · {found.scenarios} scenarios",
        "",
        *_strains(found.strains, found.kits, span=span),
        "",
        *_short(found.short),
        "",
        *_papers(found.papers, found.mails),
        "",
        "Seconds: "
        + ", ".join(f"{name} {seconds:.2f}" for name, seconds in found.steps)
        + f"; the night {night_s:.2f}, what was due after it {drain_s:.2f}",
        "",
    ]


def _strains(strains: Sequence[StrainWeek], kits: KitWeek, *, span: str) -> list[str]:
    rows = [
        (
            week.strain,
            kilos(week.on_hand),
            " / ".join(kilos(grams) for grams in week.coming),
            kilos(week.ordered),
            kilos(week.promised),
            kilos(week.allocated),
        )
        for week in strains
    ]
    rows.append(("Kits (pieces)", str(kits.in_store), "", str(kits.ordered), str(kits.promised), str(kits.allocated)))
    head = ("kg", "in store", "comes P10 / P50 / P90", "ordered", "promised", "allocated")
    widths = [max(len(row[column]) for row in [head, *rows]) for column in range(len(head))]
    return [
        f"The week {span}",
        *(
            "  ".join(
                cell.ljust(width) if column == 0 else cell.rjust(width)
                for column, (cell, width) in enumerate(zip(row, widths, strict=True))
            )
            for row in [head, *rows]
        ),
    ]


def _short(short: Sequence[Short]) -> list[str]:
    if not short:
        return ["Nobody is short."]
    lines = [f"{len(short)} lines get less than they ordered:"]
    for each in short[:MOST_SHORT]:
        amounts = f"{each.gets} of {each.ordered}" if each.is_kit else f"{kilos(each.gets)} of {kilos(each.ordered)} kg"
        lines.append(f"  {day_in_short(each.on)}  {each.customer}, {each.product}: {amounts}. {each.why}")
    if len(short) > MOST_SHORT:
        lines.append(f"  … and {len(short) - MOST_SHORT} more.")
    return lines


def _papers(papers: Papers, mails: Mails) -> list[str]:
    return [
        (
            f"Papers: {papers.pick_lists} pick lists, {papers.rounds} rounds with {papers.stops} stops; "
            f"{papers.parcels} parcels to hand over, {papers.collected} to be collected"
        ),
        (
            f"Mails: {mails.sent} sent, {mails.waiting} waiting, {mails.failed} failed; "
            f"{mails.care_due} care mails fall due this week"
        ),
    ]
