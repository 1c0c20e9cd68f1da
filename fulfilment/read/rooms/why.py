"""Reasons and the cost of waiting in a grower's words: pages, Today and the API all say it as this page does.

Nothing is computed here; the numbers were stored with the forecast.  Days are counted to the day on which it is read,
so that a sentence stays true until the next forecast.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Final

from fulfilment.core.forecast import Code, DelayCost, Reason
from fulfilment.core.growth import Drift
from fulfilment.core.units import said
from fulfilment.read.tonight import day_in_short

_ORDINALS: Final = ("", "First", "Second", "Third")
_WEEK: Final = 7
_MUCH_C: Final = 2.0
CARE: Final = "caps flatten and spores fall"


def why(reason: Reason, *, strain: str, today: date, taken_g: int = 0) -> str:
    """One or more sentences; ``taken_g`` is what the flush under way has given so far."""
    ago = _ago((today - reason.since).days)
    match reason.code:
        case Code.MIXED:
            part = f", {reason.part} run after {_days((reason.seen_on - reason.since).days)}" if reason.seen_on else ""
            head, does, things = f"Mixed {ago}{part}", "are run full after", "batches"
        case Code.GROWN_THROUGH:
            return _grown_through(reason, today)
        case Code.OPENED:
            head, does, things = f"Opened {ago}{_looked(reason, today)}", "take", "crops"
        case Code.WATERED:
            before = ""
            if reason.picked_out_on is not None and 1 <= reason.flush - 1 < len(_ORDINALS):
                picked_out = _ago((today - reason.picked_out_on).days)
                before = f"{_ORDINALS[reason.flush - 1]} flush picked out {picked_out}, "
            head = f"{before}{'watered' if before else 'Watered'} {ago}{_looked(reason, today)}"
            does, things = "take" if not before else "take, from watering,", "crops"
        case Code.PINS_SEEN:
            head, does, things = f"Pins seen {ago}", "take", "crops"
        case Code.PICKED:
            return _picked(reason, strain, today, taken_g=taken_g)
        case Code.PICKED_OUT:
            flush = _ORDINALS[reason.flush] if 1 <= reason.flush < len(_ORDINALS) else "Last"
            head, does, things = f"{flush} flush picked out {ago}", "are watered after", "crops"
        case Code.OVER_UNSAID:
            return f"Picked last on {day_in_short(reason.since)}, {ago}: was it the last mushroom? By its days it was."
    return " ".join((f"{head}{_takes(reason, strain, does, things)}.", *_besides(reason, today)))


def waiting(delay: DelayCost, *, picked_on: tuple[date, date, date], today: date) -> str:
    """What a day earlier costs and a day later brings; ``picked_on`` are the days of the first picking, early, middle,
    late.
    """
    early, middle, _ = picked_on
    if today >= delay.full_on:
        return f"Waiting brings nothing more: pick before {CARE}."
    rest = f"from {day_in_short(delay.full_on)} on waiting brings nothing: {CARE}"
    if early <= today or middle <= today:
        return f"Waiting until tomorrow brings {_more(delay.wait(today), 'more')}; {rest}."
    before = delay.wait(middle - timedelta(days=1))
    after = delay.wait(middle)
    brings = f"; a day after, {_more(after, 'more')}" if after[1] > 0 else ""
    return f"Picked a day before {day_in_short(middle)}, {_more(before, 'less')}{brings}; {rest}."


def _more(grams: tuple[int, int, int], word: str) -> str:
    low, mean, high = grams
    return f"about {said(_round(mean), is_kit=False)} {word} ({_round(low)}–{_round(high)} g)"


def _round(grams: int) -> int:
    """To ten grams: more would be a show of knowing."""
    return round(grams, -1)


def _takes(reason: Reason, strain: str, does: str, things: str) -> str:
    """What the stage takes, as the end of a sentence; empty where the forecast says nothing of it."""
    if reason.takes_days is None:
        return ""
    at = f" at {reason.celsius:g} °C" if reason.celsius is not None else ""
    there = " from there" if reason.code is Code.PINS_SEEN else ""
    span = _span(*reason.takes_days)
    if not reason.own:
        thing = things.removesuffix("es") if things == "batches" else things.removesuffix("s")
        return f"; no {thing} of this strain has come so far yet: by the handbook {span}{there}{at}"
    waits = f" and wait {_span(*reason.waits_days)} to be opened" if reason.waits_days is not None else ""
    return f"; your {strain} {things} {does} {span}{there}{at}{waits}"


def _besides(reason: Reason, today: date) -> Iterator[str]:
    if reason.still:
        at = f"At {reason.celsius:g} °C" if reason.celsius is not None else "At that temperature"
        yield f"{at} nothing moves: look at the room."
    if reason.drift is not None:
        yield from _room(reason.drift)
    if reason.batch_days:
        word = "slower" if reason.batch_days > 0 else "faster"
        yield f"Its batch is {_about(abs(reason.batch_days))} {word} than others."
    late = max(reason.drift.late_in_all, 0.0) if reason.drift is not None else 0.0
    if reason.takes_days is not None and (today - reason.since).days > reason.takes_days[1] + late:
        yield "This one takes longer than nine in ten."
    if reason.opens_on is not None and reason.opens_on > today:
        yield f"Planned to be opened from {day_in_short(reason.opens_on)}."


def _room(drift: Drift) -> Iterator[str]:
    """How warm the room ran, and what that does to the days."""
    span = "last week" if drift.days >= _WEEK else f"over the last {_days(drift.days)}"
    apart = round(abs(drift.apart_c) * 2) / 2
    lately, in_all = _moved(drift.late_days), _moved(drift.late_in_all)
    if not lately and apart < _MUCH_C:
        yield f"Before last week the room was off its set point: {in_all} in all."
        return
    lately = lately or "that moves it by less than half a day"
    more = f", {in_all} in all" if in_all and in_all != lately else ""
    ran = f"ran {apart:g} °C {'cool' if drift.apart_c < 0 else 'warm'}" if apart else "swung about its set point"
    yield f"The room {ran} {span}: {lately}{more}."


def _moved(late: float) -> str:
    """``about 2 days later``; empty for less than half a day."""
    if abs(late) < 0.5:
        return ""
    return f"{_about(max(round(abs(late)), 1))} {'later' if late > 0 else 'sooner'}"


def _about(days: int) -> str:
    return "about a day" if days == 1 else f"about {days} days"


def _looked(reason: Reason, today: date) -> str:
    days = (today - reason.since).days
    if reason.seen_on is not None:
        back = (today - reason.seen_on).days
        look = {0: "today’s look", 1: "yesterday’s look"}.get(back, f"the look of {day_in_short(reason.seen_on)}")
        return f", no pins seen by {look}"
    # the log alone, before a forecast has read it, does not tell of looks
    return ", no look written down since" if days > 1 and reason.own is not None else ""


def _grown_through(reason: Reason, today: date) -> str:
    days = (today - reason.since).days
    head = f"Run full since {day_in_short(reason.since)}, {_days(days)}" if days > 0 else "Run full today"
    waits = f"; here bags wait {_span(*reason.waits_days)} to be opened" if reason.waits_days is not None else ""
    planned = ""
    if reason.opens_on is not None and reason.opens_on > today:
        planned = f" Planned to be opened from {day_in_short(reason.opens_on)}."
    return f"{head}{waits}.{planned}"


def _picked(reason: Reason, strain: str, today: date, *, taken_g: int) -> str:
    days = (today - reason.since).days
    head = f"Picked {'since today' if days <= 0 else f'for {_days(days)}'}"
    taken = f", {said(taken_g, is_kit=False)} of this flush taken"
    last = ""
    if reason.takes_days is not None:
        whose = f"your {strain} flushes are" if reason.own else "by the handbook a flush is"
        last = f"; {whose} picked out in {_days(reason.takes_days[1])}"
    return f"{head}{taken}{last}."


def _span(low: int, high: int) -> str:
    return _days(low) if low == high else f"{low}–{high} days"


def _days(count: int) -> str:
    return "1 day" if count == 1 else f"{count} days"


def _ago(days: int) -> str:
    return "today" if days <= 0 else "yesterday" if days == 1 else f"{days} days ago"
