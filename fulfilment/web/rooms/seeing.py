"""The form for something seen or done on a batch or a crop: only what this kind of sight needs is asked for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from django import forms

from fulfilment.core.growth import Stage
from fulfilment.core.problems import Missing
from fulfilment.services import growing
from fulfilment.services.growing.observations import CROP, OF_BATCH, OF_CROP
from fulfilment.web.ground.forms import Celsius, Day, PageForm

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date, datetime


@dataclass(frozen=True, slots=True)
class Sight:
    """How a kind of observation is called on a button and what a grower looks for."""

    kind: str
    word: str
    hint: str


SIGHTS: Final[Mapping[str, Sight]] = {
    each.kind: each
    for each in (
        Sight("run_quarter", "Run a quarter", "White threads have taken about a quarter of the bag."),
        Sight("run_half", "Run half", "White threads have taken about half of the bag."),
        Sight("run_full", "Run full", "The bags are white all through. They can be opened or sealed from now on."),
        Sight("pins", "Pins seen", "The first small heads show. Size doubles daily from about here."),
        Sight("rewatered", "Watered again", "Stubs cut off, watered or soaked, drained; never a mouldy bag."),
        Sight("flush_ended", "Last mushroom of the flush", "Nothing is left to pick: the bags rest from now on."),
        Sight("bags_lost", "Bags lost", "Thrown away: they leave the forecast at once. Do not sniff at mould; bag it."),
        Sight("core_temperature", "Core temperature", "Read in the middle of a bag; above 30 °C it is time to air."),
        Sight("seen", "Looked at", "Nothing new; a note if you like."),
        Sight("finished", "Finished", "The bags go to the compost. This cannot be taken back."),
    )
}
CAUSES: Final = (("mould", "Mould"), ("wet", "Wet"), ("flies", "Flies"), ("other", "Other"))


class SeenForm(PageForm):
    seen_on = Day(label="Day")
    bags = forms.IntegerField(label="Bags lost", min_value=1)
    cause = forms.ChoiceField(label="To what", choices=CAUSES, widget=forms.RadioSelect)
    celsius = Celsius(label="Core temperature in °C")
    note = forms.CharField(label="Note", max_length=300, required=False)

    def __init__(self, *args: Any, kind: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if kind != "bags_lost":
            del self.fields["bags"], self.fields["cause"]
        if kind != "core_temperature":
            del self.fields["celsius"]


def sight_of(kind: str, *, on_batch: bool) -> Sight:
    """The sight of this name, whether or not it fits just now; :class:`Missing` where there is none."""
    kinds = {each.value for each in (OF_BATCH if on_batch else OF_CROP)}
    if kind not in kinds:
        raise Missing("There is nothing of this kind to log here: go back and choose one of the buttons.")
    return SIGHTS[kind]


def sights_of_crop(stage: str) -> tuple[Sight, ...]:
    """What can be logged on a crop in this stage, in the order of a grower's round."""
    fitting = {kind for (at, kind) in CROP if at == Stage(stage)}
    return tuple(sight for kind, sight in SIGHTS.items() if kind in fitting)


def sights_of_batch(*, run_full: bool) -> tuple[Sight, ...]:
    """What can be logged on a batch; how far it has run is over once it is run full."""
    kinds = {each.value for each in OF_BATCH}
    return tuple(
        sight for kind, sight in SIGHTS.items() if kind in kinds and not (run_full and kind.startswith("run_"))
    )


def log(form: SeenForm, *, kind: str, by: str, now: datetime, today: date, batch: str = "", crop: str = "") -> None:
    """Write down what a valid form says."""
    asked = form.cleaned_data
    growing.log_observation(
        kind=kind,
        seen_on=asked["seen_on"],
        batch=batch,
        crop=crop,
        bags=asked.get("bags"),
        cause=asked.get("cause", ""),
        celsius=asked.get("celsius"),
        note=asked["note"],
        by=by,
        now=now,
        today=today,
    )
