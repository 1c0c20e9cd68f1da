"""A standing order paused from a day to a day, and delivered after all on one of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.contrib import messages
from django.http import HttpResponseRedirect
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from fulfilment.read import kitchen_page, links
from fulfilment.services import standing
from fulfilment.web.ground.doors import anybody, today_of
from fulfilment.web.ground.forms import attempt
from fulfilment.web.ground.words import long_day
from fulfilment.web.kitchen.asking import PauseForm, ResumeForm
from fulfilment.web.kitchen.overview import shown

if TYPE_CHECKING:
    from datetime import datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern


@require_POST
@anybody
def pause(request: HttpRequest, token: str, code: str, *, now: datetime) -> HttpResponse:
    whose = links.kitchen(token, now=now)
    usual = kitchen_page.usual(whose, code, today=today_of(now)).code
    form, by = PauseForm(request.POST), f"kitchen:{whose.public_id}"

    def act() -> str:
        standing.pause(usual, first=form.cleaned_data["first"], last=form.cleaned_data["last"], by=by, now=now)
        return reverse("kitchen-page", args=[token])

    address = attempt(request, form, act, by=by, now=now)
    if address is None:
        return shown(request, token, whose, now=now, refused=form, about=usual)
    first, last = form.cleaned_data["first"], form.cleaned_data["last"]
    messages.success(request, f"Paused from {long_day(first)} to {long_day(last)}. Nothing of your usual comes then.")
    return HttpResponseRedirect(address, status=303)


@require_POST
@anybody
def resume(request: HttpRequest, token: str, code: str, *, now: datetime) -> HttpResponse:
    whose = links.kitchen(token, now=now)
    usual = kitchen_page.usual(whose, code, today=today_of(now)).code
    form, by = ResumeForm(request.POST), f"kitchen:{whose.public_id}"

    def act() -> str:
        standing.as_usual(usual, on=form.cleaned_data["on"], by=by, now=now)
        return reverse("kitchen-page", args=[token])

    address = attempt(request, form, act, by=by, now=now)
    if address is None:
        return shown(request, token, whose, now=now, refused=form, about=usual)
    messages.success(request, f"Your usual comes on {long_day(form.cleaned_data['on'])}.")
    return HttpResponseRedirect(address, status=303)


PAGES: list[URLPattern] = [
    path("k/<str:token>/usual/<str:code>/pause/", pause, name="kitchen-pause"),
    path("k/<str:token>/usual/<str:code>/resume/", resume, name="kitchen-resume"),
]
