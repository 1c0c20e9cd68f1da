"""The lists of today, those still open and the next; what is out; crates that come back at the gate."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any, ClassVar

from django import forms
from django.contrib import messages
from django.shortcuts import redirect
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from fulfilment.core.calendar import in_words
from fulfilment.read.packing import overview as reading
from fulfilment.services import packing
from fulfilment.web.ground.doors import PACKING, staff, today_of
from fulfilment.web.ground.forms import Day, PageForm, attempt
from fulfilment.web.ground.showing import show

if TYPE_CHECKING:
    from collections.abc import Mapping

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.scope import Actor


class MakeListsForm(PageForm):
    """A day whose lists are to be made."""

    day = Day(widget=forms.HiddenInput(attrs={"id": ""}))


class CratesForm(PageForm):
    """Empty crates that somebody brought back."""

    places: ClassVar[Mapping[str, str]] = {"back": "back", "kitchen": "kitchen"}

    kitchen = forms.ChoiceField(error_messages={"invalid_choice": "Choose one of the kitchens."})
    back = forms.IntegerField(
        label="Crates back", min_value=1, widget=forms.NumberInput(attrs={"inputmode": "numeric"})
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        out = {each.kitchen: each.crates for each in reading.crates_out()}
        self.fields["kitchen"].choices = [  # type: ignore[attr-defined]  # a ChoiceField
            ("", "Choose a kitchen"),
            *((key, f"{name} (has {out[key]})" if key in out else name) for key, name in reading.kitchens()),
        ]


@staff(PACKING)
def page(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """All that there is to pack."""
    return _shown(request, actor, now=now)


@require_POST
@staff(PACKING)
def make_lists(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """The lists of a day that is past its cut-off and has none."""
    form = MakeListsForm(request.POST)

    def action() -> str:
        packing.make_pick_lists(form.cleaned_data["day"], by=actor.name, now=now)
        return reverse("packing")

    to = attempt(request, form, action, by=actor.name, now=now)
    if to is None:
        return _shown(request, actor, now=now, refused=form)
    messages.success(request, f"The lists of {in_words(form.cleaned_data['day'])} are made.")
    return redirect(to)


@staff(PACKING)
def crates(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """Crates back at the gate."""
    if request.method != "POST":
        form = CratesForm(initial={"kitchen": request.GET.get("kitchen", "")})
        return show(request, actor, "pages/packing/crates.html", here="packing", form=form, out=reading.crates_out())
    form = CratesForm(request.POST)

    def action() -> str:
        given = form.cleaned_data
        packing.take_crates(given["kitchen"], back=given["back"], confirmed=form.yes, by=actor.name, now=now)
        return reverse("packing-crates")

    to = attempt(request, form, action, by=actor.name, now=now)
    if to is None:
        return show(
            request, actor, "pages/packing/crates.html", here="packing", status=422, form=form,
            out=reading.crates_out(),
        )  # fmt: skip
    messages.success(request, f"Crates back: {form.cleaned_data['back']}.")
    return redirect(to)


def _shown(request: HttpRequest, actor: Actor, *, now: datetime, refused: PageForm | None = None) -> HttpResponse:
    today = today_of(now)
    found = reading.overview(today=today, now=now)
    return show(
        request, actor, "pages/packing/overview.html", here="packing", status=200 if refused is None else 422,
        found=found, today=today, refused=refused,
        without=[(day, MakeListsForm(initial={"day": day})) for day in found.days_without],
    )  # fmt: skip


PAGES: list[URLPattern] = [
    path("packing/", page, name="packing"),
    path("packing/lists/", make_lists, name="packing-make-lists"),
    path("packing/crates/", crates, name="packing-crates"),
]
