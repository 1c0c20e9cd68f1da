"""Today: what is to be done, what is at risk, what changed; on a new farm, what to do first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from django.shortcuts import redirect
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from fulfilment.read import first_steps
from fulfilment.read import today as mornings
from fulfilment.read.farm import farm_if_any
from fulfilment.services import first_steps as steps_taken
from fulfilment.web.ground.doors import OFFICE, staff, today_of
from fulfilment.web.ground.showing import show

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.scope import Actor

PLACES: Final[Mapping[str, tuple[str, str]]] = {
    "strains": ("admin:fulfilment_strain_add", "admin:fulfilment_strain_changelist"),
    "keeping": ("admin:fulfilment_keeping_add", "admin:fulfilment_keeping_changelist"),
    "products": ("admin:fulfilment_product_add", "admin:fulfilment_product_changelist"),
    "rooms": ("admin:fulfilment_room_add", "admin:fulfilment_room_changelist"),
    "farm": ("admin:fulfilment_farm_changelist", "admin:fulfilment_farm_changelist"),
    "intakes": ("intake-new", "sources"),
    "spawn": ("spawn-new", "sources"),
    "batches": ("batch-new", "batch-new"),
    "kitchens": ("admin:fulfilment_kitchen_add", "admin:fulfilment_kitchen_changelist"),
    "orders": ("order-new", "orders"),
    "coming": ("coming", "coming"),
}
"""Where a first step is done, and where what it made is looked at and added to."""


@staff()
def page(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """The morning's page; the office of a farm where nothing can be sold yet is shown the first steps instead."""
    if farm_if_any() is None:
        return show(request, actor, "pages/today/no_farm.html", here="today")
    today = today_of(now)
    steps = first_steps.first_steps(today=today, now=now)
    if not first_steps.all_done(steps) and actor.may(OFFICE) and "morning" not in request.GET:
        return redirect("first-steps")
    morning = mornings.morning(today=today, now=now)
    return show(request, actor, "pages/today/today.html", here="today", morning=morning, today=today)


@staff(OFFICE)
def begin(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """What a new farm does first, in order."""
    steps = first_steps.first_steps(today=today_of(now), now=now)
    done = {step.key for step in steps if step.done}
    shown = [(step, _place(step), done.issuperset(step.needs)) for step in steps]
    return show(
        request, actor, "pages/today/first_steps.html", here="today", steps=shown,
        next_step=first_steps.next_step(steps), done=len(done), all_done=first_steps.all_done(steps),
    )  # fmt: skip


def _place(step: first_steps.Step) -> str:
    """The form itself while the step is to be done, with the way back; afterwards the list."""
    form, rows = PLACES[step.page]
    return reverse(rows) if step.done else f"{reverse(form)}?then=first-steps"


@require_POST
@staff(OFFICE)
def days_looked_at(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """The delivery days are right as they stand."""
    steps_taken.confirm_delivery_days(by=actor.name, now=now)
    return redirect("first-steps")


PAGES: list[URLPattern] = [
    path("", page, name="today"),
    path("first-steps/", begin, name="first-steps"),
    path("first-steps/delivery-days/", days_looked_at, name="days-looked-at"),
]
