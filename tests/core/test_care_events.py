"""A kit's life as a table: every stage with every event, and what a holder may report when."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fulfilment.core.care import EventKind as Kind
from fulfilment.core.care import KitEvent, KitStage, check, report, standing, state
from fulfilment.core.care.events import GROWTH, NEXT_FLUSH, SAME_FLUSH
from fulfilment.core.problems import Conflict, Invalid, Problem

ZONE = "Europe/Berlin"
DAY = date(2026, 3, 2)
NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)


def event(kind: Kind, *, days: int = 0, cycle: int = 1) -> KitEvent:
    return KitEvent(kind, DAY + timedelta(days=days), NOW + timedelta(days=days), cycle)


def kit(*kinds: Kind) -> list[KitEvent]:
    return [event(kind) for kind in kinds]


SENT = (Kind.SEALED, Kind.SOLD, Kind.SENT)
WAYS: dict[KitStage, tuple[Kind, ...]] = {
    KitStage.BAG: (),
    KitStage.ORDERED: (Kind.SOLD,),
    KitStage.SEALED: (Kind.SEALED,),
    KitStage.SOLD: (Kind.SEALED, Kind.SOLD),
    KitStage.SENT: SENT,
    KitStage.STARTED: (*SENT, Kind.STARTED),
    KitStage.FRUITING: (*SENT, Kind.STARTED, Kind.PINS),
    KitStage.RESTING: (*SENT, Kind.STARTED, Kind.PINS, Kind.HARVESTED_ALL),
    KitStage.FINISHED: (*SENT, Kind.FINISHED),
    KitStage.REPLACED: (*SENT, Kind.REPLACED),
}

# What may follow what, written down again in words of the trade and not taken from the table.
MAY = {
    KitStage.BAG: "sealed sold",
    KitStage.ORDERED: "sealed released",
    KitStage.SEALED: "sold finished",
    KitStage.SOLD: "released sent replaced",
    KitStage.SENT: "started joined paused trouble replaced finished",
    KitStage.STARTED: "started pins harvested_first harvested_all joined paused trouble replaced finished",
    KitStage.FRUITING: "harvested_first harvested_all joined paused trouble replaced finished",
    KitStage.RESTING: "harvested_all joined paused trouble replaced finished",
    KitStage.FINISHED: "joined trouble replaced",
    KitStage.REPLACED: "",
}
MAY_NEXT_FLUSH = {
    KitStage.FRUITING: "rewatered pins harvested_first harvested_all",
    KitStage.RESTING: "rewatered pins harvested_first harvested_all",
}


@pytest.mark.parametrize("stage", KitStage)
def test_each_stage_is_reached(stage: KitStage) -> None:
    assert state(kit(*WAYS[stage])) is stage


@pytest.mark.parametrize(("stage", "kind"), list(product(KitStage, Kind)))
def test_every_stage_with_every_event_of_its_flush(stage: KitStage, kind: Kind) -> None:
    events = kit(*WAYS[stage])
    if kind in MAY[stage].split():
        assert check(event(kind), events, now=NOW, zone=ZONE).stage is SAME_FLUSH[stage, kind]
    else:
        with pytest.raises(Conflict) as refused:
            check(event(kind), events, now=NOW, zone=ZONE)
        assert refused.value.sentence.startswith("This kit ")
        assert refused.value.sentence.endswith(".")


@pytest.mark.parametrize(("stage", "kind"), list(product(KitStage, sorted(GROWTH))))
def test_every_stage_with_every_event_of_the_next_flush(stage: KitStage, kind: Kind) -> None:
    events = kit(*WAYS[stage])
    if kind in MAY_NEXT_FLUSH.get(stage, "").split():
        after = check(event(kind, cycle=2), events, now=NOW, zone=ZONE)
        assert (after.stage, after.cycle) == (NEXT_FLUSH[stage, kind], 2)
    else:
        with pytest.raises(Conflict):
            check(event(kind, cycle=2), events, now=NOW, zone=ZONE)


def test_no_flush_is_skipped() -> None:
    for cycle in (0, 3):
        with pytest.raises(Conflict):
            check(event(Kind.REWATERED, cycle=cycle), kit(*WAYS[KitStage.RESTING]), now=NOW, zone=ZONE)


def test_dai_cannot_start_what_was_not_sent() -> None:
    with pytest.raises(Conflict, match="has not been sent yet"):
        check(event(Kind.STARTED), kit(*WAYS[KitStage.SOLD]), now=NOW, zone=ZONE)


def test_dai_cannot_start_before_the_day_it_was_sent() -> None:
    with pytest.raises(Invalid, match="before the kit was sent, Monday 2 March 2026") as refused:
        check(event(Kind.STARTED, days=-1), kit(*SENT), now=NOW, zone=ZONE)
    assert refused.value.where == "on"


def test_pins_come_after_the_start() -> None:
    with pytest.raises(Conflict, match="Report the day it was started first"):
        check(event(Kind.PINS), kit(*SENT), now=NOW, zone=ZONE)
    with pytest.raises(Invalid, match="before the kit was last reported"):
        check(event(Kind.PINS, days=-1), kit(*SENT, Kind.STARTED), now=NOW, zone=ZONE)


def test_nothing_happens_tomorrow_but_it_may_be_tomorrow_for_the_holder() -> None:
    late = datetime(2026, 3, 2, 22, 30, tzinfo=UTC)
    tomorrow = event(Kind.STARTED, days=1)
    with pytest.raises(Invalid, match="has not come yet"):
        check(tomorrow, kit(*SENT), now=late, zone="Europe/London")
    assert check(tomorrow, kit(*SENT), now=late, zone="Europe/Helsinki").stage is KitStage.STARTED


def test_a_pause_keeps_the_stage_and_ends_by_word_or_by_growth() -> None:
    events = kit(*WAYS[KitStage.RESTING], Kind.PAUSED)
    assert standing(events).paused
    assert standing(events).stage is KitStage.RESTING
    assert not standing([*events, event(Kind.RESUMED)]).paused
    assert not standing([*events, event(Kind.REWATERED, cycle=2)]).paused
    with pytest.raises(Conflict, match="paused already"):
        standing([*events, event(Kind.PAUSED)])


def test_trouble_lasts_until_a_person_settles_it_or_it_grows() -> None:
    events = kit(*WAYS[KitStage.STARTED], Kind.TROUBLE)
    assert standing(events).troubled
    assert not standing([*events, event(Kind.RESUMED)]).troubled
    assert not standing([*events, event(Kind.PINS)]).troubled
    assert not standing([*events, event(Kind.REPLACED)]).troubled
    with pytest.raises(Conflict, match="neither paused nor in trouble"):
        standing(kit(*SENT, Kind.RESUMED))


def test_a_code_is_good_until_ninety_days_after_the_end() -> None:
    finished = kit(*WAYS[KitStage.FINISHED])
    later = NOW + timedelta(days=91)
    assert check(event(Kind.JOINED, days=90), finished, now=later, zone=ZONE).stage is KitStage.FINISHED
    with pytest.raises(Conflict, match="90 days"):
        check(event(Kind.JOINED, days=91), finished, now=later, zone=ZONE)


class TestButtons:
    """The three buttons say less than the table wants to know."""

    def test_pins_after_a_harvest_are_the_next_flushs(self) -> None:
        events = kit(*WAYS[KitStage.RESTING])
        assert report(Kind.PINS, events, on=DAY, at=NOW).cycle == 2
        assert report(Kind.PINS, kit(*WAYS[KitStage.STARTED]), on=DAY, at=NOW).cycle == 1

    def test_picked_twice_within_days_is_one_flush_and_weeks_later_the_next(self) -> None:
        events = kit(*WAYS[KitStage.RESTING])
        soon = report(Kind.HARVESTED_FIRST, events, on=DAY + timedelta(days=3), at=NOW)
        assert (soon.kind, soon.cycle) == (Kind.HARVESTED_ALL, 1)
        assert report(Kind.HARVESTED_ALL, events, on=DAY + timedelta(days=20), at=NOW).cycle == 2

    @given(st.lists(st.tuples(st.sampled_from(sorted(GROWTH)), st.integers(0, 25)), max_size=12))
    def test_whatever_is_pressed_is_counted_or_refused_and_never_breaks_the_kit(
        self, presses: list[tuple[Kind, int]]
    ) -> None:
        events, days = kit(*SENT), 0
        for kind, later in presses:
            days += later
            at = NOW + timedelta(days=days)
            pressed = report(kind, events, on=at.date(), at=at)
            try:
                check(pressed, events, now=at, zone=ZONE)
            except Problem:
                continue
            events.append(pressed)
            cycles = [each.cycle for each in events if each.kind in GROWTH]
            assert cycles == sorted(cycles)
            assert set(cycles) == set(range(1, standing(events).cycle + 1))
