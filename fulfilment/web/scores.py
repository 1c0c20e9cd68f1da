"""How good the forecasts were: by strain and days ahead, beside two naive rivals, with a picture of the last weeks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from django.urls import path

from fulfilment.core.forecast import COMING_WEEK, FEWEST_DAYS, LEADS
from fulfilment.core.problems import Invalid
from fulfilment.read import scores
from fulfilment.read.tonight import day_in_short
from fulfilment.web.coming import HIGH, LEFT, TOP, WIDE, WORDS, Bar, Mark, rounded
from fulfilment.web.ground.doors import staff, today_of
from fulfilment.web.ground.showing import show

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.scope import Actor
    from fulfilment.read.scores import Day, Summary

USUAL: Final = 7
"""Days ahead that are shown unless another is asked for: a week is what orders are taken by."""
ALL_LEADS: Final = (*LEADS, COMING_WEEK)
BELOW: Final = 30
DOT: Final = 4.5

TENTHS_WIDE: Final = 360
TENTHS_HIGH: Final = 130


@dataclass(frozen=True, slots=True)
class Chart:
    """What was forecast as a band and its middle, what was picked as marks: ``inside`` round, ``outside`` with
    corners.
    """

    width: int
    height: int
    left: int
    right: float
    top: int
    floor: float
    band: str
    middle: str
    inside: tuple[Mark, ...]
    outside: tuple[str, ...]
    kilos: tuple[Mark, ...]
    mondays: tuple[Mark, ...]
    says: str


@dataclass(frozen=True, slots=True)
class Tenths:
    """Days by tenth of their place as bars; ``honest`` is the height that an honest forecast's have."""

    width: int
    height: int
    floor: float
    honest: float
    bars: tuple[Bar, ...]
    says: str


@staff()
def page(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """Everybody who works here reads it; it changes nothing."""
    lead = _lead(request.GET.get("lead", str(USUAL)))
    found = scores.scores(today=today_of(now), lead=lead)
    cards = [(strain, chart(strain.days), tenths(strain.shown)) for strain in found]
    return show(
        request, actor, "pages/scores.html", here="coming", cards=cards, lead=lead, leads=ALL_LEADS,
        week=COMING_WEEK, fewest=FEWEST_DAYS,
    )  # fmt: skip


def _lead(text: str) -> int:
    if text not in {str(lead) for lead in ALL_LEADS}:
        raise Invalid(f"Forecasts are scored {', '.join(map(str, LEADS))} days ahead, and by the coming week's sum.")
    return int(text)


def chart(days: Sequence[Day]) -> Chart | None:
    """The days drawn, the oldest at the left; None where there is none."""
    if not days:
        return None
    ceiling, step = rounded(max([1000, *(max(day.high, day.picked) for day in days)]))
    first, span = days[0].on, max((days[-1].on - days[0].on).days, 1) + 1
    floor, each = HIGH - BELOW, (WIDE - LEFT - 8) / span

    def up(grams: int) -> float:
        return round(floor - (floor - TOP) * grams / ceiling, 1)

    def across(day: Day) -> float:
        return round(LEFT + each * ((day.on - first).days + 0.5), 1)

    high = [f"{across(day)},{up(day.high)}" for day in days]
    low = [f"{across(day)},{up(day.low)}" for day in days]
    return Chart(
        width=WIDE,
        height=HIGH,
        left=LEFT,
        right=WIDE - 8,
        top=TOP,
        floor=floor,
        band=" ".join([*high, *reversed(low)]),
        middle=" ".join(f"{across(day)},{up(day.middle)}" for day in days),
        inside=tuple(Mark(across(day), str(up(day.picked))) for day in days if day.inside),
        outside=tuple(_corners(across(day), up(day.picked)) for day in days if not day.inside),
        kilos=tuple(Mark(up(grams), f"{grams / 1000:g} kg") for grams in range(0, ceiling + 1, step)),
        mondays=tuple(
            Mark(across(day), day_in_short(day.on)[4:])
            for day in days
            if (day.on - first).days % 14 == 0 and across(day) < WIDE - WORDS
        ),
        says=_says(days),
    )


def _corners(x: float, y: float) -> str:
    """A square standing on its corner."""
    size = DOT * 1.5
    return " ".join(
        f"{round(x + right, 1)},{round(y + down, 1)}" for right, down in ((0, -size), (size, 0), (0, size), (-size, 0))
    )


def tenths(told: Summary | None) -> Tenths | None:
    """Where the harvest fell among the forecast's stories, as ten bars."""
    if told is None or not told.telling:
        return None
    floor, wide = TENTHS_HIGH - 20.0, TENTHS_WIDE / len(told.deciles)
    most = max(*told.deciles, told.telling / len(told.deciles) * 2)

    def high(count: float) -> float:
        return round((floor - 8) * count / most, 1)

    return Tenths(
        width=TENTHS_WIDE,
        height=TENTHS_HIGH,
        floor=floor,
        honest=floor - high(told.telling / len(told.deciles)),
        bars=tuple(
            Bar(round(wide * place + 2, 1), round(floor - high(count), 1), round(wide - 4, 1), high(count))
            for place, count in enumerate(told.deciles)
        ),
        says=f"Days by tenth, from below nearly all stories to above nearly all: {', '.join(map(str, told.deciles))}. "
        f"An honest forecast has about {told.telling / len(told.deciles):.0f} in each.",
    )


def _says(days: Sequence[Day]) -> str:
    """The drawing for somebody who does not see it."""
    inside = sum(day.inside for day in days)
    below, above = sum(day.picked < day.low for day in days), sum(day.picked > day.high for day in days)
    return (
        f"{day_in_short(days[0].on)} to {day_in_short(days[-1].on)}: on {inside} of {len(days)} days the harvest lay "
        f"inside the band, on {below} below it and on {above} above. The numbers are in the table below."
    )


PAGES: list[URLPattern] = [path("coming-harvest/scores/", page, name="scores")]
