"""Eight weeks of scores, laid into the table: crops some days apart, and a forecast that is so many days off."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np

from fulfilment.core.forecast import COMING_WEEK, LEADS, WHOLE
from fulfilment.models import Score, Strain

DAYS = 56


def a_score(strain: Strain, on: date, **changes: Any) -> Score:
    """A day of 1 kg that was forecast well."""
    fields: dict[str, Any] = {
        "grade": WHOLE, "lead_days": 7, "observed": 1_000, "p10": 500, "p50": 900, "p90": 1_500, "mean": 950.0,
        "pinball": {"10": 50.0, "50": 50.0, "90": 50.0}, "crps": 100.0, "inside": True, "place": 0.5,
        "by_profile": 1_400.0, "by_weekday": 700.0,
    }  # fmt: skip
    return Score.objects.create(on=on, strain=strain, **(fields | changes))


def eight_weeks(strain: Strain, *, before: date, early: int = 0, seed: int = 3) -> None:
    """Scores of every lead up to the day ``before``; the forecast stands ``early`` days before what was picked."""
    random = np.random.default_rng(seed)
    picked = np.zeros(DAYS + 20, dtype=int)
    for day in np.cumsum(random.integers(3, 8, 20)):
        if day + 2 < picked.size:
            picked[day : day + 2] += [1_800, 900]
    said = np.roll(picked, -early)
    rows = []
    for day in range(DAYS):
        mean, came = int(said[day]), int(picked[day])
        for lead in (COMING_WEEK, *LEADS):
            place = float(random.random()) if mean == came else (0.98 if came > mean else 0.02)
            rows.append(
                Score(
                    on=before - timedelta(days=DAYS - day),
                    strain=strain,
                    grade=WHOLE,
                    lead_days=lead,
                    observed=came,
                    p10=mean // 2,
                    p50=mean,
                    p90=mean * 2,
                    mean=float(mean),
                    crps=abs(mean - came) * 0.8 + 20.0,
                    pinball={"10": 10.0, "50": 20.0, "90": 10.0},
                    inside=mean // 2 <= came <= mean * 2,
                    place=place,
                    by_profile=float(mean) + 400.0,
                    by_weekday=600.0,
                )
            )
    Score.objects.bulk_create(rows)
