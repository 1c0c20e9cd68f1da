"""The invented farm's days, each from its night to its evening, hour by hour."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Final

from fulfilment import work
from fulfilment.management.demo import growers, holders, office, packers, setting
from fulfilment.management.demo.scene import WHOLE, Scene, Size
from fulfilment.services import nights

MORE_THAN_A_DAY_HOLDS: Final = 10_000
EVES: Final = (1, 3, 5, 6)
"""Weekdays on which the work that waits is done by day: before each delivery, and once at the week's end."""


@dataclass(frozen=True, slots=True)
class Hour:
    """Something that is done at a time of a day; doing it is calling ``do``."""

    name: str
    on: date
    now: datetime
    do: Callable[[], object]


class World:
    """``days`` from ``first`` on, repeatable by its seed."""

    def __init__(
        self,
        *,
        first: date,
        days: int,
        zone: str,
        seed: int,
        scenarios: int = 100,
        size: Size = WHOLE,
        drained_on: Collection[int] = EVES,
    ) -> None:
        self.scene = Scene(first, zone, seed, size)
        self.days = days
        self.scenarios = scenarios
        self.drained_on = drained_on

    def each_day(self) -> Iterator[date]:
        return (self.scene.first + timedelta(days=i) for i in range(self.days))

    def hours(self, on: date) -> Iterator[Hour]:
        """What the day holds, in order; the caller does each before asking for the next."""
        scene = self.scene
        first = on == scene.first
        if first:
            yield self._hour("set up", on, time(5), lambda now: setting.set_up(scene, now, scenarios=self.scenarios))
            yield self._hour("paper book", on, time(5, 30), lambda now: setting.type_in_paper_book(scene, now))
        else:
            yield self._hour("night", on, time(2), lambda now: nights.run(on.isoformat(), now=now))
        yield self._hour("look", on, time(6, 30), lambda now: growers.look(scene, on, now))
        yield self._hour("pack", on, time(8), lambda now: packers.pack(scene, on, now))
        yield self._hour("drive", on, time(9, 30), lambda now: packers.drive(scene, on, now))
        yield self._hour("office", on, time(10, 30), lambda now: office.orders(scene, on, now, days=self.days))
        if scene.nth(on) == 1:
            yield self._hour("standing", on, time(11), lambda now: setting.begin_standing_orders(scene, now))
        if on.weekday() in self.drained_on:
            yield self._hour("drain", on, time(12, 5), drain)
        yield self._hour("deliver", on, time(14), lambda now: packers.deliver(scene, on, now))
        yield self._hour("mix", on, time(15), lambda now: growers.mix(scene, on, now))
        yield self._hour("report", on, time(18), lambda now: holders.report(scene, on, now))

    def lose_a_crop(self, on: date) -> Hour:
        """Bad news at the end of a day: a short week lies ahead."""
        return self._hour("loss", on, time(19), lambda now: growers.lose_a_crop(self.scene, on, now))

    def _hour(self, name: str, on: date, clock: time, do: Callable[[datetime], object]) -> Hour:
        now = self.scene.at(on, clock)
        return Hour(name, on, now, lambda: do(now))


def drain(now: datetime) -> int:
    """Until nothing is due."""
    total = 0
    while done := work.drain(now=now, limit=MORE_THAN_A_DAY_HOLDS):
        total += done
    return total
