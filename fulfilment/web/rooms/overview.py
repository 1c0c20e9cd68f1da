"""All rooms on one page; one room with its readings; crops that are over."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django import forms
from django.contrib import messages
from django.http import HttpResponseRedirect
from django.urls import path, reverse
from django.utils import timezone

from fulfilment.read.rooms import history, overview
from fulfilment.services import growing
from fulfilment.web.ground.doors import GROWING, staff, today_of
from fulfilment.web.ground.forms import Celsius, PageForm, attempt
from fulfilment.web.ground.showing import show

if TYPE_CHECKING:
    from datetime import datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.scope import Actor


class ReadingForm(PageForm):
    celsius = Celsius(label="Temperature in °C", help_text="As the thermometer shows it, such as 16.5.")
    at = forms.DateTimeField(
        label="Read at",
        required=False,
        help_text="By the farm’s clock. Leave it empty if you read it just now.",
        widget=forms.DateTimeInput(format="%Y-%m-%dT%H:%M", attrs={"type": "datetime-local"}),
        error_messages={"invalid": "This is no day and time: write it as 2026-05-04 07:30."},
    )


@staff(GROWING)
def page(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """Every room, what is due today first."""
    room = request.GET.get("room", "")
    found = overview.overview(today=today_of(now), now=now, room=room)
    return show(request, actor, "pages/rooms/overview.html", here="rooms", overview=found, room=room)


@staff(GROWING)
def finished(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """Crops that are over, with what they gave."""
    return show(request, actor, "pages/rooms/finished.html", here="rooms", crops=overview.finished())


@staff(GROWING)
def one(request: HttpRequest, actor: Actor, *, code: str, now: datetime) -> HttpResponse:
    """One room: its readings, and logging one."""
    form, status = ReadingForm(request.POST or None), 200
    if request.method == "POST":
        room = history.room_story(code, actor, today=today_of(now), now=now)

        def log() -> str:
            growing.log_reading(
                room.code,
                celsius=form.cleaned_data["celsius"],
                at=form.cleaned_data["at"] or now,
                by=actor.name,
                now=now,
            )
            return reverse("room", args=[room.code])

        done = attempt(request, form, log, by=actor.name, now=now)
        if done is not None:
            messages.success(request, f"{room.name}: {form.cleaned_data['celsius']:g} °C is logged.")
            return HttpResponseRedirect(done, status=303)
        status = 422
    room = history.room_story(code, actor, today=today_of(now), now=now)
    return show(
        request, actor, "pages/rooms/room.html", here="rooms", status=status, room=room, form=form,
        clock=timezone.localtime(now),
    )  # fmt: skip


PAGES: list[URLPattern] = [
    path("rooms/", page, name="rooms"),
    path("rooms/finished/", finished, name="finished-crops"),
    path("rooms/<str:code>/", one, name="room"),
]
