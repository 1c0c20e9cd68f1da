"""The next day on which a short line can be full is the first on which an order like it would be promised in full."""

from __future__ import annotations

import random
from datetime import timedelta

import pytest

from fulfilment.models import Line
from fulfilment.read.farm import calendar, farm
from fulfilment.read.tonight import why
from fulfilment.services import customers, ordering
from fulfilment.services.ordering import Asked
from tests import world
from tests.people import ADA
from tests.world import MONDAY, NOW

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize("seed", [61, 67])
def test_each_stated_day_is_the_first_that_the_books_promise_in_full(seed: int) -> None:
    rng = random.Random(seed)
    made = world.build(bags=100, opened_days_ago=8)
    kitchens = [made.kitchen] + [
        customers.add_kitchen(
            f"Kitchen {n}", email=f"k{n}@example.org", address={"street": "1 Quay", "town": "Saltby"}, by=ADA, now=NOW,
            delivery_weekdays=rng.choice([[], [0, 3], [1, 4]]), chance_pct=rng.choice([80, 90, 95]),
        )
        for n in range(3)
    ]  # fmt: skip
    world.plan()
    own = calendar(farm())
    for _ in range(12):
        kitchen = rng.choice(kitchens)
        weekdays = frozenset(kitchen.delivery_weekdays) or None
        on = own.next_delivery_days(MONDAY + timedelta(days=rng.randrange(3)), 1, weekdays=weekdays)[0]
        grams = 500 * rng.randrange(1, 12)
        ordering.place([Asked(made.product.public_id, grams)], kitchen=kitchen.public_id, on=on, by=ADA, now=NOW)
    world.plan()
    stated = 0
    for line in Line.objects.select_related("order__kitchen", "product", "shipment"):
        account, whose = line.account, line.order.kitchen
        assert whose is not None
        if line.allocated >= line.ordered:
            assert account["full_on"] is None
            assert why(account) == ""
            continue
        days = own.next_delivery_days(line.shipment.on, 5, weekdays=frozenset(whose.delivery_weekdays) or None)
        full = [
            day
            for day in days
            if ordering.check(
                [Asked(line.product.public_id, line.ordered)], kitchen=whose.public_id, on=day, now=NOW
            )[0].answer.status == "full"
        ]  # fmt: skip
        assert account["full_on"] == (full[0].isoformat() if full else None)
        stated += bool(full)
        assert ("All of it can be had on" in why(account)) is bool(full)
    assert stated
