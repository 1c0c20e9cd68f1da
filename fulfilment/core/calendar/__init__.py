"""Days, clocks and recurrences: :mod:`days` says what the farm's wall clock and calendar allow, :mod:`rules` what
a recurrence may say, :mod:`expansion` when it comes round.
"""

from __future__ import annotations

from fulfilment.core.calendar.days import (
    FarmCalendar,
    farm_day,
    in_words,
    instant,
    public_holidays,
    zone_of,
)
from fulfilment.core.calendar.expansion import Patterns, Recurrence, check_rule, expand, occurrences
from fulfilment.core.calendar.rules import describe

__all__ = [
    "FarmCalendar",
    "Patterns",
    "Recurrence",
    "check_rule",
    "describe",
    "expand",
    "farm_day",
    "in_words",
    "instant",
    "occurrences",
    "public_holidays",
    "zone_of",
]
