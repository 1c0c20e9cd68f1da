"""What the crops will bring, on which day, and how surely."""

from fulfilment.core.forecast.coming import DAYS, SCENARIOS, forecast
from fulfilment.core.forecast.results import LEVELS, Forecast, Outlook, pack, unpack
from fulfilment.core.forecast.scoring import Score, score

__all__ = ["DAYS", "LEVELS", "SCENARIOS", "Forecast", "Outlook", "Score", "forecast", "pack", "score", "unpack"]
