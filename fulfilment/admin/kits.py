"""Kits and what happened to them, and the care mails planned from that."""

from __future__ import annotations

from fulfilment.admin.rows import Rows, Table, kept
from fulfilment.models import CareMail, Kit, KitEvent


@kept(Kit)
class Kits(Rows):
    list_display = ("public_id", "state", "lot", "batch", "line", "holder", "warmth", "finished_on")
    list_filter = ("state", "warmth", "lot__strain")
    search_fields = ("public_id__istartswith", "lot__public_id__istartswith", "line__order__public_id__istartswith")
    search_help_text = "By id: its own, its lot’s or its order’s."
    ordering = ("-pk",)
    list_select_related = ("lot", "batch", "line__order", "holder")
    # Whoever has the code can join the kit: it stands on the box.
    leaves_out = ("joining_code",)
    tables = (
        Table("What happened", "events", ("on", "kind", "cycle", "trouble", "at", "by")),
        Table("Care mails", "care_mails", ("step", "cycle", "due_at", "state", "mail")),
        Table("Holds", "holds", ("public_id", "reason", "placed_at", "ended_at", "outcome")),
    )


@kept(KitEvent)
class KitEvents(Rows):
    list_display = ("kit", "kind", "on", "cycle", "trouble", "at", "by")
    list_filter = ("kind", "trouble")
    date_hierarchy = "on"
    search_fields = ("kit__public_id__istartswith",)
    search_help_text = "By the kit’s id."
    ordering = ("-pk",)


@kept(CareMail)
class CareMails(Rows):
    list_display = ("kit", "step", "cycle", "due_at", "state", "safety", "mail")
    list_filter = ("state", "step", "safety")
    date_hierarchy = "due_at"
    search_fields = ("kit__public_id__istartswith",)
    search_help_text = "By the kit’s id."
    ordering = ("-due_at", "-pk")
