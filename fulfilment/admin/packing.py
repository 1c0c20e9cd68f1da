"""From store to door, as it was written down."""

from __future__ import annotations

from fulfilment.admin.rows import Rows, Table, kept
from fulfilment.models import CrateEntry, DeliveryNote, Parcel, Pick, PickList, Refusal, Round


@kept(Round)
class Rounds(Rows):
    list_display = ("public_id", "on", "name", "closed_at", "closed_by")
    list_filter = ("name",)
    date_hierarchy = "on"
    search_fields = ("public_id__istartswith", "name")
    search_help_text = "By id or name."
    ordering = ("-on", "name")
    tables = (Table("Stops", "stops", ("position", "shipment", "collects_grounds")),)


@kept(PickList)
class PickLists(Rows):
    list_display = ("public_id", "on", "way", "round", "made_at", "done_at")
    list_filter = ("way",)
    date_hierarchy = "on"
    search_fields = ("public_id__istartswith",)
    search_help_text = "By id."
    ordering = ("-on", "-pk")
    tables = (Table("Rows", "rows", ("position", "line", "lot", "amount"), also=("line__order",)),)


@kept(Pick)
class Picks(Rows):
    list_display = ("public_id", "at", "line", "lot", "amount", "by", "reverses", "reason")
    date_hierarchy = "at"
    search_fields = ("public_id__istartswith", "lot__public_id__istartswith", "line__order__public_id__istartswith")
    search_help_text = "By id: its own, its lot’s or its order’s."
    ordering = ("-pk",)
    list_select_related = ("line__order", "lot", "reverses")


@kept(Parcel)
class Parcels(Rows):
    list_display = ("shipment", "carrier", "tracking", "handed_at", "handed_by")
    list_filter = ("carrier",)
    date_hierarchy = "handed_at"
    search_fields = ("shipment__public_id__istartswith", "tracking")
    search_help_text = "By the shipment’s id or tracking number."
    ordering = ("-pk",)


@kept(DeliveryNote)
class DeliveryNotes(Rows):
    list_display = ("number", "shipment", "made_at")
    date_hierarchy = "made_at"
    search_fields = ("=number", "shipment__public_id__istartswith")
    search_help_text = "By number or the shipment’s id."
    ordering = ("-number",)


@kept(Refusal)
class Refusals(Rows):
    list_display = ("at", "line", "amount", "reason", "by")
    date_hierarchy = "at"
    search_fields = ("line__order__public_id__istartswith",)
    search_help_text = "By the order’s id."
    ordering = ("-pk",)
    list_select_related = ("line__order",)


@kept(CrateEntry)
class CrateEntries(Rows):
    list_display = ("at", "kitchen", "crates", "shipment", "by")
    date_hierarchy = "at"
    search_fields = ("kitchen__public_id__istartswith", "kitchen__name")
    search_help_text = "By the kitchen’s id or name."
    ordering = ("-pk",)
