"""Where bags come from: donors and intakes, suppliers and deliveries, each with a short form."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from django import forms
from django.contrib import messages
from django.http import HttpResponseRedirect
from django.urls import path, reverse

from fulfilment.read.rooms import sources as origins
from fulfilment.services import growing
from fulfilment.web.ground.doors import GROWING, staff, today_of
from fulfilment.web.ground.forms import Day, Grams, PageForm, attempt
from fulfilment.web.ground.showing import show, then

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date, datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.rooms.sources import Named
    from fulfilment.read.scope import Actor

NEW: Final = "new"
ALLERGENS: Final = "Only if there are any, in your own wording: wheat, soya, milk …"


def choose(form: PageForm, name: str, found: Iterable[Named], *, empty: str = "") -> None:
    """Fill a field's choices; ``empty`` is the word for none of them."""
    field = form.fields[name]
    assert isinstance(field, forms.ChoiceField)
    field.choices = [("", empty or "choose …"), *((each.code, each.name) for each in found)]


class SourceForm(PageForm):
    """A short form that writes one row down; ``act`` returns what to say."""

    title = ""
    button = "Log it"

    def __init__(self, *args: Any, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fill(today)

    def fill(self, today: date) -> None:
        """Put in what can be known."""

    def act(self, *, by: str, now: datetime, today: date) -> str:
        raise NotImplementedError


class FromSupplier(SourceForm):
    """What a supplier delivered; a new supplier is added on the way."""

    places = {"name": "new_supplier", "amount_received": "amount"}
    supplier = forms.ChoiceField(label="From")
    new_supplier = forms.CharField(label="Name, if somebody new", max_length=120, required=False)
    received_on = Day(label="Received on")

    def fill(self, today: date) -> None:
        _choose_or_new(self, "supplier", origins.suppliers())
        self.fields["received_on"].initial = today

    def clean(self) -> dict[str, Any]:
        asked = super().clean() or self.cleaned_data
        _one_of_two(self, asked, "supplier", "new_supplier")
        return asked

    def giver(self, *, by: str, now: datetime) -> str:
        """The code of the supplier that was chosen, or of the new one."""
        new = self.cleaned_data["new_supplier"]
        return growing.add_supplier(new, by=by, now=now).public_id if new else self.cleaned_data["supplier"]


class IntakeForm(SourceForm):
    title = "Grounds collected"
    places = {"name": "new_donor"}
    donor = forms.ChoiceField(label="From")
    new_donor = forms.CharField(label="Name, if somebody new", max_length=120, required=False)
    collected_on = Day(label="Collected on")
    grams = Grams(label="Weight", help_text="As the scale shows it: 12500, or 12.5 kg.")
    hours_since_brewing = forms.IntegerField(
        label="Hours since brewing", min_value=0, initial=12,
        help_text="Of the oldest in the bucket. Grounds go mouldy within a day or two in the warm.",
    )  # fmt: skip
    accepted = forms.ChoiceField(
        label="Taken?", choices=(("yes", "Taken"), ("no", "Refused")), initial="yes", widget=forms.RadioSelect
    )
    refused_because = forms.CharField(
        label="Why refused", max_length=200, required=False, help_text="Mould, a smell, litter in it …"
    )
    allergens = forms.CharField(label="Allergens in it", max_length=200, required=False, help_text=ALLERGENS)

    def fill(self, today: date) -> None:
        _choose_or_new(self, "donor", origins.donors())
        self.fields["collected_on"].initial = today

    def clean(self) -> dict[str, Any]:
        asked = super().clean() or self.cleaned_data
        _one_of_two(self, asked, "donor", "new_donor")
        return asked

    def act(self, *, by: str, now: datetime, today: date) -> str:
        asked = self.cleaned_data
        donor = asked["donor"]
        if asked["new_donor"]:
            donor = growing.add_donor(asked["new_donor"], by=by, now=now).public_id
        taken = asked["accepted"] == "yes"
        intake = growing.log_intake(
            donor, grams=asked["grams"], collected_on=asked["collected_on"],
            hours_since_brewing=asked["hours_since_brewing"], accepted=taken, refused_because=asked["refused_because"],
            allergens=asked["allergens"], by=by, now=now, today=today,
        )  # fmt: skip
        return f"Intake {intake.public_id} is logged{'' if taken else ' as refused'}."


class SpawnForm(FromSupplier):
    title = "Spawn received"
    strain = forms.ChoiceField(label="Strain")
    grams = Grams(label="Weight", help_text="Without its box: 15000, or 15 kg.")
    supplier_lot = forms.CharField(
        label="Supplier’s lot",
        max_length=60,
        required=False,
        help_text="From the label: the first thing a recall asks.",
    )
    allergens = forms.CharField(
        label="Allergens in it",
        max_length=200,
        required=False,
        help_text="Name the grain: rye and wheat hold gluten.",
    )

    def fill(self, today: date) -> None:
        super().fill(today)
        choose(self, "strain", origins.strains())

    def act(self, *, by: str, now: datetime, today: date) -> str:
        asked = self.cleaned_data
        delivery = growing.log_spawn(
            self.giver(by=by, now=now), strain=asked["strain"], grams=asked["grams"], received_on=asked["received_on"],
            supplier_lot=asked["supplier_lot"], allergens=asked["allergens"], by=by, now=now, today=today,
        )  # fmt: skip
        return f"Spawn delivery {delivery.public_id} is logged."


class InputForm(FromSupplier):
    title = "Straw, bags and the rest"
    kind = forms.ChoiceField(label="What")
    amount = Grams(label="Amount", help_text="Straw, lime and bran by weight: 20 kg. Bags are counted: 500.")
    supplier_lot = forms.CharField(label="Supplier’s lot", max_length=60, required=False)
    allergens = forms.CharField(label="Allergens in it", max_length=200, required=False, help_text=ALLERGENS)

    def fill(self, today: date) -> None:
        super().fill(today)
        kind = self.fields["kind"]
        assert isinstance(kind, forms.ChoiceField)
        kind.choices = list(origins.input_kinds())

    def clean(self) -> dict[str, Any]:
        asked = super().clean()
        if asked.get("kind") == "bags" and not str(self.data.get("amount", "")).strip().isdecimal():
            self.add_error("amount", "Bags are counted: give their number, such as 500.")
        return asked

    def act(self, *, by: str, now: datetime, today: date) -> str:
        asked = self.cleaned_data
        delivery = growing.log_input(
            self.giver(by=by, now=now), kind=asked["kind"], amount_received=asked["amount"],
            received_on=asked["received_on"], supplier_lot=asked["supplier_lot"], allergens=asked["allergens"], by=by,
            now=now, today=today,
        )  # fmt: skip
        return f"Delivery {delivery.public_id} is logged."


class Contact(SourceForm):
    """A name and how to reach it: in a recall these are who is called."""

    button = "Add"
    name = forms.CharField(label="Name", max_length=120)
    email = forms.CharField(label="Mail address", max_length=254, required=False)
    phone = forms.CharField(label="Telephone", max_length=40, required=False)


class DonorForm(Contact):
    title = "Add a donor"
    kitchen = forms.ChoiceField(
        label="The kitchen it is",
        required=False,
        help_text="If it buys mushrooms too: its round then brings the grounds.",
    )

    def fill(self, today: date) -> None:
        choose(self, "kitchen", origins.kitchens_without_donor(), empty="no kitchen of ours")

    def act(self, *, by: str, now: datetime, today: date) -> str:
        asked = self.cleaned_data
        donor = growing.add_donor(
            asked["name"], email=asked["email"], phone=asked["phone"], kitchen=asked["kitchen"], by=by, now=now
        )
        return f"{donor.name} is added."


class SupplierForm(Contact):
    title = "Add a supplier"

    def act(self, *, by: str, now: datetime, today: date) -> str:
        asked = self.cleaned_data
        supplier = growing.add_supplier(asked["name"], email=asked["email"], phone=asked["phone"], by=by, now=now)
        return f"{supplier.name} is added."


def _choose_or_new(form: PageForm, name: str, found: Sequence[Named]) -> None:
    choose(form, name, [*found, origins.Named(NEW, "somebody new, named below")])
    if not found:
        form.fields[name].initial = NEW


def _one_of_two(form: PageForm, asked: Mapping[str, Any], known: str, new: str) -> None:
    if known not in asked or new not in asked:
        return
    if asked[known] == NEW and not asked[new]:
        form.add_error(new, "Write the name of who it came from.")
    elif asked[known] != NEW and asked[new]:
        form.add_error(known, "This names one of the list and a new one too: keep one of them.")


FORMS: Final[Mapping[str, type[SourceForm]]] = {
    "intake": IntakeForm,
    "spawn": SpawnForm,
    "input": InputForm,
    "donor": DonorForm,
    "supplier": SupplierForm,
}


@staff(GROWING)
def page(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    return show(request, actor, "pages/rooms/sources.html", here="rooms", sources=origins.sources())


@staff(GROWING)
def log(request: HttpRequest, actor: Actor, *, what: str, now: datetime) -> HttpResponse:
    """One of the short forms."""
    today = today_of(now)
    form, status, said = FORMS[what](request.POST or None, today=today), 200, ""
    if request.method == "POST":

        def act() -> str:
            nonlocal said
            said = form.act(by=actor.name, now=now, today=today)
            return reverse("sources")

        done = attempt(request, form, act, by=actor.name, now=now)
        if done is not None:
            messages.success(request, said or "This was saved already.")
            return HttpResponseRedirect(then(request) or done, status=303)
        status = 422
    return show(
        request, actor, "pages/rooms/source.html", here="rooms", status=status, form=form,
        action=request.get_full_path(), what=what,
    )  # fmt: skip


PAGES: list[URLPattern] = [
    path("sources/", page, name="sources"),
    *(path(f"sources/{what}/", log, {"what": what}, name=f"{what}-new") for what in FORMS),
]
