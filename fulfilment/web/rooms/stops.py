"""Holds: placing one with a reason; what is in force and what it reaches; releasing, destroying."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from django import forms
from django.contrib import messages
from django.http import HttpResponseRedirect
from django.urls import path, reverse

from fulfilment.core.problems import Forbidden, Missing
from fulfilment.read.rooms import stops
from fulfilment.services import holds
from fulfilment.web.ground.doors import GROWING, staff, today_of
from fulfilment.web.ground.forms import PageForm, Reason, attempt
from fulfilment.web.ground.showing import show

if TYPE_CHECKING:
    from datetime import datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.scope import Actor

WORDS: Final = {"release": "Released: it can be used again.", "destroy": "Destroyed and written off."}


class HoldForm(PageForm):
    places = {"subject": "code"}
    kind = forms.ChoiceField(label="What", choices=[(kind, noun.capitalize()) for kind, noun in stops.NOUNS.items()])
    code = forms.CharField(label="Code", max_length=20, help_text="From the label, such as K7Q2-M4XJ.")
    reason = Reason(label="Why", help_text="A sour smell, green patches, a donor’s warning …")


class ReleaseForm(PageForm):
    pass


class DestroyForm(PageForm):
    sure = forms.BooleanField(
        label="I have read what goes, and it is to go",
        error_messages={"required": "Tick this if it is to go for good."},
    )


@staff()
def page(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    return show(
        request, actor, "pages/rooms/holds.html", here="holds", in_force=stops.in_force(actor), past=stops.past(actor)
    )


@staff()
def place(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """Stop something and all that was made of it."""
    kind, code = request.GET.get("kind", ""), request.GET.get("code", "")
    form, status = HoldForm(request.POST or None, initial={"kind": kind or "lot", "code": code}), 200
    if request.method == "POST":

        def hold() -> str:
            asked = form.cleaned_data
            placed = holds.hold(asked["kind"], asked["code"], reason=asked["reason"], by=actor.name, now=now)
            return reverse("hold-end", args=[placed.public_id])

        done = attempt(request, form, hold, by=actor.name, now=now)
        if done is not None:
            messages.success(request, "Stopped. The orders it touches are planned anew.")
            return HttpResponseRedirect(done, status=303)
        kind, code, status = form.data.get("kind", ""), form.data.get("code", ""), 422
    try:
        subject = stops.subject(kind, code, actor) if code else None
    except Missing:
        subject = None
    return show(request, actor, "pages/rooms/hold.html", here="holds", status=status, form=form, subject=subject)


@staff()
def end(request: HttpRequest, actor: Actor, *, code: str, now: datetime, what: str = "") -> HttpResponse:
    """One hold and what it reaches; ``what`` is release or destroy."""
    release = ReleaseForm(request.POST if what == "release" else None, auto_id="release_%s")
    destroy = DestroyForm(request.POST if what == "destroy" else None, auto_id="destroy_%s")
    status = 200
    if request.method == "POST" and what:
        if not actor.may(GROWING):
            raise Forbidden("Ending a hold needs the role grower or office.")
        form = release if what == "release" else destroy

        def act() -> str:
            if what == "release":
                holds.release(code, by=actor.name, now=now)
            else:
                holds.destroy(code, by=actor.name, now=now, today=today_of(now))
            return reverse("holds")

        done = attempt(request, form, act, by=actor.name, now=now)
        if done is not None:
            messages.success(request, WORDS[what])
            return HttpResponseRedirect(done, status=303)
        status = 422
    stop, reach = stops.one(code, actor)
    return show(
        request, actor, "pages/rooms/hold_end.html", here="holds", status=status, stop=stop, reach=reach,
        release=release, destroy=destroy,
    )  # fmt: skip


PAGES: list[URLPattern] = [
    path("holds/", page, name="holds"),
    path("hold/", place, name="hold"),
    path("holds/<str:code>/", end, name="hold-end"),
    path("holds/<str:code>/release/", end, {"what": "release"}, name="hold-release"),
    path("holds/<str:code>/destroy/", end, {"what": "destroy"}, name="hold-destroy"),
]
