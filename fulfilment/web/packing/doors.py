"""At the door: what was refused and why, crates back, and the delivery is settled."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

from django import forms
from django.contrib import messages
from django.shortcuts import redirect
from django.urls import path, reverse

from fulfilment.core.problems import Problem
from fulfilment.read.packing import notes
from fulfilment.services import packing
from fulfilment.web.ground.doors import PACKING, staff, today_of
from fulfilment.web.ground.forms import Grams, PageForm, Reason, attempt
from fulfilment.web.ground.showing import show

if TYPE_CHECKING:
    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.packing.notes import NoteLine, NoteView
    from fulfilment.read.scope import Actor


class DoorForm(PageForm):
    """For each line what was sent back and why; empty where it was taken as it was."""

    def __init__(self, *args: Any, note: NoteView, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lines = [line for line in note.lines if line.picked]
        for place, line in enumerate(self.lines):
            field = forms.IntegerField(
                min_value=0, widget=forms.NumberInput(attrs={"inputmode": "numeric"}), required=False
            ) if line.is_kit else Grams(at_least=0, required=False)  # fmt: skip
            field.label = f"Refused {'kits' if line.is_kit else 'grams'}"
            self.fields[f"amount_{place}"] = field
            self.fields[f"reason_{place}"] = Reason(required=False)
        if note.is_kitchen:
            self.fields["crates_back"] = forms.IntegerField(
                label="Crates back", min_value=0, required=False, help_text=f"It has {note.crates_out} now.",
                widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
            )  # fmt: skip

    def rows(self) -> list[tuple[NoteLine, forms.BoundField, forms.BoundField]]:
        """Each line with its two fields."""
        return [(line, self[f"amount_{place}"], self[f"reason_{place}"]) for place, line in enumerate(self.lines)]

    def clean(self) -> dict[str, Any]:
        given: dict[str, Any] = super().clean() or self.cleaned_data
        for place, _ in enumerate(self.lines):
            if given.get(f"reason_{place}") and not given.get(f"amount_{place}") and not self.errors.get(
                f"amount_{place}"
            ):  # fmt: skip
                self.add_error(f"amount_{place}", "Say how much was sent back, or leave the reason empty.")
        return given

    def deliver(self, shipment: str, *, by: str, now: datetime) -> None:
        """Through the service, whose places are the rows that say something."""
        named = [place for place, _ in enumerate(self.lines) if self.cleaned_data.get(f"amount_{place}")]
        refused = [
            (self.lines[place].line, self.cleaned_data[f"amount_{place}"], self.cleaned_data[f"reason_{place}"])
            for place in named
        ]
        try:
            packing.deliver(
                shipment, refused=refused, crates_back=self.cleaned_data.get("crates_back") or 0, confirmed=self.yes,
                by=by, now=now, today=today_of(now),
            )  # fmt: skip
        except Problem as problem:
            for index, place in enumerate(named):
                for word, name in (("amount", "amount"), ("reason", "reason"), ("line", "amount")):
                    if problem.where == f"refused.{index}.{word}":
                        problem.where = f"{name}_{place}"
            raise


@staff(PACKING)
def door(request: HttpRequest, actor: Actor, *, now: datetime, code: str) -> HttpResponse:
    """Delivered: as it was, or less what was refused."""
    note = notes.shipment(code)
    form = DoorForm(request.POST or None, note=note)
    if request.method == "POST":

        def action() -> str:
            form.deliver(code, by=actor.name, now=now)
            return reverse("packing")

        to = attempt(request, form, action, by=actor.name, now=now)
        if to is not None:
            messages.success(request, f"Delivered: {note.name}.")
            return redirect(to)
    return show(
        request, actor, "pages/packing/door.html", here="packing", status=422 if form.is_bound else 200, note=note,
        form=form,
    )  # fmt: skip


PAGES: list[URLPattern] = [path("packing/doors/<str:code>/", door, name="packing-door")]
