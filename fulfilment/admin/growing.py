"""Where bags come from and what became of them; donors and suppliers can be changed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django import forms
from django.contrib.admin import display

from fulfilment.admin.forms import RecordForm
from fulfilment.admin.rows import Rows, Table, kept
from fulfilment.models import (
    Batch,
    Crop,
    Donor,
    Harvest,
    InputDelivery,
    Intake,
    Kitchen,
    Observation,
    Reading,
    SpawnDelivery,
    Supplier,
)
from fulfilment.services import growing
from fulfilment.web.ground.words import grams

if TYPE_CHECKING:
    from django.db.models import Model


class ContactForm(RecordForm):
    """Who it is and how they are reached."""

    name = forms.CharField(max_length=120)
    email = forms.CharField(max_length=254, required=False, label="Mail address")
    phone = forms.CharField(max_length=40, required=False, label="Telephone")

    def begin(self) -> dict[str, Any]:
        return {} if self.row is None else {name: getattr(self.row, name) for name in ("name", "email", "phone")}


class DonorForm(ContactForm):
    kitchen = forms.ChoiceField(required=False, label="Buys mushrooms too, as kitchen")

    def begin(self) -> dict[str, Any]:
        owner = self.row.kitchen if self.row is not None else None
        return {**super().begin(), "kitchen": owner.public_id if owner is not None else ""}

    def shape(self) -> None:
        field = self.fields["kitchen"]
        assert isinstance(field, forms.ChoiceField)
        kitchens = Kitchen.objects.order_by("name").values_list("public_id", "name")
        field.choices = [("", "no"), *((key, f"{name} ({key})") for key, name in kitchens)]


class AddDonor(DonorForm):
    title, button, done = "New donor", "Add the donor", "The donor is added."

    def do(self) -> Model:
        return growing.add_donor(
            self.given("name"), email=self.given("email"), phone=self.given("phone"), kitchen=self.given("kitchen"),
            by=self.hand.by, now=self.hand.now,
        )  # fmt: skip


class ChangeDonor(DonorForm):
    title = "Change"

    def do(self) -> Model:
        return growing.change_donor(
            self.row.public_id, **self.news("name", "email", "phone", "kitchen"), by=self.hand.by, now=self.hand.now
        )


class AddSupplier(ContactForm):
    title, button, done = "New supplier", "Add the supplier", "The supplier is added."

    def do(self) -> Model:
        return growing.add_supplier(
            self.given("name"), email=self.given("email"), phone=self.given("phone"), by=self.hand.by,
            now=self.hand.now,
        )  # fmt: skip


class ChangeSupplier(ContactForm):
    title = "Change"

    def do(self) -> Model:
        return growing.change_supplier(
            self.row.public_id, **self.news("name", "email", "phone"), by=self.hand.by, now=self.hand.now
        )


@kept(Donor)
class Donors(Rows):
    adds, changes = AddDonor, ChangeDonor
    list_display = ("public_id", "name", "email", "phone", "kitchen")
    search_fields = ("public_id__istartswith", "name")
    search_help_text = "By id or name."
    tables = (Table("Intakes", "intakes", ("public_id", "collected_on", "grams", "accepted"), newest_first=True),)


@kept(Supplier)
class Suppliers(Rows):
    adds, changes = AddSupplier, ChangeSupplier
    list_display = ("public_id", "name", "email", "phone")
    search_fields = ("public_id__istartswith", "name")
    search_help_text = "By id or name."
    tables = (
        Table("Spawn", "spawn_deliveries", ("public_id", "strain", "received_on", "grams", "supplier_lot")),
        Table("Other deliveries", "input_deliveries", ("public_id", "kind", "received_on", "amount", "supplier_lot")),
    )


@kept(Intake)
class Intakes(Rows):
    list_display = ("public_id", "giver", "collected_on", "grams", "hours_since_brewing", "accepted", "logged_by")
    list_filter = ("accepted",)
    date_hierarchy = "collected_on"
    search_fields = ("public_id__istartswith", "donor__name")
    search_help_text = "By id or donor."
    ordering = ("-collected_on", "-pk")
    tables = (Table("Went into", "into_batches", ("batch", "grams")),)

    @display(description="donor", ordering="donor__name")
    def giver(self, row: Intake) -> str:
        return row.donor.name


@kept(SpawnDelivery)
class SpawnDeliveries(Rows):
    list_display = ("public_id", "strain", "seller", "received_on", "grams", "supplier_lot", "allergens")
    list_filter = ("strain",)
    date_hierarchy = "received_on"
    search_fields = ("public_id__istartswith", "supplier_lot", "supplier__name")
    search_help_text = "By id, supplier or its lot."
    ordering = ("-received_on", "-pk")
    tables = (Table("Went into", "into_batches", ("batch", "grams")),)

    @display(description="supplier", ordering="supplier__name")
    def seller(self, row: SpawnDelivery) -> str:
        return row.supplier.name


@kept(InputDelivery)
class InputDeliveries(Rows):
    list_display = ("public_id", "kind", "seller", "received_on", "amount", "supplier_lot", "allergens")
    list_filter = ("kind",)
    date_hierarchy = "received_on"
    search_fields = ("public_id__istartswith", "supplier_lot", "supplier__name")
    search_help_text = "By id, supplier or its lot."
    ordering = ("-received_on", "-pk")
    tables = (Table("Went into", "into_batches", ("batch", "amount")),)

    @display(description="supplier", ordering="supplier__name")
    def seller(self, row: InputDelivery) -> str:
        return row.supplier.name


@kept(Batch)
class Batches(Rows):
    list_display = ("public_id", "strain", "mixed_on", "bags", "bags_left", "kit_quota", "opens_on", "room")
    list_filter = ("strain", "room")
    date_hierarchy = "mixed_on"
    search_fields = ("public_id__istartswith",)
    search_help_text = "By id."
    ordering = ("-mixed_on", "-pk")
    tables = (
        Table("From grounds", "from_intakes", ("intake", "grams")),
        Table("From spawn", "from_spawn", ("spawn_delivery", "grams")),
        Table("From other deliveries", "from_inputs", ("input_delivery", "amount")),
        Table("Opened", "crops", ("public_id", "opened_on", "bags", "bags_lost", "stage")),
        Table("Seen", "observations", ("seen_on", "kind", "bags", "cause", "celsius_tenths", "note", "logged_by")),
        Table("Lots", "lots", ("public_id", "kind", "ready_on", "quantity", "best_before")),
        Table("Holds", "holds", ("public_id", "reason", "placed_at", "ended_at", "outcome")),
    )


@kept(Crop)
class Crops(Rows):
    list_display = ("public_id", "batch", "grows", "room", "opened_on", "bags", "bags_lost", "flush", "stage")
    list_filter = ("stage", "room", "batch__strain")
    date_hierarchy = "opened_on"
    search_fields = ("public_id__istartswith", "batch__public_id__istartswith")
    search_help_text = "By id, its own or its batch’s."
    ordering = ("-opened_on", "-pk")
    list_select_related = ("batch__strain", "room")
    tables = (
        Table(
            "Harvests",
            "harvests",
            ("public_id", "harvested_on", "flush", "grade", "weighed_g", "trimmed_g", "corrects", "reason"),
        ),
        Table("Seen", "observations", ("seen_on", "kind", "flush", "bags", "cause", "note", "logged_by")),
    )

    @display(description="strain", ordering="batch__strain__name")
    def grows(self, row: Crop) -> str:
        return row.batch.strain.name


@kept(Observation)
class Observations(Rows):
    list_display = ("seen_on", "kind", "batch", "crop", "bags", "cause", "celsius_tenths", "logged_by")
    list_filter = ("kind", "cause")
    date_hierarchy = "seen_on"
    search_fields = ("batch__public_id__istartswith", "crop__public_id__istartswith")
    search_help_text = "By the id of a batch or crop."
    ordering = ("-seen_on", "-pk")


@kept(Harvest)
class Harvests(Rows):
    list_display = (
        "public_id",
        "crop",
        "harvested_on",
        "flush",
        "grade",
        "weighed",
        "trimmed",
        "corrects",
        "logged_by",
    )
    list_select_related = ("crop", "corrects")
    list_filter = ("grade", "flush")
    date_hierarchy = "harvested_on"
    search_fields = ("public_id__istartswith", "crop__public_id__istartswith")
    search_help_text = "By id, its own or its crop’s."
    ordering = ("-harvested_on", "-pk")

    @display(ordering="weighed_g")
    def weighed(self, row: Harvest) -> str:
        return grams(row.weighed_g)

    @display(description="after trimming", ordering="trimmed_g")
    def trimmed(self, row: Harvest) -> str:
        return grams(row.trimmed_g)


@kept(Reading)
class Readings(Rows):
    list_display = ("at", "room", "celsius", "logged_by")
    list_filter = ("room",)
    date_hierarchy = "at"
    ordering = ("-at", "-pk")

    @display(description="°C", ordering="celsius_tenths")
    def celsius(self, row: Reading) -> str:
        return f"{row.celsius_tenths / 10:.1f}"
