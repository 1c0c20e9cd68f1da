"""What was expected and planned, night by night."""

from __future__ import annotations

from typing import Any

from fulfilment.admin.rows import Rows, Table, kept
from fulfilment.models import Book, Forecast, Night, Plan, Score


@kept(Forecast)
class Forecasts(Rows):
    list_display = ("pk", "made_at", "first_on", "days", "scenarios")
    date_hierarchy = "made_at"
    ordering = ("-pk",)
    leaves_out = ("outlooks",)
    tables = (Table("Goods", "supplies", ("strain", "grade")),)


@kept(Plan)
class Plans(Rows):
    list_display = ("public_id", "made_at", "cause", "forecast")
    list_filter = ("cause",)
    date_hierarchy = "made_at"
    search_fields = ("public_id__istartswith",)
    search_help_text = "By id."
    ordering = ("-pk",)


@kept(Book)
class Books(Rows):
    list_display = ("strain", "grade", "forecast")
    list_filter = ("strain",)
    ordering = ("strain__name", "grade")
    list_display_links = ("strain", "grade")


@kept(Score)
class Scores(Rows):
    list_display = ("on", "strain", "grade", "lead_days", "observed", "p10", "p50", "p90", "inside", "crps", "place")
    list_filter = ("strain", "grade", "lead_days", "inside")
    date_hierarchy = "on"
    ordering = ("-on", "-pk")


@kept(Night)
class Nights(Rows):
    list_display = ("on", "begun_at", "done_at")
    date_hierarchy = "on"
    ordering = ("-on",)
    tables = (Table("Steps", "steps", ("step", "done_at", "figures")),)

    def subject_of(self, row: Any) -> str:
        return str(row.on.isoformat())
