"""What the crops will bring, on which day, how surely, and why."""

from fulfilment.core.forecast.basis import Basis
from fulfilment.core.forecast.calibration import FEWEST_DAYS, Cause, Flag, Outcome, coverage, deciles, flags
from fulfilment.core.forecast.coming import DAYS, SCENARIOS, forecast
from fulfilment.core.forecast.delays import DelayCost, delay_cost
from fulfilment.core.forecast.reasons import Code, Reason, reason
from fulfilment.core.forecast.results import LEVELS, Forecast, Outlook, pack, unpack
from fulfilment.core.forecast.rivals import by_profile, by_weekday, weekdays_from
from fulfilment.core.forecast.scoring import COMING_WEEK, LEADS, WHOLE, Score, ahead, score, tie_breaker

__all__ = [
    "COMING_WEEK",
    "DAYS",
    "FEWEST_DAYS",
    "LEADS",
    "LEVELS",
    "SCENARIOS",
    "WHOLE",
    "Basis",
    "Cause",
    "Code",
    "DelayCost",
    "Flag",
    "Forecast",
    "Outcome",
    "Outlook",
    "Reason",
    "Score",
    "ahead",
    "by_profile",
    "by_weekday",
    "coverage",
    "deciles",
    "delay_cost",
    "flags",
    "forecast",
    "pack",
    "reason",
    "score",
    "tie_breaker",
    "unpack",
    "weekdays_from",
]
