"""Two naive forecasts that ours has to beat, as their makers would write them on the wall: a point a day.

*By profile*: every crop on the days and with the grams of its strain's profile, moved on when it is late; nothing
learned, no temperature, no doubt.  A stage that has run its mean time and goes on is due to end today.  *By weekday*:
the mean of the last four weeks' same weekday, as far as they were known that morning; a day on which nothing was
picked counts as nothing.

Both know only what the forecast itself knew.  The CRPS of a point is its plain error, so they are compared with
distributions on the same scale.

Worked example: 10 bags of 800 g dry at 60 % with a first share of 0.58 and 5 % trimmed off: 2,645 g of the first flush.
Pins seen two days ago and a growing time of five days: 529 g (0.2 of it) on the third day from today, then 1,058 g.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Final

import numpy as np

from fulfilment.core.growth import FLUSHES, CropState, Stage, StrainProfile
from fulfilment.core.growth.draws import Floats
from fulfilment.core.units import Goods

WEEKS: Final = 4
"""How many of the last weeks the mean of a weekday is made of."""
WEEK: Final = 7


def by_profile(crops: Sequence[CropState], *, profiles: Mapping[int, StrainProfile], days: int) -> dict[Goods, Floats]:
    """Grams [day from today] of every strain and grade, trimmed, by the averages of its profile alone."""
    whole = {strain_id: np.zeros(days) for strain_id in profiles}
    for crop in crops:
        _add(whole[crop.strain_id], crop, profiles[crop.strain_id])
    return {
        Goods(strain_id, grade): whole[strain_id] * share
        for strain_id, profile in profiles.items()
        for grade, share in profile.grades
    }


def by_weekday(picked: Mapping[date, int], *, today: date, days: int) -> Floats:
    """Grams [day from today]; ``picked`` by day, of which only those before ``today`` count."""
    found = np.zeros(days)
    for lead in range(days):
        newest = today + timedelta(days=lead - WEEK * (1 + lead // WEEK))
        found[lead] = sum(picked.get(newest - timedelta(days=WEEK * back), 0) for back in range(WEEKS)) / WEEKS
    return found


def weekdays_from(today: date) -> date:
    """The first day that :func:`by_weekday` looks at."""
    return today - timedelta(days=WEEK * WEEKS)


def _add(due: Floats, crop: CropState, profile: StrainProfile) -> None:
    """One crop's flushes, each from the day it begins to be picked."""
    grams = crop.bags * crop.dry_g_per_bag * profile.efficiency_pct / 100 * (1 - profile.trim_loss)
    pin, grow, rest = profile.pinning.mean_days, profile.growing.mean_days, profile.resting.mean_days
    flush, begins = max(crop.flush, 1), _begins(crop, profile)
    if crop.stage is Stage.RESTING:
        flush += 1
    while flush <= FLUSHES and begins < due.size:
        for place, share in enumerate(profile.picking_shares):
            day = int(begins) + place
            if (day > 0 or (day == 0 and not crop.picked_today)) and day < due.size:
                due[day] += grams * profile.flush_shares[flush - 1] * share
        begins += len(profile.picking_shares) + rest + pin + grow
        flush += 1


def _begins(crop: CropState, profile: StrainProfile) -> float:
    """Days from today to the first picking day of the flush under way or next; below nought where that is past."""
    pin, grow, rest = profile.pinning.mean_days, profile.growing.mean_days, profile.resting.mean_days
    if crop.unopened:
        run = max(profile.colonising.mean_days - crop.since, 0) if crop.stage is Stage.COLONISING else 0
        return max(run + 1, crop.opens_in) + pin + grow
    match crop.stage:
        case Stage.PINNING:
            return max(pin - crop.since, 0) + grow
        case Stage.GROWING:
            return max(grow - crop.since, 0)
        case Stage.PICKING:
            return -float(crop.picking_day)
        case _:
            return max(rest - crop.since, 0) + pin + grow
