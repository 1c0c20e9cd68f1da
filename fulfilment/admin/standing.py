"""Standing orders: begun, changed for a date, paused and ended through the services; and their changes as written."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final, cast

from django import forms
from django.contrib.admin import display

from fulfilment.admin.forms import RecordForm
from fulfilment.admin.orders import LINES, WAYS, ByKitchen, LinesForm, choices, kitchen_of
from fulfilment.admin.rows import Rows, kept
from fulfilment.admin.site import hand_of, site
from fulfilment.core.calendar import describe
from fulfilment.core.calendar.days import WEEKDAYS
from fulfilment.core.calendar.rules import CODES
from fulfilment.core.problems import Invalid
from fulfilment.core.units import said
from fulfilment.models import Change, Kitchen, StandingOrder, Way
from fulfilment.read import dates
from fulfilment.read.farm import calendar, farm, today
from fulfilment.services import standing
from fulfilment.web.ground.forms import Day, Grams, Reason

if TYPE_CHECKING:
    from django.db.models import Model
    from django.http import HttpRequest

    from fulfilment.admin.site import Hand

CLOSED_WORDS: Final = {
    StandingOrder.OnClosed.LEFT_OUT.value: "left out",
    StandingOrder.OnClosed.EARLIER.value: "delivered on the nearest day before",
    StandingOrder.OnClosed.LATER.value: "delivered on the nearest day after",
}
AHEAD: Final = timedelta(days=60)
SHOWN: Final = 8
"""Coming dates on a standing order's page."""


class Begin(LinesForm):
    """A recurrence by weekdays, or by a rule of one's own."""

    title, button = "New standing order", "Begin it"
    done = "The standing order begins. Its next dates are orders already."
    places = {"rule": "rule"}

    kitchen = forms.ChoiceField()
    days = forms.MultipleChoiceField(
        choices=list(zip(CODES, WEEKDAYS, strict=True)), required=False, label="Every week on",
        widget=forms.CheckboxSelectMultiple,
    )  # fmt: skip
    every = forms.IntegerField(initial=1, min_value=1, max_value=52, label="Every so many weeks")
    rule = forms.CharField(
        max_length=200, required=False, label="Or a rule",
        help_text="For all that weekdays cannot say, as in RFC 5545: FREQ=MONTHLY;BYDAY=1TU.",
    )  # fmt: skip
    starts_on = Day(label="From")
    ends_on = Day(required=False, label="Until")
    way = forms.ChoiceField(
        choices=[(Way.ROUND.value, WAYS[Way.ROUND]), (Way.COLLECTED.value, WAYS[Way.COLLECTED])], label="How"
    )
    on_closed = forms.ChoiceField(
        choices=list(CLOSED_WORDS.items()), required=False, label="A date without deliveries is"
    )

    def begin(self) -> dict[str, Any]:
        return {"starts_on": self.hand.today + timedelta(days=1)}

    def shape(self) -> None:
        super().shape()
        if self.hand.staff:
            kitchens = Kitchen.objects.filter(active=True).order_by("name").values_list("public_id", "name")
            choices(self, "kitchen", [("", "–"), *((key, f"{name} ({key})") for key, name in kitchens)])
        else:
            del self.fields["kitchen"]

    def do(self) -> Model:
        days, rule = self.given("days"), self.given("rule")
        if bool(days) == bool(rule):
            raise Invalid("Tick weekdays, or write a rule: the one or the other.", where="days")
        kitchen = self.given("kitchen") if self.hand.staff else kitchen_of(self.hand).public_id
        return standing.begin(
            kitchen, lines=self.lines(), starts_on=self.given("starts_on"), ends_on=self.given("ends_on"),
            rule=rule or f"FREQ=WEEKLY;INTERVAL={self.given('every')};BYDAY={','.join(days)}",
            way=self.given("way"), on_closed=self.given("on_closed") or StandingOrder.OnClosed.LEFT_OUT,
            by=self.hand.by, now=self.hand.now,
        )  # fmt: skip


class OnStanding(RecordForm):
    because = Reason(required=False, label="Reason", help_text="Needed after the cut-off; the event keeps it.")

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        return row.ends_on is None or row.ends_on >= hand.today

    def shape(self) -> None:
        if not self.hand.staff:
            del self.fields["because"]

    @property
    def why(self) -> str:
        return self.given("because") or ""


class OnDate(OnStanding):
    on = Day(label="Date", help_text="One of its own dates.")
    field_order = ("on",)


class Skip(OnDate):
    title, button, done = "Skip a date", "Skip it", "Nothing comes on that date."

    def do(self) -> Model:
        standing.skip(self.row.public_id, on=self.given("on"), because=self.why, by=self.hand.by, now=self.hand.now)
        return cast("Model", self.row)


class OtherAmounts(OnDate):
    title, done = "Other amounts on a date", "Those amounts hold for that date."
    note = "Amounts in grams (1500, or 1.5 kg), kits by the piece. 0: none of it on that date."

    def shape(self) -> None:
        super().shape()
        for line in dates.now_usual(self.row, today=self.hand.today):
            usual = said(line.amount, is_kit=line.product.is_kit)
            self.fields[f"amount_{line.product.public_id}"] = Grams(
                at_least=0, label=line.product.name, required=False, help_text=f"Usual: {usual}. Empty: as usual."
            )

    def do(self) -> Model:
        amounts = {
            name.removeprefix("amount_"): value
            for name, value in self.cleaned_data.items()
            if name.startswith("amount_") and value is not None
        }
        if not amounts:
            raise Invalid("Say at least one other amount.", where="on")
        standing.change(
            self.row.public_id, on=self.given("on"), amounts=amounts, because=self.why, by=self.hand.by,
            now=self.hand.now,
        )  # fmt: skip
        return cast("Model", self.row)

    def refuse(self, problem: Any) -> None:
        first, _, product = problem.where.partition(".")
        if first == "amounts" and product:
            problem.where = f"amount_{product}"
        super().refuse(problem)


class AsUsual(OnDate):
    title, button, done = "A date as usual again", "As usual", "That date is as usual again."

    def do(self) -> Model:
        standing.as_usual(self.row.public_id, on=self.given("on"), because=self.why, by=self.hand.by, now=self.hand.now)
        return cast("Model", self.row)


class Pause(OnStanding):
    title, button, done = "Pause", "Pause it", "Nothing comes in those days."
    places = {"on": "last", "last_on": "last"}
    first = Day(label="From")
    last = Day(label="Until, that day included")
    field_order = ("first", "last")

    def do(self) -> Model:
        standing.pause(
            self.row.public_id, first=self.given("first"), last=self.given("last"), because=self.why,
            by=self.hand.by, now=self.hand.now,
        )  # fmt: skip
        return cast("Model", self.row)


class Resume(OnStanding):
    title, button, done = "Resume", "Resume it", "It delivers again from that day."
    on = Day(label="From")
    field_order = ("on",)

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        paused = row.changes.filter(dates.live_changes(), kind=Change.Kind.PAUSE, last_on__gte=hand.today)
        return super().offered(row, hand) and paused.exists()

    def begin(self) -> dict[str, Any]:
        return {"on": self.hand.today}

    def do(self) -> Model:
        return standing.resume(
            self.row.public_id, on=self.given("on"), because=self.why, by=self.hand.by, now=self.hand.now
        )


class SetLines(LinesForm):
    """Other lines from a day on."""

    title, button, done = "Other lines from a day on", "Set them", "These lines hold from that day."
    note = "Orders already made for later dates follow: what stays keeps its place in the row."
    places = {"from_on": "from_on"}
    from_on = Day(label="From")
    because = Reason(required=False, label="Reason", help_text="Needed after the cut-off; the event keeps it.")

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        """Not where there are more lines than rows to write them in."""
        return OnStanding.offered(row, hand) and len(dates.now_usual(row, today=hand.today)) <= LINES

    def begin(self) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for place, line in enumerate(dates.now_usual(self.row, today=self.hand.today)):
            found[f"product_{place}"] = line.product.public_id
            found[f"amount_{place}"], found[f"at_least_{place}"] = line.amount, line.at_least or None
        return found

    def shape(self) -> None:
        super().shape()
        if not self.hand.staff:
            del self.fields["because"]

    def do(self) -> Model:
        return standing.set_lines(
            self.row.public_id, self.lines(), from_on=self.given("from_on"), because=self.given("because") or "",
            by=self.hand.by, now=self.hand.now,
        )  # fmt: skip


class End(OnStanding):
    title, button, done, danger = "End", "End it", "The standing order ends on that day.", True
    note = "Orders made for later dates are cancelled. One whose cut-off is past stays: cancel it by itself."
    last_on = Day(label="Last day it delivers")

    def shape(self) -> None:
        del self.fields["because"]

    def do(self) -> Model:
        return standing.end(self.row.public_id, last_on=self.given("last_on"), by=self.hand.by, now=self.hand.now)


@kept(StandingOrder)
class StandingOrders(Rows):
    adds = Begin
    doings = {
        "skip": Skip, "amounts": OtherAmounts, "as-usual": AsUsual, "pause": Pause, "resume": Resume,
        "lines": SetLines, "end": End,
    }  # fmt: skip
    row_template = "admin/farm/standing.html"
    ordering = ("-pk",)
    list_select_related = ("kitchen",)

    def columns(self, request: HttpRequest) -> Any:
        whose = ("customer",) if hand_of(request).staff else ()
        return ("public_id", *whose, "recurs", "what", "starts_on", "ends_on")

    def get_list_filter(self, request: HttpRequest) -> Any:
        return (("kitchen", ByKitchen),) if hand_of(request).staff else ()

    def get_search_fields(self, request: HttpRequest) -> Any:
        whose = ("kitchen__name", "kitchen__public_id__istartswith")
        return ("public_id__istartswith", *(whose if hand_of(request).staff else ()))

    def get_queryset(self, request: HttpRequest) -> Any:
        return dates.with_dates(super().get_queryset(request))

    def customer(self, row: StandingOrder) -> str:
        return row.kitchen.name

    @display(description="comes", ordering="rule")
    def recurs(self, row: StandingOrder) -> str:
        return describe(row.rule)

    @display(description="lines")
    def what(self, row: StandingOrder) -> str:
        return "; ".join(_usual(row, today(datetime.now(UTC))))

    def on_page(self, request: HttpRequest, row: Any) -> dict[str, Any]:
        hand = hand_of(request)
        orders = {order.standing_on: order for order in row.orders.filter(on__gte=hand.today).order_by("pk")}
        coming = dates.fates(row, calendar(farm()), first=hand.today, last=hand.today + AHEAD)[:SHOWN]
        return {
            "standing": row,
            "doings": self.offered(request, row),
            "recurs": describe(row.rule),
            "lines": _usual(row, hand.today),
            "way": WAYS[Way(row.way)],
            "customer": row.kitchen.name if hand.staff else "",
            "customer_url": site.address(row.kitchen) if hand.staff else "",
            "dates": [
                {
                    "on": fate.on,
                    "order": orders.get(fate.on),
                    "url": site.address(orders[fate.on]) if fate.on in orders else "",
                    "cancelled": fate.on in orders and orders[fate.on].cancelled_at is not None,
                    "what": fate.what,
                    "why": fate.why,
                }
                for fate in coming
            ],
            "on_closed": CLOSED_WORDS[row.on_closed],
            "changed": [
                {"kind": each.kind, "first": each.first_on, "last": each.last_on, "at": each.at}
                for each in row.changes.order_by("-pk")[:20]
            ],
            "history": site.address(row, "history"),
        }


def _usual(row: StandingOrder, today: date) -> list[str]:
    lines = dates.now_usual(row, today=today)
    return [f"{line.product.name}: {said(line.amount, is_kit=line.product.is_kit)}" for line in lines]


@kept(Change)
class StandingChanges(Rows):
    named = "changes of standing orders"
    list_display = ("public_id", "standing_order", "kind", "first_on", "last_on", "at", "by")
    list_filter = ("kind",)
    date_hierarchy = "first_on"
    search_fields = ("public_id__istartswith", "standing_order__public_id__istartswith")
    search_help_text = "By id: its own or its standing order’s."
    ordering = ("-pk",)
