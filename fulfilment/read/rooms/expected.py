"""What a batch or a crop is waiting for, when it is expected, why, and whether somebody should look today.

The days and kilos are the newest forecast's: eight times of ten they lie inside the range.  A forecast that was made
before the last thing logged speaks of another stage; then nothing is shown until the next one is there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

from fulfilment.core.growth import FLUSHES, Stage
from fulfilment.models import Batch, Crop, Forecast
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
    """``what`` is a clause before the days (``pins expected``); ``why`` a sentence.  ``action`` is the most likely
    next thing to log and ``button`` its words.  ``due`` is empty where nothing is to be done today.
    """

    what: str
    why: str
    action: str
    button: str
    days: tuple[date, date, date] | None = None
    grams: tuple[int, int, int] | None = None
    due: str = ""
    late: bool = False

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
    """``crop`` with its room already read; ``taken_g`` is what its flush has given so far."""
    stage = Stage(crop.stage)
    outlook = _fresh(outlooks.of(f"crop:{crop.pk}"), stage)
    waited = (today - crop.stage_since).days
    takes = _takes(outlook, since=crop.stage_since, tenths=crop.room.set_point_tenths)
    since = day_in_short(crop.stage_since)
    match stage:
        case Stage.PINNING:
            began = "Opened" if crop.flush == 1 else "Watered"
            why = f"{began} {_ago(waited)}{takes}."
            return _due(
                "pins expected", why, "pins", "Pins seen", outlook, held=held, today=today,
                due="look: pins may show", overdue="look: pins overdue",
            )  # fmt: skip
        case Stage.GROWING:
            why = f"Pins seen {_ago(waited)}{takes}."
            return _due(
                "first picking expected", why, "harvest", "Harvest", outlook, held=held, today=today,
                due="pick: may be ready", overdue="pick: overdue",
            )  # fmt: skip
        case Stage.PICKING:
            if _over_unsaid(crop, outlooks):
                why = f"Picked since {since}, {_kilos(taken_g)} taken: was it the last mushroom?"
                return Expected(
                    "the flush is over by its days",
                    why,
                    "flush_ended",
                    "Flush ended",
                    due="look: flush over?",
                    late=True,
                )
            picked = "since today" if waited <= 0 else f"for {_for(waited)}"
            why = f"Picked {picked}, {_kilos(taken_g)} of this flush taken."
            expected = _due(
                "last picking about", why, "harvest", "Harvest", outlook, held=held, today=today, due="", overdue=""
            )
            return _marked(expected, due="pick now", late=False)
        case Stage.RESTING if crop.flush >= FLUSHES:
            return Expected("the last flush is over", f"It rests since {since}.", "finished", "Finished")
        case Stage.RESTING:
            why = f"Rests since {since}, {_for(waited)}{takes}."
            return _due(
                f"water for flush {crop.flush + 1}", why, "rewatered", "Watered again", outlook, held=held, today=today,
                due="water", overdue="water: overdue",
            )  # fmt: skip
        case _:
            return Expected("finished", f"Since {since}.", "", "")


def of_batch(batch: Batch, outlooks: Outlooks, *, kits_in_store: int, held: bool, today: date) -> Expected:
    """``batch`` with its room already read; only the bags neither lost, opened nor sealed are meant."""
    outlook = outlooks.of(f"batch:{batch.pk}")
    if batch.colonised_on is None:
        outlook = _fresh(outlook, Stage.COLONISING)
        takes = _takes(outlook, since=batch.mixed_on, tenths=batch.room.set_point_tenths)
        why = f"Mixed {_ago((today - batch.mixed_on).days)}{takes}."
        return _due(
            "spawn run, ready to open about", why, "run_full", "Run full", outlook, held=held,
            today=today, due="look: may be run full", overdue="look: overdue",
        )  # fmt: skip
    kits = max(0, min(batch.bags_left, batch.kit_quota - kits_in_store))
    fruit = batch.bags_left - kits
    why = f"Run full since {day_in_short(batch.colonised_on)}, {_for((today - batch.colonised_on).days)}."
    opens_on = batch.opens_on
    ready = fruit > 0 and opens_on is not None and opens_on <= today
    if kits and not ready:
        later = f" {_bags(fruit)} more to open later." if fruit else ""
        return Expected(f"{_bags(kits)} meant as kits", why + later, "seal", "Seal kits", due="" if held else "seal")
    return Expected(
        f"{_bags(fruit)} to open" + ("" if opens_on is None else ": proposed day"),
        why + (f" {_bags(kits)} more to seal as kits." if kits else ""),
        "open",
        "Open bags",
        days=None if opens_on is None else (opens_on, opens_on, opens_on),
        grams=outlook.grams if outlook is not None else None,
        due="open" if ready and not held else "",
        late=ready and not held and opens_on is not None and opens_on < today - timedelta(days=1),
    )


def _due(
    what: str, why: str, action: str, button: str, outlook: Outlook | None, *, held: bool, today: date, due: str,
    overdue: str,
) -> Expected:  # fmt: skip
    """Due from the early day of its range on, overdue past the middle one."""
    if outlook is None:
        rest = "Nothing held is forecast." if held else "The next forecast says when."
        return Expected(what.removesuffix(" about").removesuffix(" expected"), f"{why} {rest}", action, button)
    if outlook.days[0] > today + timedelta(days=FAR_DAYS):
        return Expected(what, f"{why} At that temperature nothing moves: look at the room.", action, button, late=True)
    first, middle, last = outlook.days
    expected = Expected(what, why, action, button, days=(first, middle, last), grams=outlook.grams)
    if first > today:
        return expected
    late = middle < today
    return _marked(expected, due=overdue if late else due, late=late)


def _marked(expected: Expected, *, due: str, late: bool) -> Expected:
    return Expected(
        expected.what, expected.why, expected.action, expected.button, days=expected.days, grams=expected.grams,
        due=due, late=late,
    )  # fmt: skip


def _fresh(outlook: Outlook | None, stage: Stage) -> Outlook | None:
    return outlook if outlook is not None and outlook.next_stage in _NEXT.get(stage, ()) else None


def _over_unsaid(crop: Crop, outlooks: Outlooks) -> bool:
    """The forecast takes the flush for over though nobody has said so."""
    outlook = outlooks.of(f"crop:{crop.pk}")
    return (
        outlook is not None
        and outlooks.made_on is not None
        and crop.stage_since < outlooks.made_on
        and outlook.next_stage == Stage.PINNING
    )


def _read(data: Mapping[str, object] | None) -> Outlook | None:
    if data is None:
        return None
    days, grams = data.get("next_on"), data.get("grams")
    if not isinstance(days, list) or not isinstance(grams, list) or len(days) != 3 or len(grams) != 3:
        return None
    first, middle, last = (date.fromisoformat(str(day)) for day in days)
    low, half, high = (int(amount) for amount in grams)
    return Outlook(str(data.get("next_stage", "")), (first, middle, last), (low, half, high))


def _takes(outlook: Outlook | None, *, since: date, tenths: int) -> str:
    """How long the stage takes by the forecast, as the end of a sentence that says how long it has lasted."""
    if outlook is None or outlook.days[2] > since + timedelta(days=FAR_DAYS):
        return ""
    first, _, last = ((day - since).days for day in outlook.days)
    span = f"{first} to {last} days" if first != last else _for(last)
    return f"; at {_degrees(tenths)} it takes {span}"


def _ago(days: int) -> str:
    return "today" if days <= 0 else "yesterday" if days == 1 else f"{days} days ago"


def _for(days: int) -> str:
    return "today" if days <= 0 else "1 day" if days == 1 else f"{days} days"


def _bags(count: int) -> str:
    return "1 bag" if count == 1 else f"{count} bags"


def _degrees(tenths: int) -> str:
    return f"{tenths / 10:g} °C"


def _kilos(grams: int) -> str:
    return f"{grams / 1000:.1f} kg" if grams >= 1000 else f"{grams} g"
