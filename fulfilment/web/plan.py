"""The plan: what becomes of the bags, who gets less than ordered and why, how much moved."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.urls import path

from fulfilment.read import planned
from fulfilment.web.ground.doors import staff, today_of
from fulfilment.web.ground.showing import show

if TYPE_CHECKING:
    from datetime import datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.scope import Actor


@staff()
def page(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """Everybody who works here reads it; it changes nothing."""
    found = planned.planned(today=today_of(now))
    return show(request, actor, "pages/plan.html", here="coming", planned=found)


PAGES: list[URLPattern] = [path("plan/", page, name="plan")]
