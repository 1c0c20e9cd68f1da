"""What the crops will bring, on which day, and how surely."""

from fulfilment.core.forecast.coming import DAYS, SCENARIOS, forecast
from fulfilment.core.forecast.results import LEVELS, Forecast, Outlook, pack, unpack
from fulfilment.core.forecast.rivals import by_profile, by_weekday, weekdays_from
from fulfilment.core.forecast.scoring import COMING_WEEK, LEADS, WHOLE, Score, ahead, score, tie_breaker

__all__ = [
    "COMING_WEEK",
    "DAYS",
    "LEADS",
    "LEVELS",
    "SCENARIOS",
    "WHOLE",
    "Forecast",
    "Outlook",
    "Score",
    "ahead",
    "by_profile",
    "by_weekday",
    "forecast",
    "pack",
    "score",
    "tie_breaker",
    "unpack",
    "weekdays_from",
]
