"""What a forecast says: grams by strain, grade and day as scenarios, and where each crop stands next."""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from fulfilment.core.forecast.basis import Basis
from fulfilment.core.forecast.delays import DelayCost
from fulfilment.core.forecast.reasons import Reason
from fulfilment.core.growth import Stage
from fulfilment.core.problems import Invalid
from fulfilment.core.units import Goods

LEVELS: Final = (10, 50, 90)


@dataclass(frozen=True, slots=True)
class Outlook:
    """One crop or unopened batch: what comes next, and when, as its tenth, middle and ninetieth percentile.

    ``grams`` is what is still to come of the flush under way or next, before any horizon cuts it, after trimming.
    ``kits_ready_on`` is the day by which at least 99 of 100 scenarios are grown through and ``opened_on`` the
    middle of the opening day; both only for an unopened batch.  A stage that stands still (pace 0) shows dates
    ten years away.  ``delay`` is of a growing crop: what picking it a day earlier or later does.
    """

    key: str
    next_stage: Stage
    next_on: tuple[date, date, date]
    grams: tuple[int, int, int]
    kits_ready_on: date | None = None
    opened_on: date | None = None
    reason: Reason | None = None
    delay: DelayCost | None = None

    def as_data(self) -> dict[str, object]:
        """What is kept of it with the forecast, as JSON can hold it."""
        return {
            "next_stage": str(self.next_stage),
            "next_on": [day.isoformat() for day in self.next_on],
            "grams": list(self.grams),
            "kits_ready_on": self.kits_ready_on.isoformat() if self.kits_ready_on else None,
            "opened_on": self.opened_on.isoformat() if self.opened_on else None,
            "reason": self.reason.as_data() if self.reason is not None else None,
            "delay": self.delay.as_data() if self.delay is not None else None,
        }

    @classmethod
    def from_data(cls, key: str, data: Mapping[str, Any]) -> Outlook:
        """What :meth:`as_data` wrote."""
        low, middle, high = map(date.fromisoformat, data["next_on"])
        least, half, most = data["grams"]
        return cls(
            key=key,
            next_stage=Stage(data["next_stage"]),
            next_on=(low, middle, high),
            grams=(least, half, most),
            kits_ready_on=date.fromisoformat(data["kits_ready_on"]) if data["kits_ready_on"] else None,
            opened_on=date.fromisoformat(data["opened_on"]) if data["opened_on"] else None,
            reason=Reason.from_data(data["reason"]),
            delay=DelayCost.from_data(data["delay"]),
        )


@dataclass(frozen=True, slots=True)
class Forecast:
    """``supplies`` and the values of ``unopened`` are int32 arrays [scenario, day], day 0 being ``first_day``.

    ``unopened`` holds, by batch, the part of ``supplies`` that comes from bags not yet opened; it is drawn again
    at each access, the same to the last gram, instead of being kept.  ``ready`` [scenario, day] is, by batch not yet
    opened, how many of its bags, meant for fruiting or as kits, are grown through and sound from that day on; a
    scenario has them all on one day.
    """

    first_day: date
    scenarios: int
    days: int
    supplies: Mapping[Goods, NDArray[np.int32]]
    outlooks: Mapping[str, Outlook]
    unopened: Mapping[int, Mapping[Goods, NDArray[np.int32]]]
    ready: Mapping[int, NDArray[np.int32]]
    digest: str
    basis: Basis

    def quantiles(self, goods: Goods, *, levels: Sequence[int] = LEVELS) -> NDArray[np.int64]:
        """[level, day]: the smallest amount that at least ``level`` percent of the scenarios do not exceed."""
        found = np.percentile(self.supplies[goods], list(levels), axis=0, method="inverted_cdf")
        return np.asarray(found, dtype=np.int64)

    def surely_ready(self, batch_id: int) -> int:
        """Bags of an unopened batch that at least 99 scenarios of 100 have ready to seal within the days."""
        bags = np.sort(self.ready[batch_id].sum(axis=1))
        return int(bags[bags.size // 100])

    def mean(self, goods: Goods) -> NDArray[np.float64]:
        """[day]."""
        return np.asarray(self.supplies[goods].mean(axis=0), dtype=np.float64)

    def week(self, goods: Goods, first: date, *, days: int = 7) -> NDArray[np.int64]:
        """[scenario]: the sum of ``days`` days from ``first``; days outside the horizon bring nothing."""
        start = (first - self.first_day).days
        span = self.supplies[goods][:, max(start, 0) : max(start + days, 0)]
        return np.asarray(span.sum(axis=1, dtype=np.int64))


def pack(amounts: NDArray[np.int32]) -> bytes:
    """[scenario, day] grams in few bytes: little-endian int32, deflated."""
    return zlib.compress(np.ascontiguousarray(amounts, dtype="<i4").tobytes(), 6)


def unpack(packed: bytes, scenarios: int, days: int) -> NDArray[np.int32]:
    """What :func:`pack` was given."""
    flat = np.frombuffer(zlib.decompress(packed), dtype="<i4")
    if flat.size != scenarios * days:
        raise Invalid(
            f"The stored forecast holds {flat.size} amounts, not {scenarios} scenarios of {days} days.",
            code="wrong_size",
        )
    return flat.astype(np.int32).reshape(scenarios, days)
