"""The kitchen's page itself: what comes in the next weeks, what to answer, the usual, crates, papers."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import urlencode

from django.urls import path, reverse

from fulfilment.read import doubts, kitchen_page, kitchens, links, shortages
from fulfilment.web.ground.doors import anybody, today_of
from fulfilment.web.ground.showing import show
from fulfilment.web.kitchen.asking import AnswerForm, PauseForm, ResumeForm

if TYPE_CHECKING:
    from datetime import datetime
    from typing import Any

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.doubts import Seen
    from fulfilment.web.ground.forms import PageForm


@anybody
def page(request: HttpRequest, token: str, *, now: datetime) -> HttpResponse:
    whose = links.kitchen(token, now=now)
    return shown(request, token, whose, now=now)


def shown(
    request: HttpRequest, token: str, whose: Any, *, now: datetime, refused: PageForm | None = None, about: str = ""
) -> HttpResponse:
    """The page; ``refused`` is a form that was not accepted, with what it was about."""
    found = kitchen_page.page(whose, now=now)
    usuals = [
        (
            usual,
            refused if about == usual.code and isinstance(refused, PauseForm) else PauseForm(),
            refused if about == usual.code and isinstance(refused, ResumeForm) else ResumeForm(),
        )
        for usual in found.usuals
    ]
    offers = [
        (offer, refused if refused is not None and about == offer.offer else AnswerForm(offer))
        for offer in shortages.open_offers(whose.pk, now=now)
    ]
    return show(
        request, None, "pages/kitchen/page.html", status=422 if refused is not None else 200,
        kitchen=whose.name, token=token, found=found, usuals=usuals, offers=offers, today=today_of(now),
        doubts=[(each, _ways(each, token)) for each in doubts.of_kitchen(whose.pk, now=now)],
        contact=kitchens.contact(), add=reverse("kitchen-add", args=[token]),
    )  # fmt: skip


def _ways(doubt: Seen, token: str) -> list[tuple[str, str]]:
    """What the kitchen can choose, each with the page on which it is done."""
    add, day = reverse("kitchen-add", args=[token]), reverse("kitchen-day", args=[token, doubt.on])
    return [
        (
            choice.says,
            day
            if choice.choice == "take_less"
            else f"{add}?{urlencode({'ask': 1, 'on': choice.on.isoformat(), choice.product: choice.amount})}",
        )
        for choice in doubt.choices
    ]


PAGES: list[URLPattern] = [
    path("k/<str:token>/", page, name="kitchen-page"),
    # As the mails have it.
    path("k/<str:token>", page),
]
