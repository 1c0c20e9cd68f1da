"""The fresh value of a bag of each batch not yet opened, by the forecast that is about to be published."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Final

from fulfilment.core.forecast import Forecast, forecast
from fulfilment.core.growth import CropState, Knowledge
from fulfilment.core.promises import Supply
from fulfilment.core.units import Goods
from fulfilment.core.worth import Worth, worths
from fulfilment.models import Book as BookRow
from fulfilment.read import supply
from fulfilment.read.worths import demands

TRIAL_SCENARIOS: Final = 100
"""The first of the forecast's own: a scenario is the same story however many there are."""
TRIAL_BAGS: Final = 50
"""One bag more is the fiftieth part of fifty: what single bags do by chance is no part of an expectation."""


def weigh(
    made: Forecast, states: Sequence[CropState], knowledge: Mapping[int, Knowledge], *, today: date, seed: int
) -> dict[int, Worth]:
    """Batch id → what one bag more, opened when the plan opens that batch, would bring."""
    waiting = [replace(s, bags=TRIAL_BAGS) for s in states if s.key == f"batch:{s.batch_id}"]
    if not waiting:
        return {}
    count = min(TRIAL_SCENARIOS, made.scenarios)
    trial = forecast(waiting, knowledge=knowledge, today=today, days=made.days, scenarios=count, seed=seed)
    rows = [row for row in BookRow.objects.order_by("pk") if Goods(row.strain_id, row.grade) in made.supplies]
    known = {Goods(row.strain_id, row.grade) for row in rows}
    stock = {
        goods: Supply(goods, whole.first_day, whole.amounts[:count])
        for goods, whole in supply.supplies_of(made, rows, today=today).items()
    }
    bags = {
        state.batch_id: {
            goods: grams / TRIAL_BAGS for goods, grams in trial.unopened[state.batch_id].items() if goods in known
        }
        for state in waiting
    }
    return worths(bags, supplies=stock, demands=demands(rows, today=today))
