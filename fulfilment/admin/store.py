"""What is in store: lots, their ledgers, holds.  All of it is read here; entries are made where the work is done."""

from __future__ import annotations

from django.contrib.admin import EmptyFieldListFilter

from fulfilment.admin.rows import Rows, Table, kept
from fulfilment.models import Hold, Lot, StockEntry


@kept(Lot)
class Lots(Rows):
    list_display = ("public_id", "kind", "strain", "grade", "quantity", "ready_on", "best_before", "hard_stop")
    list_filter = ("kind", "strain", "grade", "hard_stop")
    date_hierarchy = "ready_on"
    search_fields = ("public_id__istartswith",)
    search_help_text = "By id."
    ordering = ("-ready_on", "-pk")
    tables = (
        Table("Ledger", "entries", ("at", "kind", "quantity", "by", "reason"), newest_first=True),
        Table("Holds", "holds", ("public_id", "reason", "placed_at", "ended_at", "outcome")),
        Table("Picked for", "picks", ("public_id", "line", "amount", "at", "by"), also=("line__order",)),
    )


@kept(StockEntry)
class StockEntries(Rows):
    list_display = ("at", "lot", "kind", "quantity", "by", "reason")
    list_filter = ("kind",)
    date_hierarchy = "at"
    search_fields = ("lot__public_id__istartswith",)
    search_help_text = "By the lot’s id."
    ordering = ("-pk",)


@kept(Hold)
class Holds(Rows):
    list_display = ("public_id", "reason", "about", "placed_at", "placed_by", "ended_at", "outcome")
    list_filter = (("ended_at", EmptyFieldListFilter), "outcome")
    date_hierarchy = "placed_at"
    search_fields = ("public_id__istartswith",)
    search_help_text = "By id."
    ordering = ("-pk",)

    def about(self, row: Hold) -> str:
        found = row.intake or row.spawn_delivery or row.input_delivery or row.batch or row.lot or row.kit
        return str(found)
