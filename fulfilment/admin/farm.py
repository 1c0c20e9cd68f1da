"""The farm itself: its terms and closed days, its products and rooms."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import TYPE_CHECKING, Any, cast

from django import forms
from django.contrib.admin import display
from django.db.models import Subquery, Value
from django.db.models.functions import Coalesce
from django.http import HttpResponse, HttpResponseRedirect

from fulfilment.admin.forms import Clock, RecordForm, Weekdays
from fulfilment.admin.rows import Rows, Table, kept
from fulfilment.admin.site import site
from fulfilment.admin.strains import grades
from fulfilment.core.calendar.days import WEEKDAYS
from fulfilment.core.units import KIT, Money
from fulfilment.models import ClosedDay, Farm, Product, Room, SharingRule, Strain
from fulfilment.read.farm import farm_if_any
from fulfilment.services import farm
from fulfilment.web.ground.forms import Celsius, Day

if TYPE_CHECKING:
    from django.db.models import Model, QuerySet
    from django.http import HttpRequest


# ---- The farm's row -------------------------------------------------------------------------------------------------


class SetUp(RecordForm):
    title, button, done = "Set up the farm", "Set it up", "The farm is set up. Look at its terms now."
    name = forms.CharField(max_length=120)
    zone = forms.CharField(max_length=60, label="Time zone", initial="Etc/UTC", help_text="Such as Europe/Oslo.")

    def do(self) -> Model:
        return farm.set_up(self.given("name"), zone=self.given("zone"), by=self.hand.by, now=self.hand.now)


class ChangeFarm(RecordForm):
    title, layout = "Change its terms", "pairs"
    note = "Orders already placed keep the cut-off they were placed with."
    TERMS = (
        "name", "zone", "currency", "delivery_weekdays", "holiday_country", "holiday_region", "cut_off_days",
        "cut_off_time", "night_at", "harvest_before_packing", "sharing_rule", "scenarios", "horizon_days", "roll_days",
        "allergen_wording", "mail_from", "phone",
    )  # fmt: skip

    name = forms.CharField(max_length=120)
    zone = forms.CharField(max_length=60, label="Time zone", help_text="Such as Europe/Oslo.")
    currency = forms.CharField(max_length=3, help_text="Three capital letters (ISO 4217).")
    delivery_weekdays = Weekdays(label="Days with a round", required=False)
    holiday_country = forms.CharField(
        max_length=2, required=False, label="Public holidays of", help_text="Two letters of the country (ISO 3166)."
    )
    holiday_region = forms.CharField(max_length=10, required=False, label="Region")
    cut_off_days = forms.IntegerField(label="Cut-off, days before delivery")
    cut_off_time = Clock(label="Cut-off, time of day")
    night_at = Clock(label="The night’s work begins at")
    harvest_before_packing = forms.BooleanField(
        required=False, label="What is harvested on a delivery day can go out that day"
    )
    sharing_rule = forms.ChoiceField(choices=SharingRule.choices, label="When there is too little")
    scenarios = forms.IntegerField(label="Scenarios of a forecast", help_text="50 to 10,000; 1,000 is usual.")
    horizon_days = forms.IntegerField(label="Days that a forecast looks ahead")
    roll_days = forms.IntegerField(label="Days ahead that standing orders become orders")
    allergen_wording = forms.CharField(
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
        label="Allergens",
        help_text="What the bags hold besides coffee grounds, as leaflet and mails say it. Local food law says what "
        "must be named.",
    )
    mail_from = forms.CharField(max_length=254, label="Mails come from")
    phone = forms.CharField(
        max_length=40, required=False, label="Telephone", help_text="Where kitchens call after the cut-off."
    )

    def begin(self) -> dict[str, Any]:
        return {name: getattr(self.row, name) for name in self.TERMS}

    def do(self) -> Model:
        return farm.change_farm(by=self.hand.by, now=self.hand.now, **self.news(*self.TERMS))


@kept(Farm)
class Farms(Rows):
    adds, changes = SetUp, ChangeFarm
    named = "the farm’s terms"
    list_display = ("name", "zone", "currency")

    def has_add_permission(self, request: HttpRequest) -> bool:
        return super().has_add_permission(request) and farm_if_any() is None

    def changelist_view(self, request: HttpRequest, extra_context: dict[str, Any] | None = None) -> HttpResponse:
        """There is one farm: its page is the list."""
        ours = farm_if_any()
        if ours is not None and self.has_view_permission(request):
            return HttpResponseRedirect(site.address(ours))
        return super().changelist_view(request, extra_context)

    def facts_of(self, request: HttpRequest, row: Any) -> list[tuple[str, object]]:
        days = ", ".join(WEEKDAYS[day] for day in row.delivery_weekdays)
        found = super().facts_of(request, row)
        return [(name, days if name == "Delivery weekdays" else value) for name, value in found]

    def titled(self, row: Any) -> str:
        return str(row)

    def subject_of(self, row: Any) -> str:
        return farm.SUBJECT


class CloseDay(RecordForm):
    title, button, done = "Close a day", "Close the day", "No deliveries go out on that day."
    on = Day(label="Day")
    reason = forms.CharField(max_length=120, required=False)

    def do(self) -> Model:
        return farm.close_day(
            self.given("on"), reason=self.given("reason"), confirmed=self.yes, by=self.hand.by, now=self.hand.now,
            today=self.hand.today,
        )  # fmt: skip


class OpenDay(RecordForm):
    title, button, done = "Open it again", "Open the day", "The day is open again."

    def do(self) -> None:
        farm.open_day(self.row.on, by=self.hand.by, now=self.hand.now)


@kept(ClosedDay)
class ClosedDays(Rows):
    adds, doings = CloseDay, {"open": OpenDay}
    list_display = ("on", "reason")
    date_hierarchy = "on"
    ordering = ("on",)

    def subject_of(self, row: Any) -> str:
        return str(row.on.isoformat())


# ---- Products -------------------------------------------------------------------------------------------------------


class Price(forms.DecimalField):
    """A price in the farm's currency, kept in its hundredths."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(
            max_digits=9, decimal_places=2, min_value=Decimal(0),
            widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
            error_messages={"invalid": "This is no price: write it as 12.50, without the currency."}, **kwargs,
        )  # fmt: skip

    def to_python(self, value: Any) -> Any:
        # A comma before the last one or two digits is a decimal comma; any other is left to be refused.
        return super().to_python(re.sub(r",(?=\d{1,2}\s*$)", ".", value) if isinstance(value, str) else value)

    def prepare_value(self, value: Any) -> Any:
        return f"{value:.2f}" if isinstance(value, Decimal) else value


def in_currency(amount_minor: int) -> str:
    """``12.50 EUR``."""
    return str(Money(amount_minor, _currency()))


def _name_currency(form: forms.Form) -> None:
    form.fields["price"].label = f"Price in {_currency()}"


def minor(price: Decimal) -> int:
    return int(price * 100)


class AddProduct(RecordForm):
    title, button, done = "New product", "Add the product", "The product can be ordered."
    places = {"strain": "goods", "grade": "goods", "price_minor": "price"}
    name = forms.CharField(max_length=80)
    goods = forms.ChoiceField(label="Strain and grade")
    pack = forms.IntegerField(required=False, label="Grams of a pack", help_text="Empty for kits: they go one by one.")
    price = Price(help_text="Per kilo; for kits, of one kit.")

    def shape(self) -> None:
        _name_currency(self)
        kits = [(f"{strain.public_id}/{KIT}", f"{strain.name}, kit") for strain in Strain.objects.order_by("name")]
        goods = sorted([*grades(), *kits], key=lambda each: str(each[1]))
        cast(forms.ChoiceField, self.fields["goods"]).choices = goods

    def clean(self) -> dict[str, Any] | None:
        found = super().clean()
        if self.given("goods") and not self.given("goods").endswith(f"/{KIT}") and self.given("pack") is None:
            self.add_error("pack", "Say how many grams one pack holds.")
        return found

    def do(self) -> Model:
        strain, _, grade = self.given("goods").partition("/")
        return farm.add_product(
            strain, grade=grade, pack=1 if self.given("pack") is None else self.given("pack"),
            price_minor=minor(self.given("price")), name=self.given("name"), by=self.hand.by, now=self.hand.now,
        )  # fmt: skip


class ChangeProduct(RecordForm):
    title = "Change"
    note = "Another price holds for lines to come: those placed keep theirs. Strain, grade and pack stay as they are."
    places = {"price_minor": "price"}
    name = forms.CharField(max_length=80)
    price = Price(help_text="Per kilo; for kits, of one kit.")
    active = forms.BooleanField(required=False, label="Can be ordered")

    def shape(self) -> None:
        _name_currency(self)

    def begin(self) -> dict[str, Any]:
        return {"name": self.row.name, "price": Decimal(self.row.price_minor) / 100, "active": self.row.active}

    def do(self) -> Model:
        news = self.news("name", "active")
        if "price" in self.changed_data:
            news["price_minor"] = minor(self.given("price"))
        return farm.change_product(self.row.public_id, by=self.hand.by, now=self.hand.now, **news)


def _currency() -> str:
    ours = farm_if_any()
    return ours.currency if ours is not None else ""


@kept(Product)
class Products(Rows):
    adds, changes = AddProduct, ChangeProduct
    list_display = ("name", "strain", "grade", "pack", "price", "active", "public_id")
    list_filter = ("active", "strain", "grade")
    search_fields = ("public_id__istartswith", "name")
    search_help_text = "By id or name."
    ordering = ("name",)
    facts = ("public_id", "name", "strain", "grade", "pack", "price", "active")

    def get_queryset(self, request: HttpRequest) -> QuerySet[Any]:
        currency = Coalesce(Subquery(Farm.objects.values("currency")[:1]), Value(""))
        rows: QuerySet[Any] = super().get_queryset(request).annotate(currency=currency)
        return rows

    @display(description="price", ordering="price_minor")
    def price(self, row: Product) -> str:
        # A row that stands in another's table was not asked for here.
        money = Money(row.price_minor, row.currency if hasattr(row, "currency") else _currency())
        return f"{money} each" if row.is_kit else f"{money} a kilo"


# ---- Rooms ----------------------------------------------------------------------------------------------------------


class RoomForm(RecordForm):
    places = {"set_point_c": "set_point_c"}
    name = forms.CharField(max_length=60)


class AddRoom(RoomForm):
    title, button, done = "New room", "Add the room", "The room is added."
    kind = forms.ChoiceField(choices=Room.Kind.choices, widget=forms.RadioSelect)
    set_point_c = Celsius(label="Kept at, °C")

    def do(self) -> Model:
        return farm.add_room(
            self.given("name"), kind=self.given("kind"), set_point_c=self.given("set_point_c"), by=self.hand.by,
            now=self.hand.now,
        )  # fmt: skip


class ChangeRoom(RoomForm):
    title = "Change"
    note = "What grows in it comes earlier or later at another temperature: the plan is made anew."
    set_point_c = Celsius(label="Kept at, °C")

    def begin(self) -> dict[str, Any]:
        return {"name": self.row.name, "set_point_c": Decimal(self.row.set_point_tenths) / 10}

    def do(self) -> Model:
        by, now = self.hand.by, self.hand.now
        if "set_point_c" in self.changed_data:
            farm.set_room(self.row.public_id, set_point_c=self.given("set_point_c"), by=by, now=now)
        return farm.rename_room(self.row.public_id, name=self.given("name"), by=by, now=now)


@kept(Room)
class Rooms(Rows):
    adds, changes = AddRoom, ChangeRoom
    list_display = ("name", "kind", "celsius", "public_id")
    list_filter = ("kind",)
    search_fields = ("public_id__istartswith", "name")
    search_help_text = "By id or name."
    ordering = ("kind", "name")
    facts = ("public_id", "name", "kind", "celsius")
    tables = (Table("Crops", "crops", ("public_id", "batch", "opened_on", "bags", "flush", "stage")),)

    @display(description="kept at °C", ordering="set_point_tenths")
    def celsius(self, row: Room) -> str:
        return f"{row.set_point_tenths / 10:.1f}"
