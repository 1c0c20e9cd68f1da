"""The care programme: each step's rule, and before it is saved what it means for a kit sent today."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from django import forms
from django.contrib.admin import display

from fulfilment.admin.forms import Clock, RecordForm
from fulfilment.admin.rows import Rows, kept
from fulfilment.core.care import (
    PROFILES,
    Anchor,
    EventKind,
    KitProfile,
    MailKind,
    Point,
    Warmth,
    check_programme,
    rehearse,
)
from fulfilment.core.care import CareStep as Step
from fulfilment.core.problems import Problem
from fulfilment.models import CareStep, Strain
from fulfilment.read.farm import farm
from fulfilment.services import caring

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from django.db.models import Model

UNDERWAY_DAYS: Final = 3
"""The sample kit is started so many days after it was sent."""

ANCHORS: Final = {
    Anchor.SOLD: "sold",
    Anchor.SENT: "sent",
    Anchor.ARRIVED: "arrived",
    Anchor.START_ON: "the day that a gift's giver chose for its start",
    Anchor.START_BY: "its start-by date",
    Anchor.STARTED: "started, or watered again",
    Anchor.PINS: "pins",
    Anchor.READY: "ready to pick",
    Anchor.PICKED: "the last mushroom of the flush picked",
    Anchor.REWATER: "watering again",
    Anchor.END: "the end of the kit",
}
POINTS: Final = {Point.FIRST: "at the earliest", Point.LIKELY: "most likely", Point.LAST: "at the latest"}
MAILS: Final = {
    MailKind.CARE: "care: by day, one a day, can be unsubscribed from",
    MailKind.SAFETY: "safety: at once, whatever the hour",
    MailKind.ORDER: "about the order: at once, to the buyer",
}
REPORTS: Final = (
    EventKind.SENT, EventKind.STARTED, EventKind.PINS, EventKind.HARVESTED_FIRST, EventKind.HARVESTED_ALL,
    EventKind.REWATERED,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Row:
    """A step of the rehearsal and its day for each strain; None where it does not come."""

    title: str
    key: str
    flush: int
    days: tuple[date | None, ...]
    edited: bool


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """All mails of sample kits, a column for each kit profile."""

    title: str
    strains: tuple[str, ...]
    rows: tuple[Row, ...]


def rehearsals(programme: Sequence[Step], *, edited: str, sent_on: date, zone: str) -> list[Rehearsal]:
    """A kit of each strain sent ``sent_on`` in a room of 18 to 22 °C, its holder telling all or nothing."""
    profiles = {strain.name: KitProfile.from_data(strain.kit) for strain in Strain.objects.order_by("name")} or {
        f"{name} oyster": profile for name, profile in PROFILES.items()
    }
    found = []
    for reporting, title in ((True, "The holder reports everything on its likely day"), (False, "Nothing is reported")):
        days: dict[tuple[str, int], dict[str, date]] = {}
        titles: dict[str, str] = {}
        for strain, profile in profiles.items():
            due = rehearse(
                profile, warmth=Warmth.NORMAL, sent_on=sent_on, zone=zone, programme=programme, reporting=reporting,
                transit_days=UNDERWAY_DAYS,
            )  # fmt: skip
            for each in due:
                titles[each.step.key] = each.step.title
                days.setdefault((each.step.key, each.cycle), {})[strain] = each.due_at.date()
        rows = [
            Row(titles[key], key, cycle, tuple(on.get(strain) for strain in profiles), edited=key == edited)
            for (key, cycle), on in sorted(days.items(), key=lambda each: min(each[1].values()))
        ]
        found.append(Rehearsal(title, tuple(profiles), tuple(rows)))
    return found


def _ticks(label: str, help_text: str) -> forms.MultipleChoiceField:
    return forms.MultipleChoiceField(
        choices=[(kind.value, kind.value.replace("_", " ")) for kind in REPORTS], required=False, label=label,
        widget=forms.CheckboxSelectMultiple, help_text=help_text,
    )  # fmt: skip


class StepForm(RecordForm):
    """One rule, in words and choices; the core says whether it is one."""

    title, layout = "Change the rule", "pairs"
    note = "From saving on, the mails to come of every kit follow the new rule. Mails that went out stay as they were."
    looks, look_template, looks_first = "Show all dates first", "admin/farm/rehearsal.html", True
    places = {"rule.key": "title"}

    says = forms.CharField(max_length=120, label="What the mail says in its heading")
    anchor = forms.ChoiceField(choices=[(each.value, word) for each, word in ANCHORS.items()], label="Counts from")
    point = forms.ChoiceField(
        choices=[(each.value, word) for each, word in POINTS.items()], label="Which, where it is only expected"
    )
    offset_days = forms.IntegerField(label="Days after it", help_text="Below zero: days before it.")
    at = Clock(required=False, label="At", help_text="By the holder’s clock, from 08:00 until before 20:00.")
    cycles = forms.TypedMultipleChoiceField(
        choices=[(each, f"flush {each}") for each in range(1, 7)], coerce=int, label="In flush",
        widget=forms.CheckboxSelectMultiple,
    )  # fmt: skip
    mail = forms.ChoiceField(choices=[(each.value, word) for each, word in MAILS.items()], label="Kind of mail")
    needs = _ticks("Only once reported in this flush", "None ticked: goes without.")
    needs_before = _ticks("Only once reported in the flush before", "None ticked: goes without.")
    unless = _ticks("Not once reported in this flush", "None ticked: goes all the same.")
    active = forms.BooleanField(required=False, label="Goes out at all")

    def begin(self) -> dict[str, Any]:
        rule = self.row.rule
        kept = ("anchor", "point", "offset_days", "at", "cycles", "mail", "needs", "needs_before", "unless")
        return {**{name: rule[name] for name in kept}, "says": rule["title"], "active": self.row.active}

    def rule(self) -> dict[str, object]:
        at = self.given("at")
        return {
            "key": self.row.key,
            "template": self.row.rule.get("template", self.row.key),
            "title": self.given("says"),
            "at": f"{at:%H:%M}" if at is not None else None,
            **{name: self.given(name) for name in ("anchor", "point", "offset_days", "cycles", "mail")},
            **{name: list(self.given(name)) for name in ("needs", "needs_before", "unless")},
        }

    def look(self) -> dict[str, object]:
        step = Step.from_data(self.rule())
        others = [Step.from_data(row.rule) for row in CareStep.objects.filter(active=True).exclude(pk=self.row.pk)]
        programme = check_programme([*others, *([step] if self.given("active") else [])])
        hand = self.hand
        shown = rehearsals(programme, edited=self.row.key, sent_on=hand.today, zone=farm().zone)
        return {"rehearsals": shown, "sent_on": hand.today, "safety": step.safety}

    def do(self) -> Model:
        return caring.change_step(
            self.row.key, rule=self.rule(), active=self.given("active"), by=self.hand.by, now=self.hand.now
        )

    def refuse(self, problem: Problem) -> None:
        # The core names the step before its sentence, for programmes read from a file; here it is the only one.
        problem.sentence = problem.sentence.removeprefix(f"{self.row.key}: ")
        problem.where = "says" if problem.where == "title" else problem.where
        super().refuse(problem)


@kept(CareStep)
class CareSteps(Rows):
    changes = StepForm
    list_display = ("key", "says", "counts_from", "days", "at", "kind", "active")
    list_filter = ("active",)
    ordering = ("position",)
    key = "key"
    facts = ("key", "says", "counts_from", "days", "at", "kind", "active", "rule")

    @display(description="heading")
    def says(self, row: CareStep) -> str:
        return str(row.rule.get("title", ""))

    @display(description="counts from")
    def counts_from(self, row: CareStep) -> str:
        return ANCHORS[Anchor(row.rule["anchor"])]

    @display(description="days after")
    def days(self, row: CareStep) -> int:
        return int(row.rule.get("offset_days", 0))

    def at(self, row: CareStep) -> str:
        return str(row.rule.get("at") or "at once")

    @display(description="kind of mail")
    def kind(self, row: CareStep) -> str:
        return str(row.rule.get("mail", "care"))

    def subject_of(self, row: Any) -> str:
        return "care"

    def titled(self, row: Any) -> str:
        return f"Care step {row.key}"
