"""Kitchens with their terms, addresses, substitutes, links and own user; buyers; holders."""

from __future__ import annotations

from datetime import time
from decimal import Decimal
from typing import TYPE_CHECKING, Any, cast

from django import forms
from django.contrib.admin import display
from django.contrib.auth.models import User
from django.db.models import Q
from django.urls import reverse
from django.utils.html import format_html

from fulfilment.admin.farm import Price, in_currency, minor
from fulfilment.admin.forms import Clock, RecordForm, Weekdays
from fulfilment.admin.rows import Doing, Rows, Table, kept
from fulfilment.admin.site import hand_of, site
from fulfilment.admin.strains import grades
from fulfilment.core.calendar.days import WEEKDAYS
from fulfilment.core.problems import Invalid
from fulfilment.models import Address, Buyer, Holder, Kitchen, Product
from fulfilment.read.farm import farm_if_any
from fulfilment.read.people import ROLES
from fulfilment.services import customers, people

if TYPE_CHECKING:
    from django.db.models import Model
    from django.http import HttpRequest

    from fulfilment.admin.site import Hand
    from fulfilment.services.customers import Place

SUBSTITUTES = 6
"""Rows for substitutes on the form."""

PLACE = ("street", "postcode", "town", "country", "latitude", "longitude", "instructions")


class PlaceForm(RecordForm):
    """An address."""

    street = forms.CharField(max_length=160)
    postcode = forms.CharField(max_length=16, required=False)
    town = forms.CharField(max_length=80)
    country = forms.CharField(max_length=2, help_text="Two letters (ISO 3166).")
    latitude = forms.FloatField(required=False, widget=forms.TextInput(attrs={"inputmode": "decimal"}))
    longitude = forms.FloatField(required=False, widget=forms.TextInput(attrs={"inputmode": "decimal"}))
    instructions = forms.CharField(
        max_length=200, required=False, label="For the driver", help_text="Such as: yard door, ring twice."
    )

    def begin(self) -> dict[str, Any]:
        """Most live in the country whose holidays the farm keeps."""
        ours = farm_if_any()
        return {"country": (ours.holiday_country if ours is not None else "") or "XX"}

    def place(self, name: str = "") -> Place:
        found = {field: self.given(field) for field in PLACE}
        return cast("Place", {**found, "name": name})


class AddressForm(PlaceForm):
    at = forms.CharField(max_length=120, required=False, label="Name at this address")
    places = {"address.name": "at"}
    field_order = ("at",)


class AddAddress(AddressForm):
    title, button, done = "New address", "Add the address", "The address is added."

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        return not isinstance(row, Buyer) or row.erased_at is None

    def do(self) -> Model:
        owner = "kitchen" if isinstance(self.row, Kitchen) else "buyer"
        customers.add_address(
            self.place(self.given("at")), by=self.hand.by, now=self.hand.now,
            kitchen=self.row.public_id if owner == "kitchen" else None,
            buyer=self.row.public_id if owner == "buyer" else None,
        )  # fmt: skip
        return cast("Model", self.row)


class ChangeAddress(AddressForm):
    title = "Put it right"
    note = "This holds for deliveries already placed too. Somebody who moves is better given a new address."

    def begin(self) -> dict[str, Any]:
        return {**{name: getattr(self.row, name) for name in PLACE}, "at": self.row.name}

    def do(self) -> Model:
        return customers.change_address(self.row.pk, self.place(self.given("at")), by=self.hand.by, now=self.hand.now)


# ---- Kitchens -------------------------------------------------------------------------------------------------------


class KitchenTerms(RecordForm):
    """What is agreed with a kitchen."""

    layout = "pairs"
    TERMS = (
        "phone", "tier", "delivery_weekdays", "window_from", "window_to", "max_age_days", "chance_pct",
        "tolerance_pct", "tell_me_by", "round_name",
    )  # fmt: skip

    name = forms.CharField(max_length=120)
    email = forms.CharField(max_length=254, label="Mail address")
    phone = forms.CharField(max_length=40, required=False, label="Telephone")
    round_name = forms.CharField(max_length=60, initial="Town", label="Round")
    delivery_weekdays = Weekdays(
        required=False, label="Takes deliveries on", help_text="None ticked: on every day with a round."
    )
    window_from = Clock(label="Delivered from", initial=time(9, 0))
    window_to = Clock(label="Delivered until", initial=time(12, 0))
    max_age_days = forms.IntegerField(initial=3, label="Harvested at most so many days before")
    chance_pct = forms.IntegerField(
        initial=90,
        label="Promised at a chance of, %",
        help_text="50 to 99; the kitchen never sees it. At 95 a third less is promised at once, half as much fails.",
    )
    tolerance_pct = forms.IntegerField(initial=5, label="A pick may weigh off by, %")
    tell_me_by = Clock(label="Tell of a shortage by", initial=time(16, 0), help_text="On the day before delivery.")
    tier = forms.IntegerField(
        initial=2, help_text="1 to 5; 1 is served first of what is left over. The kitchen never sees it."
    )


class AddKitchen(KitchenTerms, PlaceForm):
    title, button, done = "New kitchen", "Add the kitchen", "The kitchen is added."
    field_order = ("name", "email", "phone", *PLACE[:4], "instructions", *PLACE[4:6])

    def do(self) -> Model:
        return customers.add_kitchen(
            self.given("name"), email=self.given("email"), address=self.place(), by=self.hand.by, now=self.hand.now,
            **{name: self.cleaned_data[name] for name in self.TERMS},
        )  # fmt: skip


class ChangeKitchen(KitchenTerms):
    title = "Change its terms"
    note = "With another mail address, the links sent to the old one stop working."
    active = forms.BooleanField(required=False, label="Is supplied")

    def begin(self) -> dict[str, Any]:
        return {name: getattr(self.row, name) for name in ("name", "email", "active", *self.TERMS)}

    def do(self) -> Model:
        return customers.change_kitchen(
            self.row.public_id, by=self.hand.by, now=self.hand.now,
            **self.news("name", "email", "active", *self.TERMS),
        )  # fmt: skip


class SetSubstitutes(RecordForm):
    """Pairs of goods, best liked first."""

    title, layout = "Substitutes", "pairs"
    note = "What this kitchen takes where there is too little of what it ordered, best liked first."

    def begin(self) -> dict[str, Any]:
        found: dict[str, Any] = {}
        rows = self.row.substitutes.select_related("strain", "instead_strain").order_by("position", "pk")
        for place, each in enumerate(rows[:SUBSTITUTES]):
            found[f"wanted_{place}"] = f"{each.strain.public_id}/{each.grade}"
            found[f"instead_{place}"] = f"{each.instead_strain.public_id}/{each.instead_grade}"
        return found

    def shape(self) -> None:
        choices = [("", "–"), *grades()]
        for place in range(SUBSTITUTES):
            for name, word in (("wanted", "For"), ("instead", "takes instead")):
                self.fields[f"{name}_{place}"] = forms.ChoiceField(
                    choices=choices, required=False, label=f"{place + 1}. {word}"
                )

    def clean(self) -> dict[str, Any] | None:
        found = super().clean()
        for place in range(SUBSTITUTES):
            wanted, instead = self.given(f"wanted_{place}"), self.given(f"instead_{place}")
            if bool(wanted) != bool(instead):
                self.add_error(
                    f"{'instead' if wanted else 'wanted'}_{place}", "Choose this too, or neither of the two."
                )
        return found

    def do(self) -> Model:
        self.chosen = [place for place in range(SUBSTITUTES) if self.given(f"wanted_{place}")]
        pairs = [
            (*self.given(f"wanted_{place}").split("/"), *self.given(f"instead_{place}").split("/"))
            for place in self.chosen
        ]
        customers.set_substitutes(self.row.public_id, pairs, by=self.hand.by, now=self.hand.now)
        return cast("Model", self.row)

    def refuse(self, problem: Any) -> None:
        words = problem.where.split(".")
        if len(words) > 1 and words[0] == "substitutes" and words[1].isdecimal():
            problem.where = f"wanted_{self.chosen[int(words[1])]}"
        super().refuse(problem)


class SetPrices(RecordForm):
    """A price for each product that this kitchen pays another one for."""

    title, layout, done = "Agreed prices", "pairs", "The prices are agreed. Lines already placed keep theirs."
    note = "Per kilo, or per kit. Empty: everybody’s price."

    def begin(self) -> dict[str, Any]:
        return {
            f"price_{each.product.public_id}": Decimal(each.price_minor) / 100
            for each in self.row.agreed_prices.select_related("product")
        }

    def shape(self) -> None:
        agreed = self.row.agreed_prices.values("product")
        for each in Product.objects.filter(Q(active=True) | Q(pk__in=agreed)).order_by("name"):
            self.fields[f"price_{each.public_id}"] = Price(
                required=False, label=each.name, help_text=f"Everybody’s: {in_currency(each.price_minor)}.",
            )  # fmt: skip

    def do(self) -> Model:
        agreed = {
            name.removeprefix("price_"): minor(value)
            for name, value in self.cleaned_data.items()
            if name.startswith("price_") and value is not None
        }
        customers.set_prices(self.row.public_id, agreed, by=self.hand.by, now=self.hand.now)
        return cast("Model", self.row)


class RevokeLinks(RecordForm):
    title, button, danger = "Take its links back", "Take the links back", True
    done = "No link that was sent to this kitchen works any more."
    note = "Every link sent to this kitchen so far stops working. The next mail brings new ones."

    def do(self) -> Model:
        return customers.revoke_links(self.row.public_id, by=self.hand.by, now=self.hand.now)


class OwnUser(RecordForm):
    title, button, done = "Its own user", "Save", "That user may now sign in for this kitchen."
    note = (
        "Whoever signs in so sees this kitchen’s orders and standing orders and nothing else. Another user takes the "
        "place of the one before."
    )
    secret = True
    places = {"user": "login"}

    login = forms.ChoiceField(required=False, label="Somebody who has an account already")
    name = forms.CharField(max_length=35, required=False, label="Or a new account: login name")
    password = forms.CharField(
        required=False, label="Its password", strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}), help_text="At least 10 signs.",
    )  # fmt: skip

    def shape(self) -> None:
        free = User.objects.filter(is_active=True, is_superuser=False, kitchen__isnull=True)
        names = free.exclude(groups__name__in=ROLES).order_by("username").values_list("username", flat=True)
        cast(forms.ChoiceField, self.fields["login"]).choices = [("", "–"), *((each, each) for each in names)]

    def do(self) -> Model:
        if bool(self.given("login")) == bool(self.given("name")):
            raise Invalid("Choose an account, or name a new one: the one or the other.", where="name")
        if self.given("login"):
            return people.connect_kitchen(self.given("login"), self.row.public_id, by=self.hand.by, now=self.hand.now)
        people.add_user(
            self.given("name"), password=self.given("password"), kitchen=self.row.public_id, by=self.hand.by,
            now=self.hand.now,
        )  # fmt: skip
        return cast("Model", self.row)


@kept(Kitchen)
class Kitchens(Rows):
    adds, changes = AddKitchen, ChangeKitchen
    doings = {
        "address": AddAddress, "substitutes": SetSubstitutes, "prices": SetPrices, "own-user": OwnUser,
        "revoke-links": RevokeLinks,
    }  # fmt: skip
    list_display = ("name", "public_id", "round_name", "tier", "chance_pct", "tell_me_by", "crates_out", "active")
    list_filter = ("active", "round_name", "tier")
    search_fields = ("public_id__istartswith", "name", "email")
    search_help_text = "By id, name or mail address."
    ordering = ("name",)
    leaves_out = ("link_version",)
    tables = (
        Table("Addresses", "addresses", ("where", "name", "street", "postcode", "town", "instructions")),
        Table("Takes instead", "substitutes", ("position", "strain", "grade", "instead_strain", "instead_grade")),
        Table("Agreed prices", "agreed_prices", ("product", "price")),
        Table("Standing orders", "standing_orders", ("public_id", "rule", "starts_on", "ends_on")),
        Table("Orders", "orders", ("public_id", "on", "placed_at", "cancelled_at"), newest_first=True),
    )

    def titled(self, row: Any) -> str:
        return str(row.name)

    def leads(self, request: HttpRequest, row: Any) -> list[Doing]:
        if not hand_of(request).office or not row.active:
            return []
        return [
            Doing(f"New {word}", f"{reverse(f'admin:fulfilment_{name}_add')}?kitchen={row.public_id}", danger=False)
            for word, name in (("order", "order"), ("standing order", "standingorder"))
        ]

    def facts_of(self, request: HttpRequest, row: Any) -> list[tuple[str, object]]:
        days = ", ".join(WEEKDAYS[day] for day in row.delivery_weekdays) or "every day with a round"
        found = super().facts_of(request, row)
        return [(name, days if name == "Delivery weekdays" else value) for name, value in found]


# ---- Buyers and holders ---------------------------------------------------------------------------------------------


class BuyerForm(RecordForm):
    name = forms.CharField(max_length=120)
    email = forms.CharField(max_length=254, label="Mail address")
    phone = forms.CharField(max_length=40, required=False, label="Telephone")
    zone = forms.CharField(
        max_length=60, initial="Etc/UTC", label="Time zone", help_text="The clock by which their mails come."
    )


class AddBuyer(BuyerForm, PlaceForm):
    title, button, done = "New buyer", "Add the buyer", "The buyer is added."
    field_order = ("name", "email", "phone", "zone")

    def begin(self) -> dict[str, Any]:
        ours = farm_if_any()
        return {**super().begin(), **({"zone": ours.zone} if ours is not None else {})}

    def shape(self) -> None:
        for name in ("latitude", "longitude"):
            del self.fields[name]

    def do(self) -> Model:
        return customers.add_buyer(
            self.given("name"), email=self.given("email"), phone=self.given("phone"), zone=self.given("zone"),
            address=self.place(), by=self.hand.by, now=self.hand.now,
        )  # fmt: skip


class ChangeBuyer(BuyerForm):
    title = "Change"
    note = "With another mail address, the links sent to the old one stop working."

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        return row.erased_at is None

    def begin(self) -> dict[str, Any]:
        return {name: getattr(self.row, name) for name in ("name", "email", "phone", "zone")}

    def do(self) -> Model:
        return customers.change_buyer(
            self.row.public_id, by=self.hand.by, now=self.hand.now, **self.news("name", "email", "phone", "zone")
        )


@kept(Buyer)
class Buyers(Rows):
    adds, changes, doings = AddBuyer, ChangeBuyer, {"address": AddAddress}
    list_display = ("public_id", "name", "email", "zone", "made_at", "erased_at")
    date_hierarchy = "made_at"
    search_fields = ("public_id__istartswith", "name", "email")
    search_help_text = "By id, name or mail address."
    ordering = ("-pk",)
    tables = (
        Table("Addresses", "addresses", ("where", "name", "street", "postcode", "town")),
        Table("Orders", "orders", ("public_id", "on", "placed_at", "cancelled_at"), newest_first=True),
    )

    def leads(self, request: HttpRequest, row: Any) -> list[Doing]:
        if not hand_of(request).office or row.erased_at is not None:
            return []
        return [Doing("New order", f"{reverse('admin:fulfilment_order_add')}?buyer={row.public_id}", danger=False)]


@kept(Holder)
class Holders(Rows):
    list_display = ("public_id", "email", "zone", "buyer", "unsubscribed_at", "made_at", "erased_at")
    date_hierarchy = "made_at"
    search_fields = ("public_id__istartswith", "email")
    search_help_text = "By id or mail address."
    ordering = ("-pk",)
    leaves_out = ("link_version",)
    tables = (Table("Kits", "kits", ("public_id", "state", "lot", "finished_on")),)


@kept(Address)
class Addresses(Rows):
    changes = ChangeAddress
    list_display = ("where", "kitchen", "buyer", "name", "street", "postcode", "town")
    list_display_links = None
    search_fields = ("kitchen__public_id__istartswith", "buyer__public_id__istartswith", "street", "town")
    search_help_text = "By the customer’s id, street or town."
    ordering = ("-pk",)

    @display(description="number", ordering="pk")
    def where(self, row: Address) -> str:
        return format_html('<a href="{}">{}</a>', site.address(row), row.pk)

    def subject_of(self, row: Any) -> str:
        return str(row.kitchen or row.buyer)
