"""Mixing a batch: how many bags, of what, from which grounds and spawn."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final

from django import forms
from django.contrib import messages
from django.http import HttpResponseRedirect
from django.urls import path, reverse

from fulfilment.core import codes
from fulfilment.read.rooms import sources as origins
from fulfilment.services import growing
from fulfilment.web.ground.doors import GROWING, staff, today_of
from fulfilment.web.ground.forms import Day, Grams, PageForm, attempt
from fulfilment.web.ground.showing import show
from fulfilment.web.rooms.sources import choose

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date, datetime

    from django.forms import BoundField
    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.core.problems import Problem
    from fulfilment.read.rooms.sources import Source
    from fulfilment.read.scope import Actor

GROUPS: Final = ("intakes", "spawn", "inputs")
_FIELD: Final = re.compile(r"(intakes|spawn|inputs)-([0-9A-Z]{4}-[0-9A-Z]{4})")
_PLACE: Final = re.compile(r"(intakes|spawn|inputs)\.(\d+)(?:\..*)?")


class MixForm(PageForm):
    strain = forms.ChoiceField(label="Strain")
    mixed_on = Day(label="Mixed on", help_text="Bags that hang already: the day they were really mixed.")
    room = forms.ChoiceField(label="Room where they run in the dark")
    bags = forms.IntegerField(label="Bags filled", min_value=1)
    wet_g_per_bag = Grams(label="Weight of a filled bag", help_text="Weigh one: 3000, or 3 kg.")
    dry_g_per_bag = Grams(
        label="Dry substrate in it",
        help_text="What would be left if a bag were dried. Grounds as they come from the machine are about two thirds "
        "water, so about a third of the bag’s weight. The forecast counts kilos from this.",
    )
    spawn_pct = forms.IntegerField(
        label="Spawn, percent", min_value=1, max_value=60, help_text="Of the weight of the grounds; 10 to 20 is usual."
    )
    kits_wanted = forms.IntegerField(
        label="Of these, wanted as kits", min_value=0, initial=0, help_text="None is fine; you can change it later."
    )
    heat_treatment = forms.CharField(
        label="Heat treatment",
        max_length=120,
        required=False,
        help_text="None for fresh grounds, or 65 °C for 8 hours …",
    )
    recipe = forms.CharField(label="Recipe", max_length=200, required=False, help_text="Such as grounds 8 : straw 1.")

    def __init__(self, data: Any = None, *, today: date) -> None:
        last = origins.before()
        super().__init__(
            data,
            initial={
                "strain": last.strain, "room": last.room, "bags": last.bags, "mixed_on": today,
                "wet_g_per_bag": last.wet_g, "dry_g_per_bag": last.dry_g, "spawn_pct": last.spawn_pct,
                "heat_treatment": last.heat_treatment, "recipe": last.recipe,
            },
        )  # fmt: skip
        self.strains = origins.strains()
        self.rooms = origins.rooms("incubation", "fruiting")
        choose(self, "strain", self.strains)
        choose(self, "room", self.rooms)
        if not last.strain and len(self.strains) == 1:
            self.initial["strain"] = self.strains[0].code
        dark = origins.rooms("incubation")
        if not last.room and len(dark) == 1:
            self.initial["room"] = dark[0].code
        self.own = tuple(self.fields)
        self.groups: dict[str, list[str]] = {group: [] for group in GROUPS}
        """The names of the fields that say how much of what went in."""
        self.filled: dict[str, list[str]] = {group: [] for group in GROUPS}
        """Those of them that were filled in, in the order in which the service gets them."""
        for group, found in zip(
            GROUPS, (origins.intakes(left_only=True), origins.spawn(left_only=True), origins.inputs(left_only=True)),
            strict=True,
        ):  # fmt: skip
            usable = [each for each in found if each.usable]
            for each in usable:
                self._offer(group, each, alone=len(usable) == 1 and group != "inputs")
        for name in data or ():
            # What was offered and is used up or held meanwhile is told by the service, not dropped.
            if (at := _FIELD.fullmatch(name)) is not None and name not in self.fields:
                self._add(at[1], at[2], label=at[2], hint="")

    def _offer(self, group: str, source: Source, *, alone: bool) -> None:
        left = f"{source.left} pieces" if source.pieces else f"{source.left / 1000:g} kg"
        name = self._add(
            group, source.code, label=f"{source.what.capitalize()} from {source.giver}",
            hint=f"{source.code}, {source.on.day} {source.on:%b}: {left} left.",
        )  # fmt: skip
        if alone:
            self.fields[name].initial = source.left

    def _add(self, group: str, code: str, *, label: str, hint: str) -> str:
        name = f"{group}-{code}"
        self.fields[name] = Grams(label=label, help_text=hint, required=False)
        self.groups[group].append(name)
        return name

    @property
    def main(self) -> Iterator[BoundField]:
        for name in self.own:
            if name not in ("once", "confirmed"):
                yield self[name]

    @property
    def offered(self) -> Iterator[tuple[str, list[BoundField]]]:
        """(heading, fields) of grounds, spawn and the rest."""
        for group, heading in zip(GROUPS, ("Grounds", "Spawn", "Straw, lime, bags and the rest"), strict=True):
            yield heading, [self[name] for name in self.groups[group]]

    def went_in(self, group: str) -> Sequence[tuple[str, int]]:
        """(code, amount) of what a valid form says went in."""
        self.filled[group] = [name for name in self.groups[group] if self.cleaned_data[name] is not None]
        return [(codes.tidy(name.partition("-")[2]), self.cleaned_data[name]) for name in self.filled[group]]

    def refuse(self, problem: Problem) -> None:
        at = _PLACE.fullmatch(problem.where)
        if at is not None:
            problem.where = self.filled[at[1]][int(at[2])]
        elif problem.where in GROUPS:
            problem.where = ""
        super().refuse(problem)


@staff(GROWING)
def page(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """Enter the bags mixed today, or long ago."""
    today = today_of(now)
    form, status = MixForm(request.POST or None, today=today), 200
    if request.method == "POST":

        def mix() -> str:
            asked = form.cleaned_data
            batch = growing.mix_batch(
                asked["strain"],
                mixed_on=asked["mixed_on"],
                bags=asked["bags"],
                dry_g_per_bag=asked["dry_g_per_bag"],
                wet_g_per_bag=asked["wet_g_per_bag"],
                spawn_pct=asked["spawn_pct"],
                room=asked["room"],
                intakes=form.went_in("intakes"),
                spawn=form.went_in("spawn"),
                inputs=form.went_in("inputs"),
                heat_treatment=asked["heat_treatment"],
                recipe=asked["recipe"],
                kits_wanted=asked["kits_wanted"],
                confirmed=form.yes,
                by=actor.name,
                now=now,
                today=today,
            )
            return reverse("batch", args=[batch.public_id])

        done = attempt(request, form, mix, by=actor.name, now=now)
        if done is not None:
            messages.success(request, "The batch is written down. Write its code on the bags.")
            return HttpResponseRedirect(done, status=303)
        status = 422
    return show(request, actor, "pages/rooms/mix.html", here="rooms", status=status, form=form)


PAGES: list[URLPattern] = [path("batches/new/", page, name="batch-new")]
