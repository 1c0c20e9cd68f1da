"""A kitchen answers what it was told of a line: that it is less sure, or that less of it comes.

On its page it chooses among the ways; each link of the mail leads to a page with the one button that does it.  Opening
that changes nothing, since mail scanners open links.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Final

from django.contrib import messages
from django.http import HttpResponseRedirect
from django.urls import path, reverse
from django.views.decorators.http import require_http_methods, require_POST

from fulfilment.core import codes
from fulfilment.core.problems import Conflict, Missing, Problem
from fulfilment.read import doubts, kitchens, links, shortages
from fulfilment.read.ways import NAMES
from fulfilment.services import answers
from fulfilment.services import doubts as doubting
from fulfilment.services import shortages as offering
from fulfilment.web.ground.doors import anybody
from fulfilment.web.ground.forms import attempt
from fulfilment.web.ground.showing import show
from fulfilment.web.kitchen.asking import AnswerForm
from fulfilment.web.kitchen.overview import shown

if TYPE_CHECKING:
    from datetime import datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.ways import Told, Way


@dataclass(frozen=True, slots=True)
class Kind:
    """One thing that kitchens are told and answer; ``press`` is the name of its one-button pages."""

    press: str
    open_ones: Callable[..., Collection[Told]]
    look: Callable[..., tuple[Told, Way]]
    answer: Callable[..., Any]


SHORTAGE: Final = Kind("kitchen-press-shortage", shortages.open_offers, offering.look, offering.answer)
DOUBT: Final = Kind("kitchen-press-doubt", doubts.of_kitchen, doubting.look, doubting.answer)


@require_POST
@anybody
def answer(request: HttpRequest, token: str, told: str, *, kind: Kind, now: datetime) -> HttpResponse:
    """One of the ways, chosen on the kitchen's page."""
    whose = links.kitchen(token, now=now)
    seen = _seen(kind, whose, told, now=now)
    if seen is None:
        return _over(request, token, whose, told, request.POST.get("choice", "").split("/")[0], kind=kind, now=now)

    def again(form: AnswerForm) -> HttpResponse:
        return shown(request, token, whose, now=now, refused=form, about=seen.code)

    return _done(request, token, whose, seen, again, kind=kind, now=now)


@require_http_methods(["GET", "HEAD", "POST"])
@anybody
def press(request: HttpRequest, token: str, told: str, choice: str, *, kind: Kind, now: datetime) -> HttpResponse:
    """The one way that a mail's link names, and its button."""
    whose = links.kitchen(token, now=now)
    if choice not in NAMES:
        raise Missing("There is no such choice: open the link from the mail, or copy it whole.")
    seen = _seen(kind, whose, told, now=now)
    if request.method == "POST":
        if seen is None:
            return _over(request, token, whose, told, choice, kind=kind, now=now)

        def again(form: AnswerForm) -> HttpResponse:
            return _pressed(request, token, whose, told, choice, form, kind=kind, now=now)

        return _done(request, token, whose, seen, again, kind=kind, now=now)
    return _pressed(request, token, whose, told, choice, None, kind=kind, now=now)


def _pressed(
    request: HttpRequest, token: str, whose: Any, told: str, choice: str, form: AnswerForm | None, *, kind: Kind,
    now: datetime,
) -> HttpResponse:  # fmt: skip
    """The page with one button; without it, and why, where that cannot be had."""
    problem, way, seen = None, None, _seen(kind, whose, told, now=now)
    try:
        seen, way = kind.look(told, choice=choice, kitchen=whose.public_id, now=now)
    except Conflict as found:
        problem = found
    others = [
        (NAMES[each.choice], each.says, reverse(kind.press, args=[token, told, each.choice]))
        for each in (seen.ways if seen is not None else ())
        if each.choice != choice
    ]
    status = 409 if problem is not None else 422 if form is not None else 200
    return show(
        request, None, "pages/kitchen/press.html", status=status, kitchen=whose.name, token=token, seen=seen, way=way,
        does=NAMES[choice], value=AnswerForm.value(way) if way is not None else "", others=others, problem=problem,
        form=form or (AnswerForm(seen) if seen is not None else None), contact=kitchens.contact(),
    )  # fmt: skip


def _seen(kind: Kind, whose: Any, told: str, *, now: datetime) -> Told | None:
    """What the kitchen was told, if it can still choose."""
    code = codes.tidy(told)
    return next((each for each in kind.open_ones(whose.pk, now=now) if each.code == code and each.ways), None)


def _done(
    request: HttpRequest, token: str, whose: Any, seen: Told, again: Callable[[AnswerForm], HttpResponse], *,
    kind: Kind, now: datetime,
) -> HttpResponse:  # fmt: skip
    form, home = AnswerForm(seen, request.POST), reverse("kitchen-page", args=[token])

    def act() -> str:
        choice, on, product, amount = form.cleaned_data["choice"].split("/")
        kind.answer(
            seen.code, choice=choice, kitchen=whose.public_id, on=date.fromisoformat(on), product=product,
            amount=int(amount), by=f"kitchen:{whose.public_id}", now=now,
        )  # fmt: skip
        return home

    address = attempt(request, form, act, by=f"kitchen:{whose.public_id}", now=now)
    if address is None:
        return again(form)
    way = seen.way(form.cleaned_data["choice"].split("/")[0])
    messages.success(request, f"Thank you, that is how it will be. {way.says if way is not None else ''}".strip())
    return HttpResponseRedirect(address, status=303)


def _over(
    request: HttpRequest, token: str, whose: Any, told: str, choice: str, *, kind: Kind, now: datetime
) -> HttpResponse:
    """What is not open any more: the same answer again is no news, another one hears why."""
    if choice not in NAMES:
        raise Missing("This was answered or is over: look at your page as it is now.")
    try:
        row = kind.answer(told, choice=choice, kitchen=whose.public_id, by=f"kitchen:{whose.public_id}", now=now)
    except Missing:
        raise
    except Problem:
        return _pressed(request, token, whose, told, choice, None, kind=kind, now=now)
    messages.success(request, f"Thank you, we had your answer already: {answers.IN_WORDS[row.answer]}.")
    return HttpResponseRedirect(reverse("kitchen-page", args=[token]), status=303)


PAGES: list[URLPattern] = [
    path("k/<str:token>/shortages/<str:told>/", answer, {"kind": SHORTAGE}, name="kitchen-answer-shortage"),
    path("k/<str:token>/shortages/<str:told>/<str:choice>/", press, {"kind": SHORTAGE}, name=SHORTAGE.press),
    path("k/<str:token>/doubts/<str:told>/", answer, {"kind": DOUBT}, name="kitchen-answer-doubt"),
    path("k/<str:token>/doubts/<str:told>/<str:choice>/", press, {"kind": DOUBT}, name=DOUBT.press),
]
