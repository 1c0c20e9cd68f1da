"""How the records say fields and values: days with their year, instants by the farm's clock, data in one line."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, time
from typing import Final

from django.utils import timezone

from fulfilment.web.ground.words import short_day

WORDS: Final[Mapping[str, str]] = {
    "allocated": "allocated", "asked_pct": "asked, %", "at": "when", "bags_alive": "bags alive",
    "best_before_days": "best before, days", "celsius_tenths": "°C", "chance_pct": "chance, %",
    "cold_wait_days": "days a bag may wait cold", "date_joined": "since", "dry_g_per_bag": "dry grams per bag",
    "email": "mail address", "expiry_date": "works until", "first_on": "from", "hours_since_brewing":
    "hours since brewing", "is_active": "may sign in", "kit_weeks": "weeks a kit keeps", "last_login": "last here",
    "last_on": "until", "lead_days": "days ahead", "made_at": "made", "max_age_days": "harvested at most days before",
    "mail_from": "mails come from", "on": "date", "p10": "P10", "p50": "P50", "p90": "P90", "phone": "telephone",
    "message_id": "message", "served_at": "last posted to", "took_ms": "took, ms",
    "public_id": "id", "room_celsius_tenths": "room, °C", "round_name": "round", "set_point_tenths": "kept at, °C",
    "spawn_pct": "spawn, %", "tell_me_by": "tell of a shortage by", "tolerance_pct": "may weigh off, %",
    "trimmed_g": "after trimming, g", "weighed_g": "weighed, g", "wet_g_per_bag": "wet grams per bag",
    "window_from": "delivered from", "window_to": "delivered until",
}  # fmt: skip
"""What a field is called where its own name says too little."""


def said(value: object, *, name: str = "") -> object:
    """A day, an instant, a time, a tick or data, as a cell says it; anything else as it is."""
    if isinstance(value, int) and name.endswith("_tenths"):
        return f"{value / 10:.1f}"
    if isinstance(value, time):
        return f"{value:%H:%M}"
    if isinstance(value, datetime):
        local = timezone.localtime(value)
        return f"{short_day(local.date())} {local:%Y, %H:%M}"
    if isinstance(value, date):
        return f"{short_day(value)} {value.year}"
    return in_words(value) if isinstance(value, bool | dict | list) else value


def in_words(value: object) -> str:
    """What is kept as data, read in one line: ``line 2, before 500, after 1000``."""
    if isinstance(value, dict):
        return ", ".join(f"{str(key).replace('_', ' ')} {in_words(each)}" for key, each in value.items())
    if isinstance(value, list):
        return "; ".join(in_words(each) for each in value) or "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "–" if value is None or value == "" else str(value)
