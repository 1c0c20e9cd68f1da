"""The proposed opening day of each batch not yet opened, chosen on what is expected if all were opened at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from fulfilment.core.forecast import Forecast
from fulfilment.core.growth import CropState
from fulfilment.core.openings import Demand, Waiting, choose_delays
from fulfilment.models import Batch
from fulfilment.read import plans


@dataclass(frozen=True, slots=True)
class Openings:
    """The crop states with the chosen waits, and the day by batch on which its bags are proposed to be opened."""

    states: tuple[CropState, ...]
    opens_on: Mapping[int, date]


def choose(states: Sequence[CropState], at_once: Forecast) -> Openings:
    """Batches of strains that cannot wait are opened as soon as they are grown through, as all are ``at_once``."""
    today = at_once.first_day
    batches = {
        batch.pk: batch
        for batch in Batch.objects.select_related("strain").filter(
            pk__in=[s.batch_id for s in states if s.key.startswith("batch:")], strain__hardy=True
        )
    }
    waits = [s for s in states if s.key == f"batch:{s.batch_id}" and s.batch_id in batches and s.bags > 0]
    if not waits:
        return Openings(tuple(states), {})
    others = {goods: at_once.mean(goods) for goods in at_once.supplies}
    waiting = []
    for state in sorted(waits, key=lambda s: (batches[s.batch_id].mixed_on, s.batch_id)):
        batch = batches[state.batch_id]
        coming = {
            goods: np.asarray(amounts.mean(axis=0), dtype=np.float64)
            for goods, amounts in at_once.unopened.get(state.batch_id, {}).items()
        }
        for goods, row in coming.items():
            others[goods] = others[goods] - row
        waited = (today - batch.colonised_on).days if batch.colonised_on else 0
        waiting.append(Waiting(state.batch_id, coming, max(0, batch.strain.cold_wait_days - waited)))
    chosen = choose_delays(waiting, others=others, demands=_demands(today))
    moved: dict[int, int] = {}
    opens_on: dict[int, date] = {}
    for batch_id, delay in chosen.items():
        outlook = at_once.outlooks[f"batch:{batch_id}"]
        ready = outlook.opened_on or today
        opens_on[batch_id] = ready + timedelta(days=delay)
        moved[batch_id] = (opens_on[batch_id] - today).days if delay else 0
    return Openings(
        tuple(
            replace(s, opens_in=moved[s.batch_id]) if s.key == f"batch:{s.batch_id}" and s.batch_id in moved else s
            for s in states
        ),
        opens_on,
    )


def _demands(today: date) -> list[Demand]:
    """Every open line's grams in the goods it ordered."""
    return [
        Demand(goods, (first - today).days, (last - today).days, float(grams))
        for goods, first, last, grams in plans.open_lines(today=today)
    ]
