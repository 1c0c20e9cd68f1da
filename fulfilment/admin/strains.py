"""Strains with their profiles, and how long their grades keep."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, cast

from django import forms
from django.core.exceptions import ValidationError
from django.urls import reverse

from fulfilment.admin.forms import RecordForm
from fulfilment.admin.profiles import growth_said, kit_said
from fulfilment.admin.rows import Doing, Rows, Table, kept
from fulfilment.core.care import PROFILES
from fulfilment.models import Keeping, Strain
from fulfilment.services import farm

if TYPE_CHECKING:
    from django.db.models import Model
    from django.http import HttpRequest


class ProfileData(forms.CharField):
    """A profile as JSON; the core says whether it is one."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.Textarea(attrs={"rows": 4, "spellcheck": "false"}))
        super().__init__(required=False, **kwargs)

    def to_python(self, value: Any) -> Any:
        text = super().to_python(value)
        if not text:
            return None
        try:
            data = json.loads(text)
        except ValueError as error:
            raise ValidationError(f"This is no JSON: {error}.") from error
        if not isinstance(data, dict):
            raise ValidationError("A profile is a JSON object: it begins with { and ends with }.")
        return data


class StrainForm(RecordForm):
    """A strain's terms, its two profiles by a known name or as data."""

    looks, look_template = "Look at the profiles first", "admin/farm/profiles.html"
    places = {"growth": "growth_data", "kit": "kit_data"}
    TERMS = ("species", "hardy", "cold_wait_days", "kit_weeks")

    species = forms.CharField(max_length=80, required=False)
    hardy = forms.BooleanField(required=False, label="Grown-through bags may wait cold before they are opened")
    cold_wait_days = forms.IntegerField(initial=14, label="Days a bag may wait cold")
    kit_weeks = forms.IntegerField(
        initial=8, label="Weeks a kit keeps", help_text="From the day its bag was fully colonised to its start-by date."
    )
    growth = forms.ChoiceField(
        required=False, label="How it grows",
        help_text="Stage times and yields to begin with: your own logs correct them.",
    )  # fmt: skip
    growth_data = ProfileData(
        label="A growth profile of your own (JSON)", help_text="Only where none of the known ones fits."
    )
    kit = forms.ChoiceField(required=False, label="How its kit does in a kitchen")
    kit_data = ProfileData(
        label="A kit profile of your own (JSON)", help_text="Only where none of the known ones fits."
    )

    def shape(self) -> None:
        for name, known in (("growth", farm.KNOWN_GROWTH), ("kit", PROFILES)):
            field = self.fields[name]
            assert isinstance(field, forms.ChoiceField)
            field.choices = [("", self.standing(name)), *((each, f"like {each} oyster") for each in known)]

    def standing(self, name: str) -> str:
        """What an empty choice of a profile means."""
        return "as it is"

    def begin(self) -> dict[str, Any]:
        if self.row is None:
            return {"hardy": True}
        return {name: getattr(self.row, name) for name in self.TERMS}

    def profile(self, name: str) -> Any:
        """The name of a known profile, data, or None where neither was given; data goes before a name."""
        data = self.given(f"{name}_data")
        return data if data is not None else self.given(name) or None

    def look(self) -> dict[str, object]:
        growth, kit = self.profile("growth"), self.profile("kit")
        if isinstance(growth, str):
            growth = farm.KNOWN_GROWTH[growth].as_data()
        if isinstance(kit, str):
            kit = PROFILES[kit].as_data()
        if self.row is not None:
            growth, kit = growth or self.row.growth, kit or self.row.kit
        return {"growth": growth_said(growth or {}), "kit": kit_said(kit or {})}


class AddStrain(StrainForm):
    title, button, done = "New strain", "Add the strain", "The strain is added. Say next how long its grades keep."
    name = forms.CharField(max_length=60)
    field_order = ("name", "growth", "kit", *StrainForm.TERMS)

    def standing(self, name: str) -> str:
        return "choose …" if name == "growth" else "as it grows"

    def profile(self, name: str) -> Any:
        """The kit does as the strain grows, where nothing else is said of it."""
        found = super().profile(name)
        grows = self.given("growth")
        return grows if found is None and name == "kit" and grows in PROFILES else found

    def clean(self) -> dict[str, Any] | None:
        found = super().clean()
        for name in ("growth", "kit"):
            if self.profile(name) is None and f"{name}_data" not in self.errors:
                self.add_error(name, "Choose what it is like, or give a profile of its own below.")
        return found

    def do(self) -> Model:
        return farm.register_strain(
            self.given("name"), growth=self.profile("growth"), kit=self.profile("kit"), by=self.hand.by,
            now=self.hand.now, **{name: self.cleaned_data[name] for name in self.TERMS},
        )  # fmt: skip


class ChangeStrain(StrainForm):
    title = "Change"
    note = "Lots already made keep their dates. What the farm’s own logs have taught stays learned."

    def do(self) -> Model:
        return farm.change_strain(
            self.row.public_id, growth=self.profile("growth"), kit=self.profile("kit"), by=self.hand.by,
            now=self.hand.now, **self.news(*self.TERMS),
        )  # fmt: skip


@kept(Strain)
class Strains(Rows):
    adds, changes = AddStrain, ChangeStrain
    list_display = ("name", "species", "hardy", "cold_wait_days", "kit_weeks", "public_id")
    search_fields = ("public_id__istartswith", "name", "species")
    search_help_text = "By id or name."
    ordering = ("name",)
    leaves_out = ("growth", "kit")
    row_template = "admin/farm/strain.html"
    tables = (
        Table("How long it keeps", "keeping", ("grade", "best_before_days", "use_by")),
        Table("Products", "products", ("public_id", "name", "grade", "pack", "price", "active")),
    )

    def leads(self, request: HttpRequest, row: Any) -> list[Doing]:
        if not self.has_change_permission(request, row):
            return []
        keeping, product = reverse("admin:fulfilment_keeping_add"), reverse("admin:fulfilment_product_add")
        return [
            *([Doing("How long it keeps", keeping, danger=False)] if _unsaid(row) else []),
            Doing("New product", product, danger=False),
        ]

    def on_page(self, request: HttpRequest, row: Any) -> dict[str, Any]:
        said = {"growth": growth_said(row.growth), "kit": kit_said(row.kit)}
        return {**super().on_page(request, row), "profiles": said}


class KeepingForm(RecordForm):
    best_before_days = forms.IntegerField(label="Best before, days from harvest")
    use_by = forms.BooleanField(
        required=False, label="“Use by”: nothing is picked past the date, whoever asks",
        help_text="“Use by” has a meaning in law: ask whoever licenses you before you set it.",
    )  # fmt: skip

    def keep(self, strain: str, grade: str) -> Model:
        return farm.keep(
            strain, grade=grade, best_before_days=self.given("best_before_days"), use_by=self.given("use_by"),
            by=self.hand.by, now=self.hand.now,
        )  # fmt: skip


def grades() -> list[tuple[str, str]]:
    """The grades of every strain, as choices ``strain id/grade``."""
    return [
        (f"{strain.public_id}/{grade}", f"{strain.name}, grade {grade}")
        for strain in Strain.objects.order_by("name")
        for grade in farm.grades_of(strain)
    ]


def _unsaid(*strains: Strain) -> list[tuple[str, str]]:
    """The grades, of these strains or of all, of which nobody has said how long they keep."""
    said = {f"{each.strain.public_id}/{each.grade}" for each in Keeping.objects.select_related("strain")}
    ours = {strain.public_id for strain in strains}
    return [(key, word) for key, word in grades() if key not in said and (not ours or key.partition("/")[0] in ours)]


class AddKeeping(KeepingForm):
    title, button = "How long a grade keeps", "Save"
    note = "Each grade of each strain has days of its own, and a harvest is only stored once they are all said."
    places = {"strain": "goods", "grade": "goods"}
    goods = forms.ChoiceField(label="Strain and grade")
    field_order = ("goods",)

    def shape(self) -> None:
        cast(forms.ChoiceField, self.fields["goods"]).choices = _unsaid() or grades()

    def again(self) -> bool:
        return bool(_unsaid())

    def do(self) -> Model:
        strain, _, grade = self.given("goods").partition("/")
        return self.keep(strain, grade)


class ChangeKeeping(KeepingForm):
    title = "Change"
    note = "Lots already made keep the date they were made with."

    def begin(self) -> dict[str, Any]:
        return {"best_before_days": self.row.best_before_days, "use_by": self.row.use_by}

    def do(self) -> Model:
        return self.keep(self.row.strain.public_id, self.row.grade)


@kept(Keeping)
class Keepings(Rows):
    adds, changes = AddKeeping, ChangeKeeping
    named = "how long it keeps"
    list_display = ("strain", "grade", "best_before_days", "use_by")
    list_display_links = ("strain", "grade")
    list_filter = ("strain",)
    ordering = ("strain__name", "grade")

    def subject_of(self, row: Any) -> str:
        return str(row.strain.public_id)
