"""Out of the house: a round is closed, a parcel handed to its carrier, a shipment collected."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any, ClassVar

from django import forms
from django.contrib import messages
from django.shortcuts import redirect
from django.urls import path, reverse

from fulfilment.core.problems import Missing, Unconfirmed
from fulfilment.read.packing import notes
from fulfilment.read.packing import picking as reading
from fulfilment.services import packing
from fulfilment.web.ground.doors import PACKING, staff, today_of
from fulfilment.web.ground.forms import PageForm, attempt
from fulfilment.web.ground.showing import show

if TYPE_CHECKING:
    from collections.abc import Mapping

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.packing.picking import Picking
    from fulfilment.read.scope import Actor


class CloseForm(PageForm):
    """Crates out with each kitchen that gets something."""

    def __init__(self, *args: Any, of: Picking, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.stops = [stop for stop in of.stops if stop.open and stop.picked and stop.is_kitchen]
        for stop in self.stops:
            self.fields[f"crates.{stop.shipment}"] = forms.IntegerField(
                label=f"Crates out to {stop.name}", min_value=0, required=False,
                help_text=f"It has {stop.crates_out} now." if stop.crates_out else "",
                widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
            )  # fmt: skip

    @property
    def crates(self) -> dict[str, int]:
        return {stop.shipment: self.cleaned_data.get(f"crates.{stop.shipment}") or 0 for stop in self.stops}


class ParcelForm(PageForm):
    """Who takes the parcel."""

    places: ClassVar[Mapping[str, str]] = {"carrier": "carrier", "tracking": "tracking", "link": "link"}

    carrier = forms.CharField(max_length=60, help_text="The name of the carrier, as the buyer knows it.")
    tracking = forms.CharField(
        max_length=60, required=False, label="Tracking number",
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"}),
    )  # fmt: skip
    link = forms.CharField(
        max_length=300, required=False, label="Link to follow it", help_text="Begins with https://. The mail has it.",
        widget=forms.TextInput(attrs={"autocomplete": "off", "inputmode": "url"}),
    )  # fmt: skip


class CollectedForm(PageForm):
    """Nothing to say but that it was fetched."""


@staff(PACKING)
def close(request: HttpRequest, actor: Actor, *, now: datetime, code: str) -> HttpResponse:
    """The round leaves; what is not packed is listed and asked."""
    today = today_of(now)
    of = reading.picking(code, today=today)
    if not of.round_id:
        raise Missing("Parcels and collections leave one by one: hand each over from its list.", where="list")
    doubt = _behind(of)
    form = CloseForm(request.POST or None, of=of)
    if request.method == "POST":

        def action() -> str:
            if doubt and not form.yes:
                raise Unconfirmed(doubt)
            packing.close_round(of.round_id, crates=form.crates, by=actor.name, now=now, today=today)
            return reverse("packing")

        to = attempt(request, form, action, by=actor.name, now=now)
        if to is not None:
            messages.success(request, f"{of.name} has left. Its deliveries are settled as they are handed over.")
            return redirect(to)
    elif doubt:
        form.refuse(Unconfirmed(doubt))
    return show(
        request, actor, "pages/packing/close.html", here="packing", status=422 if request.method == "POST" else 200,
        of=of, form=form,
    )  # fmt: skip


@staff(PACKING)
def parcel(request: HttpRequest, actor: Actor, *, now: datetime, code: str) -> HttpResponse:
    """A packed parcel is the carrier's now."""
    form = ParcelForm(request.POST or None)
    if request.method == "POST":

        def action() -> str:
            given = form.cleaned_data
            packing.hand_parcel(
                code, carrier=given["carrier"], tracking=given["tracking"], link=given["link"], confirmed=form.yes,
                by=actor.name, now=now,
                today=today_of(now),
            )  # fmt: skip
            return reverse("packing")

        to = attempt(request, form, action, by=actor.name, now=now)
        if to is not None:
            messages.success(request, f"The parcel is with {form.cleaned_data['carrier']}; its buyer is told by mail.")
            return redirect(to)
    return _hand_over(request, actor, code, form, "Handed to the carrier")


@staff(PACKING)
def collected(request: HttpRequest, actor: Actor, *, now: datetime, code: str) -> HttpResponse:
    """The customer fetched it here."""
    form = CollectedForm(request.POST or None)
    if request.method == "POST":

        def action() -> str:
            packing.collect(code, confirmed=form.yes, by=actor.name, now=now, today=today_of(now))
            return reverse("packing")

        to = attempt(request, form, action, by=actor.name, now=now)
        if to is not None:
            messages.success(request, "Collected and settled.")
            return redirect(to)
    return _hand_over(request, actor, code, form, "Collected")


def _hand_over(request: HttpRequest, actor: Actor, code: str, form: PageForm, button: str) -> HttpResponse:
    return show(
        request, actor, "pages/packing/hand_over.html", here="packing", status=422 if form.is_bound else 200, form=form,
        button=button, note=notes.shipment(code),
    )  # fmt: skip


def _behind(of: Picking) -> str:
    """What would stay behind or go short, as a question; empty where all is packed."""
    empty = [stop.name for stop in of.stops if stop.open and not stop.picked]
    lacking = sum(not line.all_there for stop, line in of.lines() if stop.open and stop.picked)
    told = []
    if lacking:
        told.append(f"{lacking} line{' is' if lacking == 1 else 's are'} not packed in full and would go short.")
    if empty:
        told.append(f"Nothing is packed for {', '.join(empty)}: it would stay here for another round.")
    return f"{' '.join(told)} Close the round all the same?" if told else ""


PAGES: list[URLPattern] = [
    path("packing/parcels/<str:code>/", parcel, name="packing-parcel"),
    path("packing/collections/<str:code>/", collected, name="packing-collection"),
    path("packing/<str:code>/close/", close, name="pick-list-close"),
]
