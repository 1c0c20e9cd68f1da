"""A kitchen answers that less comes than was promised: take it, take something else, another day, or none."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from django.contrib import messages
from django.http import HttpResponseRedirect
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from fulfilment.core.problems import Missing
from fulfilment.read import links, shortages
from fulfilment.services import shortages as answering
from fulfilment.web.ground.doors import anybody
from fulfilment.web.ground.forms import attempt
from fulfilment.web.kitchen.asking import WAYS, AnswerForm
from fulfilment.web.kitchen.overview import shown

if TYPE_CHECKING:
    from datetime import datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern


@require_POST
@anybody
def answer(request: HttpRequest, token: str, offer: str, *, now: datetime) -> HttpResponse:
    whose = links.kitchen(token, now=now)
    home = reverse("kitchen-page", args=[token])
    found = next((each for each in shortages.open_offers(whose.pk, now=now) if each.offer == offer), None)
    if found is None:
        return _over(request, whose.public_id, offer, now=now, home=home)
    form = AnswerForm(found, request.POST)

    def act() -> str:
        choice, on, product = form.cleaned_data["choice"].split("/")
        answering.answer(
            offer, choice=choice, kitchen=whose.public_id, on=date.fromisoformat(on), product=product,
            by=f"kitchen:{whose.public_id}", now=now,
        )  # fmt: skip
        return home

    address = attempt(request, form, act, by=f"kitchen:{whose.public_id}", now=now)
    if address is None:
        return shown(request, token, whose, now=now, refused=form, about=offer)
    messages.success(request, "Thank you, that is how it will be.")
    return HttpResponseRedirect(address, status=303)


def _over(request: HttpRequest, kitchen: str, offer: str, *, now: datetime, home: str) -> HttpResponse:
    """An offer that is not open any more: the same answer again is no news, another one hears why."""
    choice = request.POST.get("choice", "").split("/")[0]
    if choice not in WAYS:
        raise Missing("This was answered or is over: look at your page as it is now.")
    answering.answer(offer, choice=choice, kitchen=kitchen, by=f"kitchen:{kitchen}", now=now)
    messages.success(request, "Thank you, we had your answer already.")
    return HttpResponseRedirect(home, status=303)


PAGES: list[URLPattern] = [path("k/<str:token>/shortages/<str:offer>/", answer, name="kitchen-answer")]
