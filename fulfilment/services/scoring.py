"""How earlier forecasts met what was harvested, and which forecasts are kept for that.

Of each day its first forecast is scored, the one that the day was begun with: later ones have seen some of its harvest.
A score is written once, when its day is over; what is logged of that day afterwards changes stock, not the score.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np
from django.db import transaction
from django.db.models import Max, Min
from django.db.models.functions import Coalesce
from numpy.typing import NDArray

from fulfilment.core.forecast import COMING_WEEK, LEADS, LEVELS, WHOLE, ahead, score, tie_breaker, unpack
from fulfilment.core.units import Goods
from fulfilment.models import Book, Forecast, Harvest, Plan, Score, Supply

ALL_LEADS: Final = (COMING_WEEK, *LEADS)
LOW, MIDDLE, HIGH = LEVELS


def score_past(*, today: date) -> int:
    """Score every forecast whose day is over and not scored yet, also of nights that were left out; returns how many
    scores were written.
    """
    due = _due(today)
    if not due:
        return 0
    took = _took(first=min(made.first_on for made, _ in due), today=today)
    supplies: dict[int, list[Supply]] = defaultdict(list)
    for row in Supply.objects.filter(forecast__in={made.pk for made, _ in due}).order_by("strain_id", "grade"):
        supplies[row.forecast_id].append(row)
    rows = [row for made, leads in due for row in _scores(made, supplies[made.pk], leads, took)]
    with transaction.atomic():
        Score.objects.bulk_create(rows, ignore_conflicts=True)
    return len(rows)


def drop_old_forecasts(*, today: date) -> int:
    """Keep what books stand on, the first forecast of each day that may still be scored, and nothing else.

    The newest stays whatever happens, and so does what another worker publishes meanwhile.
    """
    newest = Forecast.objects.aggregate(pk=Max("pk"))["pk"] or 0
    keep = set(Book.objects.filter(forecast__isnull=False).values_list("forecast_id", flat=True))
    keep |= _firsts(since=today - timedelta(days=max(LEADS) + 1))
    with transaction.atomic():
        gone = Forecast.objects.filter(pk__lt=newest).exclude(pk__in=keep)
        Plan.objects.filter(forecast__in=gone).update(forecast=None)
        count, _ = Supply.objects.filter(forecast__in=gone).delete()
        gone.delete()
    return count


def _firsts(*, since: date) -> set[int]:
    """The first forecast of each day."""
    days = Forecast.objects.filter(first_on__gte=since).order_by().values("first_on").annotate(first=Min("pk"))
    return {day["first"] for day in days}


# ---- What is due ----------------------------------------------------------------------------------------------------


def _due(today: date) -> list[tuple[Forecast, tuple[int, ...]]]:
    """Forecasts with the leads whose day is over, inside their horizon, and not scored yet."""
    firsts: dict[date, Forecast] = {}
    for made in Forecast.objects.filter(first_on__lt=today).order_by("pk").defer("outlooks"):
        firsts.setdefault(made.first_on, made)
    if not firsts:
        return []
    done = set(Score.objects.filter(on__gte=min(firsts), on__lt=today).values_list("on", "lead_days").distinct())
    due = []
    for made in firsts.values():
        leads = tuple(
            lead
            for lead in ALL_LEADS
            if (on := _last_day(made, lead)) < today and ahead(lead).stop <= made.days and (on, lead) not in done
        )
        if leads:
            due.append((made, leads))
    return due


def _last_day(made: Forecast, lead: int) -> date:
    return made.first_on + timedelta(days=ahead(lead).stop - 1)


# ---- What was picked ------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Took:
    """Grams after trimming by day, strain and grade; what was put right stands with the harvest it puts right."""

    by_day: dict[date, dict[Goods, int]] = field(default_factory=lambda: defaultdict(lambda: defaultdict(int)))
    logged: list[tuple[date, Goods, datetime, int]] = field(default_factory=list)

    def on(self, days: Iterable[date]) -> dict[Goods, int]:
        found: dict[Goods, int] = defaultdict(int)
        for day in days:
            for goods, grams in self.by_day.get(day, {}).items():
                found[goods] += grams
        return found

    def after(self, made: Forecast, days: Sequence[date]) -> dict[Goods, int]:
        """The same without what the forecast had seen of its own first day."""
        found = self.on(days)
        for day, goods, at, grams in self.logged:
            if day == made.first_on == days[0] and at <= made.made_at:
                found[goods] -= grams
        return found


def _took(*, first: date, today: date) -> _Took:
    found = _Took()
    rows = Harvest.objects.filter(harvested_on__gte=first, harvested_on__lt=today).annotate(
        known_at=Coalesce("corrects__logged_at", "logged_at")
    )
    for day, strain, grade, at, grams in rows.values_list(
        "harvested_on", "crop__batch__strain_id", "grade", "known_at", "trimmed_g"
    ):
        goods = Goods(strain, grade)
        found.by_day[day][goods] += grams
        found.logged.append((day, goods, at, grams))
    return found


# ---- Scores ---------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Said:
    """What was said of one goods' amount: scenarios, and the rivals' points where they were kept."""

    samples: NDArray[np.int64]
    by_profile: float | None
    by_weekday: float | None

    def __add__(self, other: _Said) -> _Said:
        return _Said(
            self.samples + other.samples,
            _sum(self.by_profile, other.by_profile),
            _sum(self.by_weekday, other.by_weekday),
        )


def _sum(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one + other


def _scores(made: Forecast, supplies: Sequence[Supply], leads: Sequence[int], took: _Took) -> Iterator[Score]:
    arrays = [unpack(bytes(row.packed), made.scenarios, made.days) for row in supplies]
    for lead in leads:
        span = ahead(lead)
        on = _last_day(made, lead)
        picked = took.after(made, [made.first_on + timedelta(days=day) for day in range(span.start, span.stop)])
        wholes: dict[int, _Said] = {}
        for row, array in zip(supplies, arrays, strict=True):
            said = _Said(
                array[:, span].sum(axis=1, dtype=np.int64), _points(row.by_profile, span), _points(row.by_weekday, span)
            )
            whole = wholes.get(row.strain_id)
            wholes[row.strain_id] = said if whole is None else whole + said
            goods = Goods(row.strain_id, row.grade)
            yield _score(made, said, goods, on=on, lead=lead, observed=picked.get(goods, 0))
        for strain_id, said in wholes.items():
            observed = sum(grams for goods, grams in picked.items() if goods.strain_id == strain_id)
            yield _score(made, said, Goods(strain_id, WHOLE), on=on, lead=lead, observed=observed)


def _points(kept: Sequence[float] | None, span: slice) -> float | None:
    return None if kept is None else float(sum(kept[span]))


def _score(made: Forecast, said: _Said, goods: Goods, *, on: date, lead: int, observed: int) -> Score:
    tie = tie_breaker(made.seed, name=f"{on.isoformat()} {goods.strain_id} {goods.grade} {lead}")
    given = score(said.samples, observed=observed, uniform=tie)
    return Score(
        on=on,
        strain_id=goods.strain_id,
        grade=goods.grade,
        lead_days=lead,
        observed=observed,
        p10=given.quantiles[LOW],
        p50=given.quantiles[MIDDLE],
        p90=given.quantiles[HIGH],
        mean=given.mean,
        pinball={str(level): loss for level, loss in given.pinball.items()},
        crps=given.crps,
        inside=given.inside,
        place=given.place,
        by_profile=said.by_profile,
        by_weekday=said.by_weekday,
    )
