"""The night: due once, its steps in order and each stamped, going on where it was stopped, done once."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import pytest

from fulfilment.models import Book, Event, Farm, Forecast, Job, Lot, Night, NightStep, Plan, Score
from fulfilment.services import jobs, nights
from fulfilment.services.nights import Course, Figures
from tests.builders.kitchens import FRIDAY, THURSDAY, a_farm, a_fresh_lot, a_kitchen, a_line, a_product, a_strain

pytestmark = pytest.mark.django_db

TWO = datetime(2026, 5, 8, 0, 0, tzinfo=UTC)
"""Two in the morning of Friday on the farm's clock (Berlin, summer time): its night begins."""
ON = FRIDAY.isoformat()
NAMES = [name for name, _ in nights.STEPS]


def done(on: date) -> None:
    Night.objects.create(on=on, begun_at=TWO, done_at=TWO)


class Recorder:
    """Steps that write down that they were taken; one of them may be a killer."""

    def __init__(self, killed_at: str = "") -> None:
        self.taken: list[str] = []
        self.killed_at = killed_at

    def steps(self) -> tuple[tuple[str, Callable[[Course], Figures]], ...]:
        return tuple((name, self._step(name)) for name in NAMES)

    def _step(self, name: str) -> Callable[[Course], Figures]:
        def step(course: Course) -> Figures:
            if name == self.killed_at:
                self.killed_at = ""
                raise KeyboardInterrupt
            self.taken.append(name)
            return {"on": course.on.isoformat()}

        return step


@pytest.fixture
def recorder(monkeypatch: pytest.MonkeyPatch) -> Recorder:
    a_farm()
    made = Recorder()
    monkeypatch.setattr(nights, "STEPS", made.steps())
    return made


# ---- When it is due -------------------------------------------------------------------------------------------------


def test_without_a_farm_there_is_no_night() -> None:
    assert not nights.due(now=TWO)
    assert not Job.objects.exists()


def test_the_night_comes_by_the_farms_own_clock() -> None:
    a_farm()
    done(THURSDAY)
    assert not nights.due(now=TWO - timedelta(seconds=1))
    assert nights.due(now=TWO)
    assert list(Job.objects.values_list("kind", "subject", "due_at")) == [("night", ON, TWO)]


def test_asked_at_each_tick_it_is_asked_for_once() -> None:
    a_farm()
    done(THURSDAY)
    assert [nights.due(now=TWO + timedelta(seconds=tick)) for tick in range(3)] == [True, False, False]
    assert Job.objects.get().wanted == 1


def test_a_night_that_was_run_is_not_due_again() -> None:
    a_farm()
    done(FRIDAY)
    assert not nights.due(now=TWO + timedelta(hours=20))


def test_after_forty_days_of_outage_one_night_is_run() -> None:
    a_farm()
    done(FRIDAY - timedelta(days=40))
    assert nights.due(now=TWO)
    assert Job.objects.get().subject == ON


def test_another_hour_of_the_night_is_the_farms_choice() -> None:
    a_farm()
    done(THURSDAY)
    Farm.objects.update(night_at="04:30")
    assert not nights.due(now=TWO + timedelta(hours=2))
    assert nights.due(now=TWO + timedelta(hours=2, minutes=30))


# ---- How it goes ----------------------------------------------------------------------------------------------------


def test_each_step_is_taken_once_in_order_and_stamped(recorder: Recorder) -> None:
    night = nights.run(ON, now=TWO)
    assert recorder.taken == NAMES
    stamped = list(NightStep.objects.order_by("pk"))
    assert [step.step for step in stamped] == NAMES
    assert {step.figures["on"] for step in stamped} == {ON}
    assert all(step.figures["seconds"] >= 0 for step in stamped)
    assert (night.on, night.begun_at, night.done_at) == (FRIDAY, TWO, TWO)
    assert Event.objects.get(kind="night_done").subject == ON


def test_run_twice_it_is_done_once(recorder: Recorder) -> None:
    nights.run(ON, now=TWO)
    again = nights.run(ON, now=TWO + timedelta(hours=1))
    assert recorder.taken == NAMES
    assert again.done_at == TWO
    assert Event.objects.filter(kind="night_done").count() == 1


@pytest.mark.parametrize("killed_at", NAMES)
def test_a_killed_night_goes_on_where_it_stopped(monkeypatch: pytest.MonkeyPatch, killed_at: str) -> None:
    a_farm()
    made = Recorder(killed_at)
    monkeypatch.setattr(nights, "STEPS", made.steps())
    with pytest.raises(KeyboardInterrupt):
        nights.run(ON, now=TWO)
    assert made.taken == NAMES[: NAMES.index(killed_at)]
    assert Night.objects.get().done_at is None
    later = TWO + timedelta(minutes=20)
    night = nights.run(ON, now=later)
    assert made.taken == NAMES, "none twice, none left out"
    assert (night.begun_at, night.done_at) == (TWO, later)


def test_a_step_that_fails_leaves_the_others_stamped(recorder: Recorder, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(_: Course) -> Figures:
        raise RuntimeError("no room on the disk")

    monkeypatch.setattr(nights, "STEPS", (*recorder.steps()[:2], ("standing", fails)))
    with pytest.raises(RuntimeError):
        nights.run(ON, now=TWO)
    assert list(NightStep.objects.order_by("pk").values_list("step", flat=True)) == NAMES[:2]
    assert not Event.objects.filter(kind="night_done").exists()


def test_a_day_that_is_none_is_refused(recorder: Recorder) -> None:
    with pytest.raises(ValueError, match="Invalid isoformat"):
        nights.run("tonight", now=TWO)
    assert not Night.objects.exists()


# ---- A whole one ----------------------------------------------------------------------------------------------------


@pytest.fixture
def lot() -> Lot:
    """A farm small enough for a whole night: a lot, a crop being picked, one kitchen's line for tomorrow."""
    a_farm()
    Farm.objects.update(scenarios=50, horizon_days=14)
    strain = a_strain()
    made = a_fresh_lot(strain, 3_000, harvested_on=THURSDAY)
    a_line(a_kitchen(), a_product(strain), 2_000)
    return made


def test_a_whole_night_leaves_a_forecast_and_a_plan(lot: Lot) -> None:
    nights.run(ON, now=TWO)
    made = Forecast.objects.get()
    assert (made.first_on, made.scenarios, made.seen_entry) == (FRIDAY, 50, lot.entries.get().pk)
    assert set(Book.objects.exclude(grade="kit").values_list("forecast_id", flat=True)) == {made.pk}
    figures = {step.step: step.figures for step in NightStep.objects.all()}
    assert list(figures) == NAMES
    assert (figures["allocate"]["lines"], figures["allocate"]["allocated"]) == (1, 2_000)
    assert (figures["forecast"]["scenarios"], figures["pick_lists"]["told_short"]) == (50, 0)
    assert Plan.objects.get().cause == f"night of {ON}"


def test_the_next_night_scores_the_one_before_it(lot: Lot) -> None:
    nights.run(THURSDAY.isoformat(), now=TWO - timedelta(days=1))
    nights.run(ON, now=TWO)
    nights.run((FRIDAY + timedelta(days=1)).isoformat(), now=TWO + timedelta(days=1))
    assert set(Score.objects.filter(grade="a").values_list("on", "lead_days")) == {(FRIDAY, 1)}


def test_fewer_scenarios_can_be_asked_for_one_night(lot: Lot) -> None:
    nights.run(ON, now=TWO, scenarios=60)
    assert Forecast.objects.get().scenarios == 60


# ---- What was asked for meanwhile -----------------------------------------------------------------------------------


def test_what_was_asked_for_before_the_night_is_done_by_it(lot: Lot) -> None:
    jobs.add("replan", due_at=TWO)
    nights.run(ON, now=TWO)
    assert not jobs.waits("replan")


def test_what_is_asked_for_during_the_night_stays_due(lot: Lot, monkeypatch: pytest.MonkeyPatch) -> None:
    def harvested(_: Course) -> Figures:
        jobs.add("replan", due_at=TWO)
        return {}

    steps = list(nights.STEPS)
    steps.insert(2, ("harvested", harvested))
    monkeypatch.setattr(nights, "STEPS", tuple(steps))
    nights.run(ON, now=TWO)
    assert jobs.waits("replan")


def test_what_was_asked_for_while_a_night_was_down_stays_due(lot: Lot, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its forecast was drawn before: the rest of the night knows nothing of a harvest logged since."""

    def killed(_: Course) -> Figures:
        raise KeyboardInterrupt

    whole = nights.STEPS
    monkeypatch.setattr(nights, "STEPS", tuple((name, killed if name == "standing" else step) for name, step in whole))
    with pytest.raises(KeyboardInterrupt):
        nights.run(ON, now=TWO)
    monkeypatch.setattr(nights, "STEPS", whole)
    jobs.add("replan", due_at=TWO)
    nights.run(ON, now=TWO + timedelta(minutes=20))
    assert jobs.waits("replan")
