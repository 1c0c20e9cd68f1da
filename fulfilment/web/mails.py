"""Stands in."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from django.urls import path

from fulfilment.read.scope import Actor
from fulfilment.web.ground.doors import staff
from fulfilment.web.ground.showing import show

if TYPE_CHECKING:
    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern


@staff()
def page(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    return show(request, actor, "pages/base.html", here="mails")


PAGES: list[URLPattern] = [path("mails/", page, name="mails")]
