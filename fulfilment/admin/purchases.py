"""What buyers bought at once in a shop, and what the shop says of the money."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final

from django import forms
from django.contrib.admin import display

from fulfilment.admin.farm import Price, in_currency, minor
from fulfilment.admin.forms import RecordForm
from fulfilment.admin.rows import Rows, Table, kept
from fulfilment.models import Purchase
from fulfilment.models.states import PAYMENT
from fulfilment.read.billing import bought_for
from fulfilment.services import purchases
from fulfilment.web.ground.forms import Reason

if TYPE_CHECKING:
    from django.db.models import Model

    from fulfilment.admin.site import Hand

PAYMENTS: Final = {
    "unpaid": "not paid", "authorised": "authorised", "paid": "paid", "part_refunded": "given back in part",
    "refunded": "given back",
}  # fmt: skip


class TellPayment(RecordForm):
    title, done = "Payment", "It is written down."
    note = "What the shop says of the money. Nothing is charged or paid back here."
    places = {"refund": "back", "note": "note_field"}
    payment = forms.ChoiceField(label="It is now")
    back = Price(required=False, label="Given back in all", help_text="Where some or all of it was given back.")
    note_field = forms.CharField(max_length=300, required=False, label="Why it was given back")

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        return bool(PAYMENT[row.payment])

    def shape(self) -> None:
        further = sorted(PAYMENT[self.row.payment], key=list(PAYMENTS).index)
        self.fields["payment"] = forms.ChoiceField(
            choices=[(word, PAYMENTS[word]) for word in further], label="It is now"
        )

    def do(self) -> Model:
        return purchases.tell_payment(
            self.row.public_id, payment=self.given("payment"), refund_minor=minor(self.given("back") or Decimal(0)),
            note=self.given("note_field") or "", by=self.hand.by, now=self.hand.now,
        )  # fmt: skip


class CancelPurchase(RecordForm):
    title, button, done, danger = "Cancel", "Cancel what has not left", "What had not left is cancelled.", True
    note = "Every order of it that has not left the farm is cancelled; what was promised is free at once."
    places = {"note": "note_field"}
    note_field = forms.CharField(max_length=300, required=False, label="What is given back, and why")
    because = Reason(required=False, label="Reason", help_text="Needed after the cut-off; the event keeps it.")

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        return row.cancelled_at is None

    def do(self) -> Model:
        return purchases.cancel(
            self.row.public_id, note=self.given("note_field") or "", because=self.given("because") or "",
            by=self.hand.by, now=self.hand.now,
        )  # fmt: skip


@kept(Purchase)
class Purchases(Rows):
    doings = {"payment": TellPayment, "cancel": CancelPurchase}
    list_display = ("public_id", "buyer", "reference", "paid", "placed_at", "cancelled_at")
    list_filter = ("payment",)
    date_hierarchy = "placed_at"
    search_fields = ("public_id__istartswith", "reference", "buyer__public_id__istartswith")
    search_help_text = "By id, the shop’s number or the buyer’s id."
    ordering = ("-pk",)
    facts = (
        "public_id", "buyer", "reference", "costs", "paid", "payment_told_at", "given_back", "refund_note", "placed_at",
        "placed_by", "cancelled_at",
    )  # fmt: skip
    tables = (Table("Orders", "orders", ("public_id", "on", "gift", "placed_at", "cancelled_at")),)

    @display(description="payment", ordering="payment")
    def paid(self, row: Purchase) -> str:
        return PAYMENTS[row.payment]

    @display(description="costs, without carriage")
    def costs(self, row: Purchase) -> str:
        return in_currency(bought_for(row))

    @display(description="given back")
    def given_back(self, row: Purchase) -> str:
        return in_currency(row.refund_minor) if row.refund_minor else "nothing"
