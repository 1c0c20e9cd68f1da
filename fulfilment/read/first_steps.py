"""What a new farm does first, in the order in which one thing needs another, and what of it is done.

Done is what the rows say and nothing else: there is no mark to set, and a step done on any way, by pages or by
programs, is done here too.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from django.db.models import Exists, OuterRef

from fulfilment.core.calendar import in_words
from fulfilment.core.calendar.days import zone_of
from fulfilment.core.growth import StrainProfile
from fulfilment.core.units import KIT
from fulfilment.models import (
    Address,
    Batch,
    Event,
    Farm,
    Forecast,
    Intake,
    Keeping,
    Kitchen,
    Line,
    Product,
    Room,
    SpawnDelivery,
    StandingOrder,
    Strain,
)
from fulfilment.read.farm import calendar, farm

if TYPE_CHECKING:
    from datetime import date, datetime

DAYS_LOOKED_AT = ("delivery_weekdays", "cut_off_days", "cut_off_time", "holiday_country")
"""Changing one of these shows that somebody has looked at the delivery days."""


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do: ``why`` is a sentence; ``page`` says where, for the web layer to turn into an address."""

    key: str
    title: str
    why: str
    done: bool
    page: str
    needs: tuple[str, ...] = ()


def first_steps(*, today: date, now: datetime) -> tuple[Step, ...]:
    """Every step in order, done or not; a step can be taken once all that it ``needs`` is done."""
    whose = farm()
    return (
        Step(
            "strain",
            "Choose what you grow",
            "A strain brings its usual stage times and yields; your own logs correct them from the first crop on.",
            Strain.objects.exists(),
            "strains",
        ),
        Step(
            "keeping",
            "Say how long each grade keeps",
            "The days from harvest to best before decide what may still go out: take them from your own store, and "
            "from what your food authority asks of you.",
            _kept(),
            "keeping",
            needs=("strain",),
        ),
        Step(
            "products",
            "Say what you sell",
            "A product is a grade in packs of so many grams, or a kit: an order names nothing else.",
            Product.objects.filter(active=True).exists(),
            "products",
            needs=("keeping",),
        ),
        Step(
            "rooms",
            "Enter your rooms",
            "The forecast reads off a room's temperature how fast bags run and fruit, so it needs the dark room and "
            "the fruiting room.",
            _has_room(Room.Kind.INCUBATION) and _has_room(Room.Kind.FRUITING),
            "rooms",
        ),
        Step(
            "delivery_days",
            "Look at your delivery days",
            _next_delivery(whose, now=now),
            _days_looked_at(),
            "farm",
        ),
        Step(
            "grounds",
            "Log the grounds you collected",
            "Every bag can be traced back to the café its grounds came from, so the café and the collection are "
            "written down before the bags are.",
            Intake.objects.filter(accepted=True).exists(),
            "intakes",
        ),
        Step(
            "spawn",
            "Log the spawn you received",
            "The supplier's lot of the spawn is what a recall asks for first.",
            SpawnDelivery.objects.exists(),
            "spawn",
            needs=("strain",),
        ),
        Step(
            "batch",
            "Enter your first batch",
            f"{_first_picking(today)} Bags that hang already are entered with the days on which things really "
            "happened: collected, received, mixed, fully run, opened, picked, in that order.",
            Batch.objects.exists(),
            "batches",
            needs=("rooms", "grounds", "spawn"),
        ),
        Step(
            "kitchen",
            "Enter a kitchen with its address",
            "Who buys, where the round stops, and how fresh it must be.",
            Kitchen.objects.filter(Exists(Address.objects.filter(kitchen=OuterRef("pk"))), active=True).exists(),
            "kitchens",
        ),
        Step(
            "order",
            "Take an order",
            "A standing order for what a kitchen usually takes, or a single order; each is told at once how much can "
            "be counted on.",
            StandingOrder.objects.exists() or Line.objects.exists(),
            "orders",
            needs=("products", "delivery_days", "kitchen"),
        ),
        Step(
            "forecast",
            "See what comes",
            "A change is forecast within seconds while the worker runs, and every night from "
            f"{whose.night_at:%H:%M}: standing orders are rolled on then, and what comes is shared out.",
            Forecast.objects.exclude(outlooks={}).exists(),
            "coming",
            needs=("batch",),
        ),
    )


def all_done(steps: tuple[Step, ...]) -> bool:
    return all(step.done for step in steps)


def next_step(steps: tuple[Step, ...]) -> Step | None:
    """The first one not done whose needs are met; None once all is done."""
    done = {step.key for step in steps if step.done}
    return next((step for step in steps if not step.done and done.issuperset(step.needs)), None)


def _kept() -> bool:
    """Every grade of every strain has its days: a harvest of a grade without them could not be stored."""
    strains = list(Strain.objects.values_list("pk", "growth"))
    kept = set(Keeping.objects.values_list("strain_id", "grade"))
    return bool(strains) and all(
        (strain, grade) in kept
        for strain, growth in strains
        for grade, _ in StrainProfile.from_data(growth).grades
        if grade != KIT
    )


def _has_room(kind: Room.Kind) -> bool:
    return Room.objects.filter(kind=kind).exists()


def _days_looked_at() -> bool:
    """Somebody changed or confirmed them, or what hangs on them has begun."""
    if Event.objects.filter(kind="delivery_days_looked_at").exists() or Line.objects.exists():
        return True
    changed = Event.objects.filter(kind="farm_changed").values_list("data", flat=True)
    return any(name in DAYS_LOOKED_AT for data in changed.iterator(chunk_size=100) for name in data.get("changed", ()))


def _next_delivery(whose: Farm, *, now: datetime) -> str:
    days = calendar(whose)
    day = days.next_open_day(now)
    if day is None:
        return "No day in the next two years can be delivered on: choose weekdays that you drive."
    until = days.cut_off_at(day).astimezone(zone_of(whose.zone))
    return (
        f"As it stands, the next delivery is on {in_words(day)} and can be ordered until {in_words(until.date())} at "
        f"{until:%H:%M}."
    )


def _first_picking(today: date) -> str:
    """When bags mixed today would be picked, by the profile of the strain entered first."""
    strain = Strain.objects.order_by("pk").first()
    if strain is None:
        return "Bags mixed today give their first mushrooms in five weeks or so."
    profile = StrainProfile.from_data(strain.growth)
    wait = sum(stage.mean_days for stage in (profile.colonising, profile.pinning, profile.growing))
    return (
        f"Bags of {strain.name} mixed today give their first mushrooms around "
        f"{in_words(today + timedelta(days=round(wait)))}."
    )
