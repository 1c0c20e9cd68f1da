"""One batch: where it stands, what went in; logging, opening bags, kits wanted, sealing kits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from django import forms
from django.contrib import messages
from django.http import HttpResponseRedirect
from django.urls import path, reverse

from fulfilment.read.rooms import history
from fulfilment.read.rooms import sources as origins
from fulfilment.services import growing, kits
from fulfilment.web.ground.doors import GROWING, staff, today_of
from fulfilment.web.ground.forms import Day, PageForm, attempt
from fulfilment.web.ground.showing import show
from fulfilment.web.rooms import seeing

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date, datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.rooms.history import BatchStory
    from fulfilment.read.scope import Actor


class OpenForm(PageForm):
    places = {"batch": "bags"}
    title = "Open bags"
    button = "Open"
    caution = "Wear a mask where bags are opened and picked, and air the room."
    bags = forms.IntegerField(label="Bags to open", min_value=1)
    room = forms.ChoiceField(label="Fruiting room")
    opened_on = Day(label="Day")

    def __init__(self, *args: Any, batch: BatchStory, today: date, **kwargs: Any) -> None:
        initial = {"bags": batch.left - batch.to_seal or batch.left, "opened_on": today}
        super().__init__(*args, initial=initial, **kwargs)
        room = self.fields["room"]
        assert isinstance(room, forms.ChoiceField)
        room.choices = [(each.code, each.name) for each in origins.rooms("fruiting")]
        self.fields["bags"].help_text = f"{batch.left} are left, {batch.to_seal} of them meant as kits."

    def act(self, batch: BatchStory, *, by: str, now: datetime, today: date) -> tuple[str, str]:
        """Do it: the address to go to and what to say."""
        asked = self.cleaned_data
        crop = growing.open_crop(
            batch.code, bags=asked["bags"], room=asked["room"], opened_on=asked["opened_on"], confirmed=self.yes, by=by,
            now=now, today=today,
        )  # fmt: skip
        return reverse("crop", args=[crop.public_id]), "The bags are open and wait for pins."


class SealForm(PageForm):
    places = {"batch": "bags"}
    title = "Seal kits"
    button = "Seal"
    caution = (
        "Seal only bags that are white all through and smell of mushrooms. A bag with green, black or grey goes out."
    )
    bags = forms.IntegerField(label="Bags to seal", min_value=1)
    sealed_on = Day(label="Day")

    def __init__(self, *args: Any, batch: BatchStory, today: date, **kwargs: Any) -> None:
        super().__init__(*args, initial={"bags": batch.to_seal or None, "sealed_on": today}, **kwargs)
        self.fields["bags"].help_text = f"{batch.left} are left, {batch.to_seal} of them meant as kits."

    def act(self, batch: BatchStory, *, by: str, now: datetime, today: date) -> tuple[str, str]:
        asked = self.cleaned_data
        lot = kits.seal(batch.code, bags=asked["bags"], sealed_on=asked["sealed_on"], by=by, now=now, today=today)
        return reverse("lot", args=[lot.public_id]), f"Sealed: lot {lot.public_id} is in store."


class KitsForm(PageForm):
    places = {"kits_wanted": "kits"}
    title = "Kits wanted"
    button = "Save"
    caution = ""
    kits = forms.IntegerField(
        label="Bags you wish to sell as kits", min_value=0,
        help_text="The plan keeps as many aside as no promise of fresh mushrooms needs.",
    )  # fmt: skip

    def __init__(self, *args: Any, batch: BatchStory, today: date, **kwargs: Any) -> None:
        super().__init__(*args, initial={"kits": batch.kits_wanted}, **kwargs)

    def act(self, batch: BatchStory, *, by: str, now: datetime, today: date) -> tuple[str, str]:
        growing.want_kits(batch.code, kits=self.cleaned_data["kits"], by=by, now=now)
        return reverse("batch", args=[batch.code]), "Noted: the next plan aims at it."


class RecountForm(PageForm):
    title = "Another number of bags"
    button = "Correct it"
    caution = "For a wrong number written down at mixing. Bags thrown away are logged as lost."
    bags = forms.IntegerField(label="Bags really filled", min_value=1)

    def __init__(self, *args: Any, batch: BatchStory, today: date, **kwargs: Any) -> None:
        super().__init__(*args, initial={"bags": batch.bags}, **kwargs)
        used = batch.bags - batch.left
        self.fields["bags"].help_text = f"Written down as {batch.bags}; {used} of them are opened, sealed or lost."

    def act(self, batch: BatchStory, *, by: str, now: datetime, today: date) -> tuple[str, str]:
        bags = self.cleaned_data["bags"]
        growing.recount_bags(batch.code, bags=bags, confirmed=self.yes, by=by, now=now)
        return reverse("batch", args=[batch.code]), f"Corrected: {bags} bags were filled. The plan is made anew."


Deed = OpenForm | SealForm | KitsForm | RecountForm
DEEDS: Final[Mapping[str, type[Deed]]] = {
    "open": OpenForm,
    "seal": SealForm,
    "kits": KitsForm,
    "recount": RecountForm,
}


@staff(GROWING)
def page(request: HttpRequest, actor: Actor, *, code: str, now: datetime) -> HttpResponse:
    batch = history.batch_story(code, actor, today=today_of(now))
    sights = seeing.sights_of_batch(run_full=batch.colonised_on is not None) if batch.left else ()
    return show(request, actor, "pages/rooms/batch.html", here="rooms", batch=batch, sights=sights)


@staff(GROWING)
def see(request: HttpRequest, actor: Actor, *, code: str, kind: str, now: datetime) -> HttpResponse:
    """Something seen on a batch."""
    today = today_of(now)
    sight = seeing.sight_of(kind, on_batch=True)
    batch = history.batch_story(code, actor, today=today)
    form, status = seeing.SeenForm(request.POST or None, kind=kind, initial={"seen_on": today}), 200
    if request.method == "POST":

        def log() -> str:
            seeing.log(form, kind=kind, batch=batch.code, by=actor.name, now=now, today=today)
            home = f"{reverse('rooms')}#{batch.code}"
            return home if request.GET.get("from") == "rooms" else reverse("batch", args=[batch.code])

        done = attempt(request, form, log, by=actor.name, now=now)
        if done is not None:
            messages.success(request, f"{sight.word}: logged on batch {batch.code}.")
            return HttpResponseRedirect(done, status=303)
        status = 422
    return show(
        request, actor, "pages/rooms/see.html", here="rooms", status=status, form=form, sight=sight, thing=batch,
        page="batch",
    )  # fmt: skip


@staff(GROWING)
def do(request: HttpRequest, actor: Actor, *, code: str, what: str, now: datetime) -> HttpResponse:
    """Open bags, seal kits, say how many kits are wanted or how many bags there really were."""
    today = today_of(now)
    batch = history.batch_story(code, actor, today=today)
    form, status, said = DEEDS[what](request.POST or None, batch=batch, today=today), 200, ""
    if request.method == "POST":

        def act() -> str:
            nonlocal said
            address, said = form.act(batch, by=actor.name, now=now, today=today)
            return address

        done = attempt(request, form, act, by=actor.name, now=now)
        if done is not None:
            messages.success(request, said or "This was saved already.")
            return HttpResponseRedirect(done, status=303)
        status = 422
    return show(
        request, actor, "pages/rooms/deed.html", here="rooms", status=status, form=form, batch=batch,
        action=reverse(f"batch-{what}", args=[batch.code]),
    )  # fmt: skip


PAGES: list[URLPattern] = [
    path("batches/<str:code>/", page, name="batch"),
    path("batches/<str:code>/log/<str:kind>/", see, name="batch-log"),
    *(path(f"batches/<str:code>/{what}/", do, {"what": what}, name=f"batch-{what}") for what in DEEDS),
]
