"""The farm's night: steps in order, each stamped when done, so that a killed night goes on where it stopped."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from time import perf_counter

from django.db import transaction

from fulfilment.models import Farm, Night, NightStep
from fulfilment.read.farm import calendar
from fulfilment.services import (
    caring,
    doubts,
    events,
    freezing,
    jobs,
    once,
    packing,
    planning,
    scoring,
    signing_in,
    standing,
    webhooks,
)

Figures = Mapping[str, object]
ANSWERS_KEPT = timedelta(days=7)
"""How long the answer to an Idempotency-Key is kept."""


@dataclass(frozen=True, slots=True)
class Course:
    """What the steps of one night are given; ``replans`` is how often a new plan had been asked for when it began."""

    on: date
    now: datetime
    scenarios: int | None = None
    replans: int = 0


def due(*, now: datetime) -> bool:
    """Ask for tonight's run if the farm's night has come and nobody ran it."""
    whose = Farm.objects.filter(pk=1).first()
    if whose is None:
        return False
    last = Night.objects.filter(done_at__isnull=False).order_by("-on").values_list("on", flat=True).first()
    on = calendar(whose).night_due(now, night_at=whose.night_at, last_night=last)
    if on is None or jobs.waits("night", subject=on.isoformat()):
        return False
    with transaction.atomic():
        jobs.add("night", subject=on.isoformat(), due_at=now)
    return True


def run(on: str, *, now: datetime, scenarios: int | None = None) -> Night:
    """Run the steps of a night that are not stamped yet; a night that is done is left alone."""
    wanted = jobs.wanted("replan")
    day = date.fromisoformat(on)
    with transaction.atomic():
        night, _ = Night.objects.get_or_create(on=day, defaults={"begun_at": now})
    if night.done_at is not None:
        return night
    stamped = set(night.steps.values_list("step", flat=True))
    # A forecast drawn before the night was killed knows nothing of what was asked for since.
    course = Course(day, now, scenarios, replans=0 if "forecast" in stamped else wanted)
    for name, step in STEPS:
        if name in stamped:
            continue
        begun = perf_counter()
        figures = {**step(course), "seconds": round(perf_counter() - begun, 2)}
        with transaction.atomic():
            NightStep.objects.get_or_create(night=night, step=name, defaults={"done_at": now, "figures": figures})
    with transaction.atomic():
        night = Night.objects.select_for_update(no_key=True).get(pk=night.pk)
        if night.done_at is None:
            night.done_at = now
            night.save(update_fields=["done_at"])
            events.record("night_done", subject=on, by="night", at=now, data={})
    return night


def _score(course: Course) -> Figures:
    return {"scored": scoring.score_past(today=course.on)}


def _forecast(course: Course) -> Figures:
    made = planning.publish(today=course.on, now=course.now, scenarios=course.scenarios, learns=True)
    return {"scenarios": made.scenarios}


def _roll(course: Course) -> Figures:
    return {"orders": standing.roll(now=course.now)}


def _allot(course: Course) -> Figures:
    made = planning.allot(today=course.on, now=course.now, cause=f"night of {course.on.isoformat()}")
    jobs.settle("replan", wanted=course.replans, now=course.now)
    return {} if made is None else dict(made.figures)


def _freeze(course: Course) -> Figures:
    """The night only catches up on cut-offs that nobody saw to, and on lists whose plan has moved."""
    freezing.due(now=course.now)
    packing.make_pick_lists(course.on, by="night", now=course.now)
    return {"told_short": freezing.follow_plan(now=course.now), "told_doubtful": doubts.follow_plan(now=course.now)}


def _care(course: Course) -> Figures:
    return {"care_mails": caring.plan_all(now=course.now)}


def _tidy(course: Course) -> Figures:
    once.forget(before=course.now - ANSWERS_KEPT)
    signing_in.forget(now=course.now)
    webhooks.forget(before=course.now - webhooks.KEPT)
    return {"forecasts_dropped": scoring.drop_old_forecasts(today=course.on)}


STEPS: tuple[tuple[str, Callable[[Course], Figures]], ...] = (
    ("score", _score),
    ("forecast", _forecast),
    ("standing", _roll),
    ("allocate", _allot),
    ("pick_lists", _freeze),
    ("care", _care),
    ("tidy", _tidy),
)
"""Scoring looks back before learning looks on; a standing order's new lines are asked after the older open ones."""
