"""Where the office finds a kitchen's link, and ends all links that were sent."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.contrib import messages
from django.http import HttpResponseRedirect
from django.urls import path, reverse

from fulfilment.read import kitchens
from fulfilment.services import customers
from fulfilment.web.ground.doors import OFFICE, staff
from fulfilment.web.ground.forms import PageForm, attempt
from fulfilment.web.ground.showing import show

if TYPE_CHECKING:
    from datetime import datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.scope import Actor


@staff(OFFICE)
def page(request: HttpRequest, actor: Actor, code: str, *, now: datetime) -> HttpResponse:
    whose = kitchens.link(code, now=now)
    form = PageForm(request.POST or None)
    if request.method == "POST":

        def act() -> str:
            customers.revoke_links(whose.code, by=actor.name, now=now)
            return reverse("kitchen-links", args=[whose.code])

        address = attempt(request, form, act, by=actor.name, now=now)
        if address is not None:
            messages.success(request, "All links sent to this kitchen so far are ended. Its next mail has a new one.")
            return HttpResponseRedirect(address, status=303)
    return show(
        request, actor, "pages/kitchen/links.html", here="orders", status=422 if form.errors else 200,
        whose=whose, form=form,
    )  # fmt: skip


PAGES: list[URLPattern] = [path("kitchens/<str:code>/links/", page, name="kitchen-links")]
