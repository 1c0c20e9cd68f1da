"""Why a crop or a batch is expected when it is: a code and the numbers, from the diary and from what was learned.

Days are the farm's: ``since`` is the day on which the stage began, by the diary.  ``takes_days`` is what the stage
takes from there, in calendar days at the room's own set point: the tenth and the ninetieth percentile of what was
learned of the strain, a new crop's own luck included.  What the room did since (``drift``) and what the batch has shown
of its luck (``batch_days``) come on top.  The dates themselves are drawn with all of it.

``own`` counts the farm's own stages of this kind that are over; of none, the days are the handbook's.

Worked example: pins three days ago at the reference temperature, a dozen crops that took five to seven days: code
``pins_seen``, ``since`` three days ago, ``takes_days`` (5, 7), ``own`` 12.  The words are made where pages and the
API read it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

import numpy as np

from fulfilment.core.growth import CropState, Drift, Knowledge, Posterior, Stage

EARLY, LATE = 0.1, 0.9
"""Between these lie eight stages of ten."""
_LEAST_DAYS, _LEAST_C = 0.5, 2.0
"""A room that drifted less, and moved the dates by less, is not worth a word."""


class Code(StrEnum):
    """What the expectation counts from."""

    MIXED = "mixed"
    GROWN_THROUGH = "grown_through"
    OPENED = "opened"
    WATERED = "watered"
    PINS_SEEN = "pins_seen"
    PICKED = "picked"
    PICKED_OUT = "picked_out"
    OVER_UNSAID = "over_unsaid"


@dataclass(frozen=True, slots=True)
class Reason:
    """``seen_on`` is the last look since the stage began, of a batch the day on which it was seen run in ``part``;
    ``picked_out_on`` the end of the flush before.  ``waits_days`` and ``opens_on`` are of batches: how long bags that
    are grown through wait here, and the day before which the plan opens none.  ``still``: nothing moves at this set
    point.
    """

    code: Code
    since: date
    flush: int = 0
    celsius: float | None = None
    takes_days: tuple[int, int] | None = None
    own: int | None = None
    seen_on: date | None = None
    part: str = ""
    picked_out_on: date | None = None
    waits_days: tuple[int, int] | None = None
    opens_on: date | None = None
    batch_days: int = 0
    drift: Drift | None = None
    still: bool = False

    def as_data(self) -> dict[str, object]:
        """Code and numbers as JSON can hold them; what there is nothing to say of is left out."""
        plain: dict[str, object] = {
            "since": self.since.isoformat(),
            "flush": self.flush or None,
            "celsius": self.celsius,
            "takes_days": list(self.takes_days) if self.takes_days else None,
            "own": self.own,
            "seen_on": self.seen_on.isoformat() if self.seen_on else None,
            "part": self.part or None,
            "picked_out_on": self.picked_out_on.isoformat() if self.picked_out_on else None,
            "waits_days": list(self.waits_days) if self.waits_days else None,
            "opens_on": self.opens_on.isoformat() if self.opens_on else None,
            "batch_days": self.batch_days or None,
            "still": self.still or None,
        }
        if self.drift is not None:
            plain["room"] = {
                "days": self.drift.days,
                "apart_c": round(self.drift.apart_c, 1),
                "late_days": round(self.drift.late_days, 1),
                "late_in_all_days": round(self.drift.late_in_all, 1),
            }
        return {"code": str(self.code), "data": {name: value for name, value in plain.items() if value is not None}}

    @classmethod
    def from_data(cls, given: object) -> Reason | None:
        """What :meth:`as_data` wrote; None for a forecast from before reasons were kept."""
        if not isinstance(given, Mapping) or not isinstance(given.get("data"), Mapping):
            return None
        data = given["data"]
        room = data.get("room")
        return cls(
            code=Code(given["code"]),
            since=date.fromisoformat(data["since"]),
            flush=data.get("flush", 0),
            celsius=data.get("celsius"),
            takes_days=_pair(data.get("takes_days")),
            own=data.get("own"),
            seen_on=_day(data.get("seen_on")),
            part=data.get("part", ""),
            picked_out_on=_day(data.get("picked_out_on")),
            waits_days=_pair(data.get("waits_days")),
            opens_on=_day(data.get("opens_on")),
            batch_days=data.get("batch_days", 0),
            drift=Drift(room["days"], room["apart_c"], room["late_days"], room["late_in_all_days"]) if room else None,
            still=data.get("still", False),
        )


def reason(crop: CropState, *, knowledge: Knowledge, today: date) -> Reason | None:
    """Why ``crop`` is expected when it is; None when it is over."""
    if crop.unopened:
        return _of_batch(crop, knowledge, today)
    match crop.stage:
        case Stage.PINNING:
            code, posterior = Code.OPENED if crop.flush <= 1 else Code.WATERED, knowledge.pinning
        case Stage.GROWING:
            code, posterior = Code.PINS_SEEN, knowledge.growing
        case Stage.RESTING:
            code, posterior = Code.OVER_UNSAID if crop.signs.unsaid else Code.PICKED_OUT, knowledge.resting
        case Stage.PICKING:
            return Reason(
                code=Code.PICKED,
                since=_back(today, crop.since),
                flush=crop.flush,
                takes_days=(knowledge.picking_days, knowledge.picking_days),
                own=knowledge.taught.get(Stage.PICKING, 0),
            )
        case _:
            return None
    return Reason(
        code=code,
        since=_back(today, crop.since),
        flush=crop.flush,
        celsius=crop.signs.celsius,
        takes_days=_takes(posterior, crop.pace),
        own=knowledge.taught.get(crop.stage, 0),
        seen_on=_back(today, crop.signs.looked) if crop.signs.looked is not None else None,
        picked_out_on=_back(today, crop.signs.picked_out) if crop.signs.picked_out is not None else None,
        batch_days=_batch_days(crop, knowledge, posterior),
        drift=_worth_a_word(crop.signs.drift),
        still=crop.pace <= 0,
    )


def _of_batch(crop: CropState, knowledge: Knowledge, today: date) -> Reason:
    signs, since = crop.signs, _back(today, crop.since)
    opens_on = today + timedelta(days=crop.opens_in) if crop.opens_in else None
    if crop.stage is not Stage.COLONISING:
        return Reason(Code.GROWN_THROUGH, since, waits_days=_waits(knowledge), opens_on=opens_on)
    return Reason(
        code=Code.MIXED,
        since=since,
        celsius=signs.celsius,
        takes_days=_takes(knowledge.colonising, crop.colonising_pace),
        own=knowledge.taught.get(Stage.COLONISING, 0),
        seen_on=since + timedelta(days=signs.part_after) if signs.part_run else None,
        part=signs.part_run,
        waits_days=_waits(knowledge),
        opens_on=opens_on,
        drift=_worth_a_word(signs.drift),
        still=crop.colonising_pace <= 0,
    )


def _takes(posterior: Posterior, pace: float) -> tuple[int, int] | None:
    """Calendar days from the first of a stage to the last, to the day, as a log would have it."""
    if pace <= 0:
        return None
    low, high = (round(posterior.takes(level) / pace) for level in (EARLY, LATE))
    return low, high


def _waits(knowledge: Knowledge) -> tuple[int, int] | None:
    """None where bags are opened on the day they are seen grown through."""
    below = np.cumsum(knowledge.waits)
    low, high = (int(np.searchsorted(below, level * below[-1])) for level in (EARLY, LATE))
    return (low, high) if high else None


def _batch_days(crop: CropState, knowledge: Knowledge, posterior: Posterior) -> int:
    """Calendar days that this batch's own crops were behind the strain's in this stage, so far as that will last:
    their common luck given what was seen, by the normal law.
    """
    logs = [math.log(max(log.days, 0.5)) for log in crop.shown if log.stage is crop.stage and log.ended]
    if not logs or crop.pace <= 0:
        return 0
    share, (mu, _) = knowledge.profile.batch_share, posterior.mean
    luck = share * (sum(logs) - len(logs) * mu) / (1 + (len(logs) - 1) * share)
    return round(math.exp(mu) * math.expm1(luck) / crop.pace)


def _worth_a_word(drift: Drift | None) -> Drift | None:
    if drift is None:
        return None
    moved = max(abs(drift.late_days), abs(drift.late_in_all))
    return drift if moved >= _LEAST_DAYS or abs(drift.apart_c) >= _LEAST_C else None


def _back(today: date, days: int) -> date:
    return today - timedelta(days=days)


def _pair(value: object) -> tuple[int, int] | None:
    return (int(value[0]), int(value[1])) if isinstance(value, list) and len(value) == 2 else None


def _day(value: object) -> date | None:
    return date.fromisoformat(value) if isinstance(value, str) else None
