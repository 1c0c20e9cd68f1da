"""Run by the row ``night`` in a process and a database of its own: prints seconds of the night, of its core alone,
peak MiB.
"""

from __future__ import annotations

import os
import resource
from datetime import timedelta
from time import perf_counter

import django


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "farm_orders.settings")
    django.setup()
    from django.core.management import call_command
    from django.utils import timezone

    from fulfilment.core import allocation
    from fulfilment.core.chances import chances
    from fulfilment.core.forecast import forecast
    from fulfilment.models import Book
    from fulfilment.read import growing, plans, supply
    from fulfilment.read.farm import farm, today
    from fulfilment.services import nights

    call_command("migrate", verbosity=0)
    call_command("demo_farm", verbosity=0)
    now = timezone.now()
    day = today(now)
    if nights.due(now=now) is False:
        now += timedelta(days=1)
        day = today(now)
    begun = perf_counter()
    nights.run(day.isoformat(), now=now)
    whole = perf_counter() - begun
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

    states, knowledge = growing.crop_states(day)
    question = plans.question(today=day)
    rows = list(Book.objects.select_related("forecast"))
    stock = supply.supplies(rows, today=day)
    parts = [part for own in supply.parts(rows, today=day).values() for part in own]
    the_farm = farm()
    begun = perf_counter()
    forecast(
        states, knowledge=knowledge, today=day, days=the_farm.horizon_days, scenarios=the_farm.scenarios,
        seed=the_farm.seed,
    )  # fmt: skip
    made = allocation.allocate(question.wants, question.sources, today=day)
    allocation.audit(made, question.wants, question.sources, today=day)
    chances(stock, parts)
    core = perf_counter() - begun
    print(f"{whole:.3f} {core:.3f} {peak:.0f}")


if __name__ == "__main__":
    main()
