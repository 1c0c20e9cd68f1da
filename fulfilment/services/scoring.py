"""How earlier forecasts met what was harvested, and which forecasts are kept for that."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Final

from django.db import transaction
from django.db.models import Max, Sum

from fulfilment.core.forecast import score, unpack
from fulfilment.models import Book, Forecast, Harvest, Plan, Score, Supply

LEADS: Final = (1, 3, 7, 14)
"""Days ahead at which a forecast is scored."""


def score_yesterday(*, today: date) -> int:
    """Score the forecasts of 1, 3, 7 and 14 days before yesterday against yesterday's harvest; returns how many."""
    day = today - timedelta(days=1)
    took = {
        (strain, grade): grams
        for strain, grade, grams in Harvest.objects.filter(harvested_on=day)
        .values_list("crop__batch__strain_id", "grade")
        .annotate(grams=Sum("trimmed_g"))
    }
    rows = []
    for lead in LEADS:
        made = _first_of(day - timedelta(days=lead))
        if made is None or lead >= made.days:
            continue
        for row in Supply.objects.filter(forecast=made):
            column = unpack(bytes(row.packed), made.scenarios, made.days)[:, lead]
            seen = took.get((row.strain_id, row.grade), 0)
            given = score(column, observed=seen)
            rows.append(
                Score(
                    on=day, strain_id=row.strain_id, grade=row.grade, lead_days=lead, observed=seen, p10=row.p10[lead],
                    p50=row.p50[lead], p90=row.p90[lead], pinball={str(k): v for k, v in given.pinball.items()},
                    crps=given.crps, inside=given.inside,
                )
            )  # fmt: skip
    with transaction.atomic():
        Score.objects.bulk_create(rows, ignore_conflicts=True)
    return len(rows)


def drop_old_forecasts(*, today: date) -> int:
    """Keep what books stand on, the first forecast of each day that may still be scored, and nothing else.

    The newest stays whatever happens, and so does what another worker publishes meanwhile.
    """
    newest = Forecast.objects.aggregate(pk=Max("pk"))["pk"] or 0
    keep = set(Book.objects.filter(forecast__isnull=False).values_list("forecast_id", flat=True))
    oldest = today - timedelta(days=max(LEADS) + 1)
    for back in range((today - oldest).days + 1):
        made = _first_of(oldest + timedelta(days=back))
        if made is not None:
            keep.add(made.pk)
    with transaction.atomic():
        gone = Forecast.objects.filter(pk__lt=newest).exclude(pk__in=keep)
        Plan.objects.filter(forecast__in=gone).update(forecast=None)
        count, _ = Supply.objects.filter(forecast__in=gone).delete()
        gone.delete()
    return count


def _first_of(day: date) -> Forecast | None:
    return Forecast.objects.filter(first_on=day).order_by("pk").first()
