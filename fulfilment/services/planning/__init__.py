"""The plan, made again whenever supply or demand has moved.

``replan`` is two commits: the forecast is *published* together with asking every open line again (so no book ever
stands
between two forecasts), then lines are *allotted* lots and coming harvests, of which only the difference is written.
"""

from __future__ import annotations

from datetime import datetime

from fulfilment.models import Plan
from fulfilment.read.farm import today
from fulfilment.services import jobs
from fulfilment.services.planning.allotting import allot
from fulfilment.services.planning.publishing import publish

__all__ = ["allot", "publish", "replan"]


def replan(*, now: datetime, cause: str = "replan", scenarios: int | None = None) -> Plan | None:
    """Forecast, re-ask, allot.  None where the plan failed its audit and the one before it stays."""
    day = today(now)
    wanted = jobs.wanted("replan")
    publish(today=day, now=now, scenarios=scenarios)
    made = allot(today=day, now=now, cause=cause)
    jobs.settle("replan", wanted=wanted, now=now)
    return made
