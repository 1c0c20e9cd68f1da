"""What orders are made of, as the services wrote it: lines, promises, what serves them, shipments, shortages."""

from __future__ import annotations

from django.contrib.admin import display

from fulfilment.admin.rows import Rows, Table, kept
from fulfilment.models import Allocation, Doubt, Line, Promise, Shipment, ShortageOffer
from fulfilment.web.ground.words import amount


@kept(Line)
class Lines(Rows):
    list_display = ("name", "product", "wanted", "promise_says", "planned", "taken", "chance_pct", "cancelled_at")
    list_filter = ("product",)
    date_hierarchy = "order__on"
    search_fields = ("order__public_id__istartswith",)
    search_help_text = "By the order’s id."
    ordering = ("-pk",)
    list_select_related = ("order", "product")
    tables = (
        Table("Promises", "promises", ("public_id", "number", "status", "amount", "chance_pct", "asked_pct", "at")),
        Table("Served by", "allocations", ("strain", "grade", "lot", "coming_on", "amount")),
        Table("Picks", "picks", ("public_id", "lot", "amount", "at", "by")),
        Table("Refused at the door", "refusals", ("amount", "reason", "at", "by")),
    )

    @display(description="line", ordering="order__public_id")
    def name(self, row: Line) -> str:
        return str(row)

    @display(description="ordered", ordering="ordered")
    def wanted(self, row: Line) -> str:
        return amount(row.ordered, row.product.is_kit)

    @display(description="promised", ordering="promised")
    def promise_says(self, row: Line) -> str:
        return amount(row.promised, row.product.is_kit)

    @display(description="allocated", ordering="allocated")
    def planned(self, row: Line) -> str:
        return amount(row.allocated, row.product.is_kit)

    @display(description="picked", ordering="picked")
    def taken(self, row: Line) -> str:
        return amount(row.picked, row.product.is_kit)


@kept(Promise)
class Promises(Rows):
    list_display = ("public_id", "line", "number", "status", "wanted", "amount", "asked_pct", "chance_pct", "at", "by")
    list_filter = ("status", "below_asked")
    date_hierarchy = "at"
    search_fields = ("public_id__istartswith", "line__order__public_id__istartswith")
    search_help_text = "By id: its own or its order’s."
    ordering = ("-pk",)
    list_select_related = ("line__order",)
    tables = (Table("Parts", "parts", ("book", "amount", "first_on", "last_on", "rank"), also=("book__strain",)),)


@kept(Allocation)
class Allocations(Rows):
    list_display = ("line", "strain", "grade", "lot", "coming_on", "amount", "plan")
    list_filter = ("strain", "grade")
    search_fields = ("line__order__public_id__istartswith", "lot__public_id__istartswith")
    search_help_text = "By the order’s or the lot’s id."
    ordering = ("-pk",)
    list_select_related = ("line__order", "strain", "lot", "plan")


@kept(Shipment)
class Shipments(Rows):
    list_display = ("public_id", "customer", "on", "way", "state", "cut_off_at", "packed_at", "sent_at")
    list_filter = ("state", "way")
    date_hierarchy = "on"
    search_fields = ("public_id__istartswith", "kitchen__name", "kitchen__public_id__istartswith")
    search_help_text = "By id, or the kitchen’s id or name."
    ordering = ("-on", "-pk")
    list_select_related = ("kitchen", "buyer")
    tables = (
        Table("Lines", "lines", ("order", "number", "product", "ordered", "promised", "allocated", "picked")),
        Table("Crates", "crate_entries", ("crates", "at", "by")),
    )

    def customer(self, row: Shipment) -> str:
        return row.kitchen.name if row.kitchen is not None else f"buyer {row.buyer}"


@kept(ShortageOffer)
class ShortageOffers(Rows):
    list_display = ("public_id", "line", "comes", "reason", "told_at", "closes_at", "answer", "answered_at")
    list_filter = ("answer", "reason")
    date_hierarchy = "told_at"
    search_fields = ("public_id__istartswith", "line__order__public_id__istartswith")
    search_help_text = "By id: its own or its order’s."
    ordering = ("-pk",)
    list_select_related = ("line__order",)


@kept(Doubt)
class Doubts(Rows):
    list_display = ("public_id", "line", "chance_pct", "sure", "told_at", "sure_at")
    date_hierarchy = "told_at"
    search_fields = ("public_id__istartswith", "line__order__public_id__istartswith")
    search_help_text = "By id: its own or its order’s."
    ordering = ("-pk",)
    list_select_related = ("line__order",)
