"""Reasons in words: each number once, true on whatever day it is read."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from fulfilment.core.forecast import Code, DelayCost, Reason
from fulfilment.core.growth import Drift
from fulfilment.read.rooms.why import waiting, why

MAY = date(2026, 5, 8)


def ago(days: int) -> date:
    return MAY - timedelta(days=days)


def said(code: Code, since: int, **more: object) -> str:
    given = {"flush": 1, "celsius": 17.0, "takes_days": (5, 7), "own": 12} | more
    reason = Reason(code, ago(since), **given)  # type: ignore[arg-type]  # fields by name
    return why(reason, strain="Pearl oyster", today=MAY, taken_g=1_200)


@pytest.mark.parametrize(
    ("sentence", "found"),
    [
        ("Pins seen 3 days ago; your Pearl oyster crops take 5–7 days from there at 17 °C.", said(Code.PINS_SEEN, 3)),
        ("Pins seen today; your Pearl oyster crops take 6 days from there at 17 °C.",
         said(Code.PINS_SEEN, 0, takes_days=(6, 6))),
        ("Opened 9 days ago, no pins seen by yesterday’s look; your Pearl oyster crops take 7–11 days at 17 °C.",
         said(Code.OPENED, 9, seen_on=ago(1), takes_days=(7, 11))),
        ("Opened 6 days ago, no pins seen by the look of Tue 5 May; your Pearl oyster crops take 5–7 days at 17 °C.",
         said(Code.OPENED, 6, seen_on=ago(3))),
        ("Opened yesterday; your Pearl oyster crops take 5–7 days at 17 °C.", said(Code.OPENED, 1)),
        (("First flush picked out 16 days ago, watered 6 days ago, no pins seen by today’s look; your Pearl "
          "oyster crops "
         "take, from watering, 5–7 days at 17 °C."),
         said(Code.WATERED, 6, flush=2, picked_out_on=ago(16), seen_on=MAY)),
        ("First flush picked out 6 days ago; your Pearl oyster crops are watered after 9–12 days at 17 °C.",
         said(Code.PICKED_OUT, 6, takes_days=(9, 12))),
        (("Mixed 10 days ago, half run after 8 days; your Pearl oyster batches are run full after 16–20 days at "
          "22 °C and "
         "wait 0–3 days to be opened."),
         said(Code.MIXED, 10, seen_on=ago(2), part="half", takes_days=(16, 20), celsius=22.0, waits_days=(0, 3))),
        (("Run full since Tue 5 May, 3 days; here bags wait 0–3 days to be opened. Planned to be opened from Sun "
         "10 May."),
         said(Code.GROWN_THROUGH, 3, waits_days=(0, 3), opens_on=ago(-2))),
        ("Picked for 2 days, 1.2 kg of this flush taken; your Pearl oyster flushes are picked out in 4 days.",
         said(Code.PICKED, 2, takes_days=(4, 4))),
        (("Pins seen 2 days ago; no crop of this strain has come so far yet: by the handbook 5–7 days from there at "
         "17 °C."), said(Code.PINS_SEEN, 2, own=0)),
        ("Mixed 2 days ago; no batch of this strain has come so far yet: by the handbook 16–20 days at 22 °C.",
         said(Code.MIXED, 2, own=0, takes_days=(16, 20), celsius=22.0)),
        ("Pins seen 3 days ago.", said(Code.PINS_SEEN, 3, takes_days=None, own=None)),
        (
            "Picked since today, 1.2 kg of this flush taken; by the handbook a flush is picked out in 4 days.",
            said(Code.PICKED, 0, takes_days=(4, 4), own=0),
        ),
        ("Opened 3 days ago, no look written down since. At 3 °C nothing moves: look at the room.",
         said(Code.OPENED, 3, takes_days=None, still=True, celsius=3.0)),
    ],
)  # fmt: skip
def test_each_reason_has_its_sentence(sentence: str, found: str) -> None:
    assert found == sentence


@pytest.mark.parametrize(
    ("drift", "sentence"),
    [
        (Drift(7, -3.0, 2.1, 2.1), "The room ran 3 °C cool last week: about 2 days later."),
        (Drift(7, -3.1, 0.9, 0.9), "The room ran 3 °C cool last week: about a day later."),
        (Drift(4, -2.4, 0.6, 0.6), "The room ran 2.5 °C cool over the last 4 days: about a day later."),
        (Drift(7, -3.0, 0.36, 0.36), "The room ran 3 °C cool last week: that moves it by less than half a day."),
        (Drift(7, 2.0, -1.0, -1.0), "The room ran 2 °C warm last week: about a day sooner."),
        (Drift(7, -3.0, 2.0, 4.2), "The room ran 3 °C cool last week: about 2 days later, about 4 days later in all."),
        (Drift(7, 0.1, 1.0, 1.0), "The room swung about its set point last week: about a day later."),
        (Drift(7, 0.0, 0.1, 2.0), "Before last week the room was off its set point: about 2 days later in all."),
    ],
)
def test_what_the_room_did_is_said_with_what_it_moved(drift: Drift, sentence: str) -> None:
    assert said(Code.OPENED, 9, drift=drift, takes_days=(9, 12)).endswith(f" {sentence}")


def test_a_slow_batch_and_a_slow_crop_are_said() -> None:
    assert said(Code.PINS_SEEN, 3, batch_days=1).endswith(" Its batch is about a day slower than others.")
    assert said(Code.PINS_SEEN, 3, batch_days=-2).endswith(" Its batch is about 2 days faster than others.")
    assert said(Code.PINS_SEEN, 8).endswith(" This one takes longer than nine in ten.")
    late = Drift(7, -3.0, 2.0, 2.0)
    assert "nine in ten" not in said(Code.PINS_SEEN, 8, drift=late), "the cool room explains it"


DELAY = DelayCost(MAY, (900, 1_000, 1_200), ((880, 937, 980), (594, 677, 755), (12, 342, 388)))


@pytest.mark.parametrize(
    ("first", "read", "sentence"),
    [
        (2, 0, ("Picked a day before Sun 10 May, about 680 g less (590–760 g); a day after, about 340 g more "
                "(10–390 g); "
               "from Mon 11 May on waiting brings nothing: caps flatten and spores fall.")),
        (1, 1, ("Waiting until tomorrow brings about 680 g more (590–760 g); from Mon 11 May on waiting brings "
                "nothing: caps flatten and "
               "spores fall.")),
        (0, 3, "Waiting brings nothing more: pick before caps flatten and spores fall."),
        (0, 30, "Waiting brings nothing more: pick before caps flatten and spores fall."),
    ],
)  # fmt: skip
def test_what_a_day_earlier_costs_and_a_day_later_brings(first: int, read: int, sentence: str) -> None:
    days = (ago(-first), ago(-2), ago(-4))
    assert waiting(DELAY, picked_on=days, today=MAY + timedelta(days=read)) == sentence
