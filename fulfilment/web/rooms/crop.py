"""One crop: where it stands, what was logged, and logging what is seen or taken off."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from django import forms
from django.contrib import messages
from django.http import HttpResponseRedirect
from django.urls import path, reverse

from fulfilment.core.growth import FLUSHES
from fulfilment.read.rooms import history
from fulfilment.services import growing
from fulfilment.web.ground.doors import GROWING, staff, today_of
from fulfilment.web.ground.forms import Day, Grams, PageForm, attempt
from fulfilment.web.ground.showing import show
from fulfilment.web.rooms import seeing

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from django.forms import BoundField
    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.core.problems import Problem
    from fulfilment.read.rooms.history import CropStory
    from fulfilment.read.scope import Actor
    from fulfilment.services.growing import Weighed

_PLACE = re.compile(r"grades\.(\d+)\.(\w+)")


class HarvestForm(PageForm):
    """One weight, or two, for each grade."""

    harvested_on = Day(label="Day of harvest")
    flush = forms.TypedChoiceField(label="Flush", required=False, coerce=int, empty_value=None)
    flush_ended = forms.BooleanField(
        label="Nothing is left: the flush has ended", required=False, help_text="The bags rest from this day on."
    )

    def __init__(self, *args: Any, crop: CropStory, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.grades = crop.grades
        self.filled: list[int] = []
        """The places of the grades that a weight was given for, in the order in which the service gets them."""
        for place, grade in enumerate(crop.grades):
            self.fields[f"weighed_{place}"] = Grams(label=f"Grade {grade}: weighed", required=False)
            self.fields[f"trimmed_{place}"] = Grams(label=f"Grade {grade}: trimmed", required=False)
        asks = "say which" if crop.stage == "resting" else f"the one under way, flush {crop.flush}"
        latest = min(FLUSHES, crop.flush + 1 if crop.stage == "resting" else crop.flush)
        flush = self.fields["flush"]
        assert isinstance(flush, forms.TypedChoiceField)
        flush.choices = [("", asks), *((number, f"flush {number}") for number in range(1, latest + 1))]

    @property
    def rows(self) -> Iterator[tuple[str, BoundField, BoundField]]:
        """(grade, weighed, trimmed) in order."""
        for place, grade in enumerate(self.grades):
            yield grade, self[f"weighed_{place}"], self[f"trimmed_{place}"]

    def clean(self) -> dict[str, Any]:
        asked = super().clean() or self.cleaned_data
        for place in range(len(self.grades)):
            if asked.get(f"weighed_{place}") is None and asked.get(f"trimmed_{place}") is not None:
                self.add_error(f"weighed_{place}", "Give the weight before trimming too.")
        return asked

    def weights(self) -> list[Weighed]:
        """What a valid form says of each grade that was weighed."""
        found: list[Weighed] = []
        self.filled = []
        for place, grade in enumerate(self.grades):
            weighed = self.cleaned_data[f"weighed_{place}"]
            if weighed is not None:
                found.append({"grade": grade, "weighed_g": weighed, "trimmed_g": self.cleaned_data[f"trimmed_{place}"]})
                self.filled.append(place)
        return found

    def refuse(self, problem: Problem) -> None:
        at = _PLACE.fullmatch(problem.where)
        if at is not None:
            kind = "trimmed" if at[2] == "trimmed_g" else "weighed"
            problem.where = f"{kind}_{self.filled[int(at[1])]}"
        super().refuse(problem)


@staff(GROWING)
def page(request: HttpRequest, actor: Actor, *, code: str, now: datetime) -> HttpResponse:
    crop = history.crop_story(code, actor, today=today_of(now))
    return show(
        request, actor, "pages/rooms/crop.html", here="rooms", crop=crop, sights=seeing.sights_of_crop(crop.stage)
    )


@staff(GROWING)
def see(request: HttpRequest, actor: Actor, *, code: str, kind: str, now: datetime) -> HttpResponse:
    """Something seen or done on a crop."""
    today = today_of(now)
    sight = seeing.sight_of(kind, on_batch=False)
    crop = history.crop_story(code, actor, today=today)
    form, status = seeing.SeenForm(request.POST or None, kind=kind, initial={"seen_on": today}), 200
    if request.method == "POST":

        def log() -> str:
            seeing.log(form, kind=kind, crop=crop.code, by=actor.name, now=now, today=today)
            return back(request, crop.code)

        done = attempt(request, form, log, by=actor.name, now=now)
        if done is not None:
            messages.success(request, f"{sight.word}: logged on crop {crop.code}.")
            return HttpResponseRedirect(done, status=303)
        status = 422
    return show(
        request, actor, "pages/rooms/see.html", here="rooms", status=status, form=form, sight=sight, thing=crop,
        page="crop",
    )  # fmt: skip


@staff(GROWING)
def harvest(request: HttpRequest, actor: Actor, *, code: str, now: datetime) -> HttpResponse:
    """What was taken off a crop."""
    today = today_of(now)
    crop = history.crop_story(code, actor, today=today)
    form, status = HarvestForm(request.POST or None, crop=crop, initial={"harvested_on": today}), 200
    if request.method == "POST":

        def log() -> str:
            asked = form.cleaned_data
            growing.log_harvest(
                crop.code,
                harvested_on=asked["harvested_on"],
                grades=form.weights(),
                flush=asked["flush"],
                flush_ended=asked["flush_ended"],
                confirmed=form.yes,
                by=actor.name,
                now=now,
                today=today,
            )
            return back(request, crop.code)

        done = attempt(request, form, log, by=actor.name, now=now)
        if done is not None:
            messages.success(request, f"The harvest of crop {crop.code} is logged and in store.")
            return HttpResponseRedirect(done, status=303)
        status = 422
    return show(request, actor, "pages/rooms/harvest.html", here="rooms", status=status, form=form, crop=crop)


def back(request: HttpRequest, code: str) -> str:
    """Where somebody came from: the overview, or the crop."""
    return f"{reverse('rooms')}#{code}" if request.GET.get("from") == "rooms" else reverse("crop", args=[code])


PAGES: list[URLPattern] = [
    path("crops/<str:code>/", page, name="crop"),
    path("crops/<str:code>/harvest/", harvest, name="harvest"),
    path("crops/<str:code>/log/<str:kind>/", see, name="crop-log"),
]
