"""How pages say amounts, days and instants: the template filters, always at hand."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING, Any, Final

from django import template
from django.forms import CheckboxInput
from django.utils import timezone

from fulfilment.core.calendar import in_words
from fulfilment.core.promises import words as chance_in_words
from fulfilment.core.units import said
from fulfilment.read.mails import CHANCE_IN_WORDS
from fulfilment.read.tonight import day_in_short

if TYPE_CHECKING:
    from collections.abc import Mapping

    from django.forms import BoundField

register = template.Library()

STAGES: Final[Mapping[str, str]] = {
    "colonising": "spawn run",
    "pinning": "waiting for pins",
    "growing": "growing",
    "picking": "picking",
    "resting": "resting",
    "finished": "finished",
}


@register.filter
def grams(amount: int | None) -> str:
    """``450 g``, ``2.5 kg``."""
    return "" if amount is None else said(int(amount), is_kit=False)


@register.filter
def kits(amount: int | None) -> str:
    """``1 kit``, ``3 kits``."""
    return "" if amount is None else said(int(amount), is_kit=True)


@register.filter
def amount(value: int | None, is_kit: bool) -> str:
    """Grams or kits."""
    return "" if value is None else said(int(value), is_kit=bool(is_kit))


@register.filter
def kg(value: int | None) -> str:
    """``12.3``: kilos to a tenth, for columns whose head says kg."""
    return "" if value is None else f"{value / 1000:.1f}"


@register.filter
def finer_kg(value: float | str | None) -> str:
    """``0.41``: kilos to a hundredth, for scores; empty where the template found none."""
    return f"{value / 1000:.2f}" if isinstance(value, int | float) else ""


@register.filter
def short_day(day: date | None) -> str:
    """``Fri 1 May``."""
    return day_in_short(day) if day else ""


@register.filter
def long_day(day: date | None) -> str:
    """``Friday 1 May 2026``."""
    return in_words(day) if day else ""


@register.filter
def day_range(days: tuple[date, ...] | None) -> str:
    """The first to the last of some days: ``Fri 1 – Mon 4 May``, one day where they are the same."""
    if not days:
        return ""
    first, last = days[0], days[-1]
    if first == last:
        return day_in_short(first)
    head = day_in_short(first)
    if (first.year, first.month) == (last.year, last.month):
        head = head.rpartition(" ")[0]
    return f"{head} – {day_in_short(last)}"


@register.filter
def clock(at: datetime | None) -> str:
    """``14:05`` by the farm's clock."""
    return timezone.localtime(at).strftime("%H:%M") if at else ""


@register.filter
def when(at: datetime | None) -> str:
    """``Fri 1 May, 14:05`` by the farm's clock."""
    if not at:
        return ""
    local = timezone.localtime(at)
    return f"{day_in_short(local.date())}, {local:%H:%M}"


@register.filter
def chance_words(pct: int | None) -> str:
    """``sure``, ``likely``, ``do not plan on it``: what a customer reads instead of a percent."""
    return "" if pct is None else CHANCE_IN_WORDS[chance_in_words(pct)]


@register.filter
def stage(name: str) -> str:
    """A crop's stage in a grower's words."""
    return STAGES.get(name, name)


@register.filter
def plain(name: object) -> str:
    """``run_full`` as ``run full``."""
    return str(name).replace("_", " ")


@register.filter
def who(by: str) -> str:
    """``user:ada`` as ``ada``; keys and the night as they are."""
    return str(by).removeprefix("user:")


@register.filter
def is_tick(field: BoundField) -> bool:
    """Whether a field is a tick box, whose label stands behind it."""
    return isinstance(field.field.widget, CheckboxInput)


@register.filter
def item(found: Mapping[Any, Any], key: object) -> Any:
    """One entry of a map, None where there is none."""
    return found.get(key)
