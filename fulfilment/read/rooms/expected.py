"""What a batch or a crop is waiting for, when it is expected, why, and whether somebody should look today.

The days, kilos and the reason are the newest forecast's: eight times of ten it comes inside the ranges.  A forecast
that was made before the last thing logged speaks of another stage; then only what was logged is told until the next one
is there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Final

from fulfilment.core.forecast import Code, DelayCost, Reason
from fulfilment.core.growth import FLUSHES, Stage
from fulfilment.models import Batch, Crop, Forecast
from fulfilment.read.rooms.why import waiting, why
from fulfilment.read.tonight import day_in_short

FAR_DAYS: Final = 365
"""A day so far away is no day: at this temperature the stage stands still."""

_NEXT: Final[Mapping[Stage, frozenset[str]]] = {
    Stage.COLONISING: frozenset({"pinning"}),
    Stage.PINNING: frozenset({"growing"}),
    Stage.GROWING: frozenset({"picking"}),
    Stage.PICKING: frozenset({"resting", "finished"}),
    Stage.RESTING: frozenset({"pinning", "finished"}),
}


@dataclass(frozen=True, slots=True)
class Expected:
    """``what`` is a clause before the days (``pins expected``); ``why`` says ``reason`` in sentences.  ``action`` is
    the most likely next thing to log and ``button`` its words.  ``due`` is empty where nothing is to be done today.
    ``next_stage`` is empty and there are no days where no forecast speaks of it; ``waiting`` says ``delay``.
    """

    what: str
    why: str
    action: str
    button: str
    days: tuple[date, date, date] | None = None
    grams: tuple[int, int, int] | None = None
    due: str = ""
    late: bool = False
    next_stage: str = ""
    reason: Reason | None = None
    delay: DelayCost | None = None
    waiting: str = ""

    @property
    def kilos(self) -> str:
        """``2.1–4.4 kg``; grams where it is little, empty where nothing is expected."""
        if self.grams is None or not self.grams[2]:
            return ""
        low, _, high = self.grams
        if high < 1000:
            return f"{low}–{high} g"
        return f"{low / 1000:.1f}–{high / 1000:.1f} kg"


@dataclass(frozen=True, slots=True)
class Outlook:
    """The newest forecast of one thing, as far as it still speaks of the stage the thing is in."""

    next_stage: str
    days: tuple[date, date, date]
    grams: tuple[int, int, int]
    reason: Reason | None = None
    delay: DelayCost | None = None


@dataclass(frozen=True, slots=True)
class Outlooks:
    """The newest forecast's outlooks by key; ``made_on`` is its first day."""

    found: Mapping[str, Mapping[str, object]]
    made_on: date | None

    def of(self, key: str) -> Outlook | None:
        return _read(self.found.get(key))


def newest() -> Outlooks:
    """One statement."""
    made = Forecast.objects.order_by("-pk").only("outlooks", "first_on").first()
    return Outlooks({}, None) if made is None else Outlooks(made.outlooks, made.first_on)


def of_crop(crop: Crop, outlooks: Outlooks, *, taken_g: int, held: bool, today: date) -> Expected:
    """``crop`` with its room and strain already read; ``taken_g`` is what its flush has given so far."""
    stage = Stage(crop.stage)
    found = outlooks.of(f"crop:{crop.pk}")
    outlook = _fresh(found, stage)
    since = day_in_short(crop.stage_since)
    if stage is Stage.FINISHED:
        return Expected("finished", f"Since {since}.", "", "")
    if stage is Stage.RESTING and crop.flush >= FLUSHES:
        return Expected("the last flush is over", f"It rests since {since}.", "finished", "Finished")
    reason = _still_so(crop, outlook) or _logged(crop, stage)
    told = _Told(reason, why(reason, strain=crop.batch.strain.name, today=today, taken_g=taken_g), outlook, held, today)
    match stage:
        case Stage.PINNING:
            return told.due(
                "pins expected", "pins", "Pins seen", due="look: pins may show", overdue="look: pins overdue"
            )
        case Stage.GROWING:
            return told.due(
                "first picking expected", "harvest", "Harvest", due="pick: may be ready", overdue="pick: overdue"
            )
        case Stage.PICKING if _over_unsaid(crop, found, outlooks):
            unsaid = found.reason if found is not None else None
            if unsaid is None or unsaid.code is not Code.OVER_UNSAID:
                unsaid = Reason(Code.OVER_UNSAID, crop.stage_since, flush=crop.flush)
            return Expected(
                "the flush is over by its days", why(unsaid, strain=crop.batch.strain.name, today=today),
                "flush_ended", "Flush ended", due="look: flush over?", late=True, reason=unsaid,
            )  # fmt: skip
        case Stage.PICKING:
            expected = told.due("last picking about", "harvest", "Harvest", due="", overdue="")
            return replace(expected, due="pick now", late=False)
        case _:
            return told.due(
                f"water for flush {crop.flush + 1}", "rewatered", "Watered again", due="water", overdue="water: overdue"
            )


def of_batch(batch: Batch, outlooks: Outlooks, *, kits_in_store: int, held: bool, today: date) -> Expected:
    """``batch`` with its room and strain already read; only the bags neither lost, opened nor sealed are meant."""
    outlook = outlooks.of(f"batch:{batch.pk}")
    strain = batch.strain.name
    if batch.colonised_on is None:
        outlook = _fresh(outlook, Stage.COLONISING)
        reason = _if_code(outlook, Code.MIXED) or Reason(Code.MIXED, batch.mixed_on)
        return _Told(reason, why(reason, strain=strain, today=today), outlook, held, today).due(
            "spawn run, ready to open about", "run_full", "Run full", due="look: may be run full",
            overdue="look: overdue",
        )  # fmt: skip
    kits = max(0, min(batch.bags_left, batch.kit_quota - kits_in_store))
    fruit = batch.bags_left - kits
    reason = _if_code(outlook, Code.GROWN_THROUGH) or Reason(Code.GROWN_THROUGH, batch.colonised_on)
    because = why(reason, strain=strain, today=today)
    opens_on = batch.opens_on
    ready = fruit > 0 and opens_on is not None and opens_on <= today
    if kits and not ready:
        later = f" {_bags(fruit)} more to open later." if fruit else ""
        return Expected(
            f"{_bags(kits)} meant as kits", because + later, "seal", "Seal kits", due="" if held else "seal",
            reason=reason,
        )  # fmt: skip
    return Expected(
        f"{_bags(fruit)} to open" + ("" if opens_on is None else ": proposed day"),
        because + (f" {_bags(kits)} more to seal as kits." if kits else ""),
        "open",
        "Open bags",
        days=None if opens_on is None else (opens_on, opens_on, opens_on),
        grams=outlook.grams if outlook is not None else None,
        due="open" if ready and not held else "",
        late=ready and not held and opens_on is not None and opens_on < today - timedelta(days=1),
        next_stage=outlook.next_stage if outlook is not None else "",
        reason=reason,
    )


@dataclass(frozen=True, slots=True)
class _Told:
    """What is known of one thing today, to be put under a clause."""

    reason: Reason
    because: str
    outlook: Outlook | None
    held: bool
    today: date

    def due(self, what: str, action: str, button: str, *, due: str, overdue: str) -> Expected:
        """Due from the early day of its range on, overdue past the middle one."""
        outlook, today = self.outlook, self.today
        plain = Expected(what, self.because, action, button, reason=self.reason)
        if outlook is None:
            rest = "Nothing held is forecast." if self.held else "The next forecast says when."
            return replace(
                plain, what=what.removesuffix(" about").removesuffix(" expected"), why=f"{self.because} {rest}"
            )
        if outlook.days[0] > today + timedelta(days=FAR_DAYS):
            still = "" if self.reason.still else " At that temperature nothing moves: look at the room."
            return replace(plain, why=f"{self.because}{still}", late=True)
        first, middle, last = outlook.days
        late = middle < today
        return replace(
            plain,
            days=(first, middle, last),
            grams=outlook.grams,
            due="" if first > today else overdue if late else due,
            late=late,
            next_stage=outlook.next_stage,
            delay=outlook.delay,
            waiting=waiting(outlook.delay, picked_on=outlook.days, today=today) if outlook.delay is not None else "",
        )


def _logged(crop: Crop, stage: Stage) -> Reason:
    """What the log alone says."""
    codes = {
        Stage.PINNING: Code.OPENED if crop.flush <= 1 else Code.WATERED,
        Stage.GROWING: Code.PINS_SEEN,
        Stage.PICKING: Code.PICKED,
    }
    return Reason(codes.get(stage, Code.PICKED_OUT), crop.stage_since, flush=crop.flush)


def _still_so(crop: Crop, outlook: Outlook | None) -> Reason | None:
    """The forecast's reason where it counts from the same day as the log does now."""
    reason = outlook.reason if outlook is not None else None
    same = reason is not None and (reason.since, reason.flush) == (crop.stage_since, crop.flush)
    return reason if same else None


def _if_code(outlook: Outlook | None, code: Code) -> Reason | None:
    """The forecast's reason where it still speaks of what is asked."""
    reason = outlook.reason if outlook is not None else None
    return reason if reason is not None and reason.code is code else None


def _fresh(outlook: Outlook | None, stage: Stage) -> Outlook | None:
    return outlook if outlook is not None and outlook.next_stage in _NEXT.get(stage, ()) else None


def _over_unsaid(crop: Crop, outlook: Outlook | None, outlooks: Outlooks) -> bool:
    """The forecast takes the flush for over though nobody has said so."""
    if outlook is None or outlooks.made_on is None or crop.stage_since >= outlooks.made_on:
        return False
    if outlook.reason is not None:
        return outlook.reason.code is Code.OVER_UNSAID and outlook.reason.flush == crop.flush
    return outlook.next_stage == Stage.PINNING


def _read(data: Mapping[str, object] | None) -> Outlook | None:
    if data is None:
        return None
    days, grams = data.get("next_on"), data.get("grams")
    if not isinstance(days, list) or not isinstance(grams, list) or len(days) != 3 or len(grams) != 3:
        return None
    first, middle, last = (date.fromisoformat(str(day)) for day in days)
    low, half, high = (int(amount) for amount in grams)
    return Outlook(
        str(data.get("next_stage", "")),
        (first, middle, last),
        (low, half, high),
        reason=Reason.from_data(data.get("reason")),
        delay=DelayCost.from_data(data.get("delay")),
    )


def _bags(count: int) -> str:
    return "1 bag" if count == 1 else f"{count} bags"
