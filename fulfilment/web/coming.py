"""The coming harvest: five weeks of each strain as a chart, as weekly sums and as a table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from django.urls import path

from fulfilment.read import coming
from fulfilment.read.tonight import day_in_short
from fulfilment.web.ground.doors import staff, today_of
from fulfilment.web.ground.showing import show

if TYPE_CHECKING:
    from datetime import datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.coming import StrainComing
    from fulfilment.read.scope import Actor

WIDE: Final = 720
HIGH: Final = 240
LEFT: Final = 90
TOP: Final = 18
BELOW: Final = 30
WORDS: Final = 80
"""The room that the words of a day need on a phone."""
STEPS: Final = (1, 2, 5)


@dataclass(frozen=True, slots=True)
class Bar:
    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Mark:
    """A line of the grid with its words; ``at`` is its place on the axis."""

    at: float
    words: str


@dataclass(frozen=True, slots=True)
class Chart:
    """What the drawing needs, in the drawing's own units: everything else is in its template."""

    width: int
    height: int
    left: int
    floor: float
    top: int
    right: float
    band: str
    middle: str
    promised: tuple[Bar, ...]
    stock: Bar | None
    kilos: tuple[Mark, ...]
    mondays: tuple[Mark, ...]
    says: str


@staff()
def page(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """Everybody who works here reads it; it changes nothing."""
    found = coming.coming(today=today_of(now))
    charts = [(strain, chart(strain)) for strain in found.strains]
    return show(request, actor, "pages/coming.html", here="coming", coming=found, charts=charts)


def chart(strain: StrainComing) -> Chart:
    """The strain's days drawn: a band, its middle, what is promised as bars at delivery days, what is in store."""
    days = strain.days
    most = max([1000, strain.on_hand, *(day.band[2] for day in days), *(day.promised for day in days)])
    ceiling, step = rounded(most)
    floor = HIGH - BELOW
    each = (WIDE - LEFT - 8) / (len(days) + 1)

    def up(grams: int) -> float:
        return round(floor - (floor - TOP) * grams / ceiling, 1)

    def middle(place: int) -> float:
        """The day's own middle; the first place is what is in store."""
        return round(LEFT + each * (place + 1.5), 1)

    high = [f"{middle(i)},{up(day.band[2])}" for i, day in enumerate(days)]
    low = [f"{middle(i)},{up(day.band[0])}" for i, day in enumerate(days)]
    return Chart(
        width=WIDE,
        height=HIGH,
        left=LEFT,
        floor=floor,
        top=TOP,
        right=WIDE - 8,
        band=" ".join([*high, *reversed(low)]),
        middle=" ".join(f"{middle(i)},{up(day.band[1])}" for i, day in enumerate(days)),
        promised=tuple(
            Bar(
                round(middle(i) - each * 0.35, 1),
                up(day.promised),
                round(each * 0.7, 1),
                round(floor - up(day.promised), 1),
            )
            for i, day in enumerate(days)
            if day.promised
        ),
        stock=Bar(LEFT + 2, up(strain.on_hand), round(each - 3, 1), round(floor - up(strain.on_hand), 1))
        if strain.on_hand
        else None,
        kilos=tuple(Mark(up(grams), f"{grams / 1000:g} kg") for grams in range(0, ceiling + 1, step)),
        mondays=tuple(
            Mark(round(middle(i) - each / 2, 1), day_in_short(day.on)[4:])
            for i, day in enumerate(days)
            if day.on.weekday() == 0 and middle(i) < WIDE - WORDS
        ),
        says=_says(strain),
    )


def rounded(most: int) -> tuple[int, int]:
    """(top of the axis, step between its lines): round numbers of grams so that about four lines reach the top."""
    step = 250
    while True:
        for factor in STEPS:
            if step * factor * 4 >= most:
                return step * factor * -(-most // (step * factor)), step * factor
        step *= 10


def _says(strain: StrainComing) -> str:
    """The drawing for somebody who does not see it."""
    weeks = "; ".join(
        f"week from {day_in_short(week.first)}: {week.band[0] / 1000:.1f} to {week.band[2] / 1000:.1f} kg, middle "
        f"{week.band[1] / 1000:.1f} kg, promised {week.promised / 1000:.1f} kg"
        for week in strain.weeks
    )
    return f"In store {strain.on_hand / 1000:.1f} kg. {weeks}."


PAGES: list[URLPattern] = [path("coming-harvest/", page, name="coming")]
