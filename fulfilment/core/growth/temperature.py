"""How fast a living bag runs at a temperature, and how many reference days it has lived.

Units: degrees Celsius, days.  One *physiological day* is what a bag does in one day at the reference temperature
of its stage; in a room half as fast, two calendar days are one physiological day.  Stage times are learned and
drawn in physiological days, so that a cold week teaches nothing wrong about the strain.

The curve is the cardinal temperature model with inflection: zero at ``t_min`` and ``t_max``, one at ``t_opt``,

    (T - t_max) (T - t_min)^2
    -----------------------------------------------------------------------------------------
    (t_opt - t_min) [(t_opt - t_min)(T - t_opt) - (t_opt - t_max)(t_opt + t_min - 2 T)]

It is singular where ``t_opt <= (t_min + t_max) / 2``.  A strain that fruits best in the cool half of its range is of
that shape, so there the beta curve takes over, which has the same three anchors and one peak wherever the optimum lies:

    (t_max - T) / (t_max - t_opt) * ((T - t_min) / (t_opt - t_min)) ^ ((t_opt - t_min) / (t_max - t_opt))

Worked example: 5 / 27 / 37 °C gives 0.743 at 20 °C and 0.974 at 25 °C; against a reference of 25 °C a day at 20 °C is
0.763 physiological days.

Mycelium and fruiting bodies have curves of their own: mycelium runs best near 25-30 °C, a pearl oyster fruits best
between 10 and 20 °C, and one curve for both would call a warm kitchen fast.

Sources: Rosso, Lobry & Flandrois 1993, J. Theor. Biol. 162:447-463; for the fallback Yin, Kropff, McLaren & Visperas
1995, Agric. For. Meteorol. 77:1-16 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from fulfilment.core.growth.reading import number, record
from fulfilment.core.problems import Invalid


@dataclass(frozen=True, slots=True)
class Cardinal:
    """Lowest, best and highest temperature at which something grows."""

    t_min: float
    t_opt: float
    t_max: float

    def __post_init__(self) -> None:
        if not -20 <= self.t_min < self.t_opt < self.t_max <= 60:
            raise Invalid(
                f"The temperatures {self.t_min:g}, {self.t_opt:g}, {self.t_max:g} °C must rise from lowest over best "
                "to highest and lie between -20 and 60 °C.",
                code="temperature_order",
            )

    @property
    def is_singular(self) -> bool:
        """Whether the model with inflection has no sound value for these three, so that the beta curve is used."""
        return self.t_opt <= (self.t_min + self.t_max) / 2

    def speed(self, celsius: float) -> float:
        """Growth relative to the optimum: one at ``t_opt``, nought outside the range."""
        if not self.t_min < celsius < self.t_max:
            return 0.0
        below, above = self.t_opt - self.t_min, self.t_max - self.t_opt
        if self.is_singular:
            return (self.t_max - celsius) / above * math.pow((celsius - self.t_min) / below, below / above)
        bend = below * (celsius - self.t_opt) + above * (self.t_opt + self.t_min - 2 * celsius)
        return (celsius - self.t_max) * (celsius - self.t_min) ** 2 / (below * bend)

    def rate(self, celsius: float, *, reference: float) -> float:
        """Physiological days lived in one day at ``celsius``."""
        basis = self.speed(reference)
        if basis <= 0:
            raise Invalid(
                f"The reference of {reference:g} °C must lie between {self.t_min:g} and {self.t_max:g} °C.",
                code="reference_outside",
            )
        return self.speed(celsius) / basis

    @classmethod
    def from_data(cls, data: object, *, where: str = "") -> Cardinal:
        fields = record(data, where=where, names=("t_min", "t_opt", "t_max"))
        anchors = {name: number(value, where=f"{where}.{name}") for name, value in fields.items()}
        try:
            return cls(**anchors)
        except Invalid as problem:
            raise problem.at(where) from None

    def as_data(self) -> dict[str, float]:
        return {"t_min": self.t_min, "t_opt": self.t_opt, "t_max": self.t_max}


def physiological_days(
    readings: Mapping[date, float], *, first: date, last: date, set_point: float, cardinal: Cardinal, reference: float
) -> float:
    """Physiological days lived on the whole days ``first`` to ``last``, both counted; nought when ``last`` is before.

    ``readings`` are the room's mean temperatures by day; a day without one counts at ``set_point``.  A stage that began
    on day *a* and was seen to end on day *b* lived the days *a* to *b* - 1; one that still runs, *a* to yesterday.
    """
    length = (last - first).days + 1
    days = (first + timedelta(days=step) for step in range(max(length, 0)))
    return math.fsum(cardinal.rate(readings.get(day, set_point), reference=reference) for day in days)
