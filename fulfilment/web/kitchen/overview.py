"""The kitchen's page itself: what comes in the next weeks, what to answer, the usual, crates, papers."""

from __future__ import annotations

from typing import TYPE_CHECKING

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

    from fulfilment.read.ways import Told
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

    def with_form(told: Told) -> tuple[Told, PageForm | None]:
        if refused is not None and about == told.code:
            return told, refused
        return told, AnswerForm(told) if told.ways else None

    return show(
        request, None, "pages/kitchen/page.html", status=422 if refused is not None else 200,
        kitchen=whose.name, token=token, found=found, usuals=usuals, today=today_of(now),
        offers=[with_form(each) for each in shortages.open_offers(whose.pk, now=now)],
        doubts=[with_form(each) for each in doubts.of_kitchen(whose.pk, now=now)],
        contact=kitchens.contact(), add=reverse("kitchen-add", args=[token]),
    )  # fmt: skip


PAGES: list[URLPattern] = [
    path("k/<str:token>/", page, name="kitchen-page"),
    # As the mails have it.
    path("k/<str:token>", page),
]
