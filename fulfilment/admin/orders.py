"""Orders: asked, placed, changed and cancelled through the services, the promise shown before and after.

The same forms serve the office and a kitchen's own user.  For the kitchen the customer is itself, chances are words,
and there is no field for a reason: after the cut-off it calls the farm.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, cast

from django import forms
from django.contrib.admin import RelatedFieldListFilter, display
from django.utils.html import format_html_join

from fulfilment.admin.forms import RecordForm
from fulfilment.admin.promises import told
from fulfilment.admin.purchases import PAYMENTS
from fulfilment.admin.rows import Rows, kept
from fulfilment.admin.site import RECORDS, hand_of, site
from fulfilment.core.problems import Invalid
from fulfilment.core.units import said
from fulfilment.models import Address, Allocation, Kitchen, Line, Order, Product, Way
from fulfilment.read.orders.why import account
from fulfilment.read.scope import visible
from fulfilment.services import ordering
from fulfilment.services.ordering import Asked
from fulfilment.web.ground.forms import Day, Grams, Reason
from fulfilment.web.ground.words import short_day

if TYPE_CHECKING:
    from collections.abc import Sequence

    from django.db.models import Model
    from django.http import HttpRequest

    from fulfilment.admin.site import Hand

LINES: Final = 6
"""Rows for lines on the form."""
WAYS: Final = {Way.ROUND: "on a round", Way.CARRIER: "by carrier", Way.COLLECTED: "collected here"}


def kitchen_of(hand: Hand) -> Kitchen:
    """The kitchen whose own user this is."""
    return visible(Kitchen, hand.actor).get()


def choices(form: forms.Form, name: str, found: Sequence[tuple[str, str]]) -> None:
    cast(forms.ChoiceField, form.fields[name]).choices = list(found)


class LinesForm(RecordForm):
    """Lines of an order: products with amounts; blank rows are passed over."""

    template = "admin/farm/lines_form.html"

    def shape(self) -> None:
        sold = Product.objects.filter(active=True).order_by("name").values_list("public_id", "name")
        for place in range(LINES):
            self.fields[f"product_{place}"] = forms.ChoiceField(
                choices=[("", "–"), *sold], required=False, label=f"Line {place + 1}"
            )
            self.fields[f"amount_{place}"] = Grams(required=False, label="Amount")
            self.fields[f"at_least_{place}"] = Grams(required=False, label="At least")

    def line_fields(self) -> list[list[forms.BoundField]]:
        return [[self[f"{name}_{place}"] for name in ("product", "amount", "at_least")] for place in range(LINES)]

    def plain_fields(self) -> list[forms.BoundField]:
        theirs = {field.name for row in self.line_fields() for field in row}
        return [field for field in self.visible_fields() if field.name not in theirs and field.name != "confirmed"]

    def clean(self) -> dict[str, Any] | None:
        found = super().clean()
        for place in range(LINES):
            product, amount = self.given(f"product_{place}"), self.given(f"amount_{place}")
            if product and amount is None and f"amount_{place}" not in self.errors:
                self.add_error(f"amount_{place}", "Say how much.")
            if amount is not None and not product:
                self.add_error(f"product_{place}", "Say of what.")
        return found

    @property
    def filled(self) -> list[int]:
        return [place for place in range(LINES) if self.given(f"product_{place}")]

    def lines(self) -> list[Asked]:
        return [
            Asked(self.given(f"product_{place}"), self.given(f"amount_{place}"), self.given(f"at_least_{place}") or 0)
            for place in self.filled
        ]

    def refuse(self, problem: Any) -> None:
        words = problem.where.split(".")
        if len(words) == 3 and words[0] == "lines" and words[1].isdecimal():
            problem.where = f"{words[2]}_{self.filled[int(words[1])]}"
        elif problem.where == "lines":
            problem.where = "product_0"
        super().refuse(problem)


class PlaceOrder(LinesForm):
    """A new order: checked first, then placed."""

    title, button, done = "New order", "Place the order", "The order is placed. This is what was promised."
    looks, look_template, looks_first = "Check what can be promised", "admin/farm/offers.html", True

    kitchen = forms.ChoiceField(required=False)
    buyer = forms.CharField(max_length=12, required=False, label="Or a buyer, by id")
    on = Day(label="Delivery on")
    way = forms.ChoiceField(required=False, label="How")
    address = forms.ChoiceField(required=False, label="To")
    reference = forms.CharField(max_length=60, required=False, label="The customer’s own number")
    gift = forms.BooleanField(required=False, label="A gift: care mails wait for whoever enters the code on the box")
    greeting = forms.CharField(max_length=300, required=False, label="Greeting on the gift")
    below_chance = forms.BooleanField(
        required=False, label="Promise all of it below the asked chance",
        help_text="Knowingly: the promise says so, and a shortage becomes likely.",
    )  # fmt: skip
    because = Reason(required=False, label="Reason, after the cut-off")

    def shape(self) -> None:
        super().shape()
        choices(self, "way", [("", "as usual"), *((way.value, word) for way, word in WAYS.items())])
        if self.hand.staff:
            kitchens = Kitchen.objects.filter(active=True).order_by("name").values_list("public_id", "name")
            choices(self, "kitchen", [("", "–"), *((key, f"{name} ({key})") for key, name in kitchens)])
            asked = self.data if self.is_bound else self.initial
            owner = {"kitchen__public_id": asked.get("kitchen") or "", "buyer__public_id": asked.get("buyer") or ""}
            where = Address.objects.filter(**{name: key for name, key in owner.items() if key})
            found = where.order_by("pk") if any(owner.values()) else where.none()
        else:
            for name in ("kitchen", "buyer", "gift", "greeting", "below_chance", "because"):
                del self.fields[name]
            found = kitchen_of(self.hand).addresses.order_by("pk")
        choices(self, "address", [("", "their first address"), *((str(row.pk), _place(row)) for row in found[:50])])

    def customer(self) -> dict[str, str]:
        if not self.hand.staff:
            return {"kitchen": kitchen_of(self.hand).public_id}
        return {"kitchen": self.given("kitchen"), "buyer": self.given("buyer")}

    def look(self) -> dict[str, object]:
        customer = self.customer()
        if not any(customer.values()):
            raise Invalid("An order is one kitchen’s or one buyer’s: name exactly one.", where="kitchen")
        offers = ordering.check(
            self.lines(), **customer, on=self.given("on"), because=self.given("because") or "",
            below_chance=bool(self.given("below_chance")), now=self.hand.now,
        )  # fmt: skip
        return {
            "on": self.given("on"),
            "offers": [
                told(
                    each.product, wanted=each.wanted, amount=each.answer.amount, status=each.answer.status,
                    chance=each.answer.chance, asked=each.asked_pct, why=each.answer.why,
                    full_on=each.answer.first_full_on, staff=self.hand.staff,
                )
                for each in offers
            ],
        }  # fmt: skip

    def do(self) -> Model:
        address, customer = self.given("address"), self.customer()
        return ordering.place(
            self.lines(), kitchen=customer.get("kitchen", ""), buyer=customer.get("buyer", ""),
            on=self.given("on"), reference=self.given("reference"),
            way=self.given("way"), address=int(address) if address else None, gift=bool(self.given("gift")),
            greeting=self.given("greeting") or "", below_chance=bool(self.given("below_chance")),
            because=self.given("because") or "", by=self.hand.by, now=self.hand.now,
        )  # fmt: skip


def _place(row: Address) -> str:
    return f"{row.street}, {row.town}"


# ---- What is done with an order -------------------------------------------------------------------------------------


class OnOrder(RecordForm):
    """Something about an order that is not yet sent; after the cut-off the office says why."""

    because = Reason(required=False, label="Reason", help_text="Needed after the cut-off; the event keeps it.")

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        return row.cancelled_at is None and any(
            line.shipment.state in ("placed", "packed") for line in row.lines.select_related("shipment")
        )

    def shape(self) -> None:
        if not self.hand.staff:
            del self.fields["because"]

    @property
    def why(self) -> str:
        return self.given("because") or ""


class OnLine(OnOrder):
    number = forms.TypedChoiceField(coerce=int, label="Line")
    field_order: Any = ("number",)

    def shape(self) -> None:
        super().shape()
        lines = self.row.lines.filter(cancelled_at__isnull=True).select_related("product").order_by("number")
        found = [(line, said(line.ordered, is_kit=line.product.is_kit)) for line in lines]
        choices(
            self, "number", [(str(line.number), f"{line.number}: {line.product.name}, {much}") for line, much in found]
        )


class ChangeLine(OnLine):
    title, done = "Change a line", "The line is changed. This is what is promised now."
    note = "Less keeps the place of what stays; more is asked anew, behind everything promised meanwhile."
    places = {"amount": "to"}
    to = Grams(label="To", help_text="Grams (1980, or 1.98 kg); kits by the piece.")
    below_chance = forms.BooleanField(required=False, label="Promise all of it below the asked chance")
    field_order = ("number", "to", "below_chance")

    def shape(self) -> None:
        super().shape()
        if not self.hand.staff:
            del self.fields["below_chance"]

    def do(self) -> Model:
        ordering.change_line(
            self.row.public_id, number=self.given("number"), to=self.given("to"), because=self.why,
            below_chance=bool(self.given("below_chance")), by=self.hand.by, now=self.hand.now,
        )  # fmt: skip
        return cast("Model", self.row)


class DropLine(OnLine):
    title, button, done, danger = "Drop a line", "Drop the line", "The line is dropped.", True
    note = "The last line takes its order with it."

    def do(self) -> Model:
        return ordering.drop_line(
            self.row.public_id, number=self.given("number"), because=self.why, by=self.hand.by, now=self.hand.now
        )


class CancelOrder(OnOrder):
    title, button, done, danger = "Cancel it", "Cancel the order", "The order is cancelled.", True
    note = "What was promised of it is free for others at once."

    def do(self) -> Model:
        return ordering.cancel(self.row.public_id, because=self.why, by=self.hand.by, now=self.hand.now)


# ---- The list and an order's page -----------------------------------------------------------------------------------


class ByKitchen(RelatedFieldListFilter):
    """Kitchens by name: their ids say nothing in a list."""

    def field_choices(self, field: Any, request: HttpRequest, model_admin: Any) -> Any:
        return list(Kitchen.objects.order_by("name").values_list("pk", "name"))


@kept(Order)
class Orders(Rows):
    adds = PlaceOrder
    doings = {"change-line": ChangeLine, "drop-line": DropLine, "cancel": CancelOrder}
    row_template = "admin/farm/order.html"
    date_hierarchy = "on"
    ordering = ("-on", "-pk")
    list_select_related = ("kitchen", "buyer", "standing_order")

    def columns(self, request: HttpRequest) -> Any:
        whose = ("customer",) if hand_of(request).staff else ()
        return ("public_id", *whose, "on", "what", "placed_at", "standing", "cancelled")

    def get_list_filter(self, request: HttpRequest) -> Any:
        return (("kitchen", ByKitchen),) if hand_of(request).staff else ()

    def get_search_fields(self, request: HttpRequest) -> Any:
        whose = ("kitchen__name", "kitchen__public_id__istartswith", "buyer__public_id__istartswith")
        return ("public_id__istartswith", "reference", *(whose if hand_of(request).staff else ()))

    def get_queryset(self, request: HttpRequest) -> Any:
        return super().get_queryset(request).prefetch_related("lines__product")

    def customer(self, row: Order) -> str:
        return row.kitchen.name if row.kitchen is not None else f"buyer {row.buyer}"

    @display(description="lines")
    def what(self, row: Order) -> str:
        found = [
            (each.product.name, said(each.ordered, is_kit=each.product.is_kit))
            for each in row.lines.all()
            if each.cancelled_at is None
        ]
        return format_html_join("; ", "{}: {}", found)

    @display(description="from", ordering="standing_order")
    def standing(self, row: Order) -> str:
        return "standing order" if row.standing_order_id is not None else "by itself"

    @display(description="cancelled", ordering="cancelled_at")
    def cancelled(self, row: Order) -> str:
        return "cancelled" if row.cancelled_at is not None else ""

    def on_page(self, request: HttpRequest, row: Any) -> dict[str, Any]:
        hand = hand_of(request)
        doings = self.offered(request, row)
        lines = list(
            row.lines.select_related("product", "promise", "shipment__address")
            .prefetch_related("allocations__lot", "allocations__strain", "promises")
            .order_by("number")
        )
        shipment = lines[0].shipment if lines else None
        return {
            "order": row,
            "doings": doings,
            "changes": {doing.word: doing.address for doing in doings},
            "shipment": shipment,
            "way": WAYS[Way(shipment.way)] if shipment is not None else "",
            "place": _place(shipment.address) if shipment is not None else "",
            "past_cut_off": shipment is not None and hand.now >= shipment.cut_off_at,
            "lines": [_line(line, staff=hand.staff) for line in lines],
            "customer": (row.kitchen.name if row.kitchen else str(row.buyer)) if hand.staff else "",
            "customer_url": site.address(row.kitchen or row.buyer) if hand.staff else "",
            "standing_url": (
                site.address(row.standing_order)
                if row.standing_order is not None and hand.actor.may(RECORDS[type(row.standing_order)].see)
                else ""
            ),
            "purchase_url": site.address(row.purchase) if row.purchase is not None and hand.office else "",
            "payment": PAYMENTS[row.purchase.payment] if row.purchase is not None else "",
            "history": site.address(row, "history"),
        }


def _line(line: Line, *, staff: bool) -> dict[str, object]:
    """A line with its promise as it stands, what serves it, and why."""
    promise, product = line.promise, line.product
    return {
        "number": line.number,
        "cancelled": line.cancelled_at is not None,
        "promise": None if promise is None else told(
            product, wanted=line.ordered, amount=line.promised, status=promise.status, chance=promise.chance_pct,
            asked=promise.asked_pct, why=promise.why, full_on=promise.first_full_on, staff=staff,
        ),
        "product": product.name,
        "at_least": said(line.at_least, is_kit=product.is_kit) if line.at_least else "",
        "chance_now": line.chance_pct if staff and line.chance_pct is not None else None,
        "allocated": said(line.allocated, is_kit=product.is_kit) if line.allocated else "nothing yet",
        "sources": [_source(each, is_kit=product.is_kit) for each in line.allocations.all()] if staff else [],
        "account": account(line.account, staff=staff) if line.account else "",
        "picked": said(line.picked, is_kit=product.is_kit) if line.picked else "",
        "refused": said(line.refused, is_kit=product.is_kit) if line.refused else "",
        "promises": len(line.promises.all()),
        "url": site.address(line) if staff else "",
    }  # fmt: skip


def _source(row: Allocation, *, is_kit: bool) -> tuple[str, str, str]:
    """(how much, from what, where that is to be read)."""
    much = said(row.amount, is_kit=is_kit)
    if row.lot is not None:
        return much, f"lot {row.lot}", site.address(row.lot)
    return much, f"the harvest of {short_day(row.coming_on)}", ""
