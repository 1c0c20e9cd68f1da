"""How good the forecasts were: scores by strain and days ahead beside two naive rivals, and who is flagged.

A mean score is taken over all days of a stretch; a rival's over those on which it is known, and then it is compared
with ours on just those days.  Leads are told in order, the coming week's sum first.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import fmean
from typing import TYPE_CHECKING, Final

from fulfilment.core.forecast import COMING_WEEK, LEADS, WHOLE, Flag, Outcome, coverage, deciles, flags
from fulfilment.models import Score, Strain

if TYPE_CHECKING:
    from django.db.models import QuerySet

SPAN: Final = timedelta(weeks=8)


@dataclass(frozen=True, slots=True)
class Rival:
    """A naive forecast's mean miss in grams, and how far below it ours lay on the same days, in percent of it."""

    miss: float
    below_pct: int | None


@dataclass(frozen=True, slots=True)
class Summary:
    """One lead: ``days`` scored, of which ``telling`` ones say something and ``inside`` lie between 0.1 and 0.9 of the
    scenarios; ``band`` is plain coverage of P10 to P90 over all days.  Grams, but for counts and percent.
    """

    lead: int
    days: int
    crps: float
    pinball: Mapping[int, float]
    by_profile: Rival | None
    by_weekday: Rival | None
    telling: int
    inside: int
    band: int
    forecast: float
    picked: int
    deciles: tuple[int, ...]
    flag: Flag | None

    @property
    def is_week(self) -> bool:
        return self.lead == COMING_WEEK

    @property
    def coverage_pct(self) -> int | None:
        return round(100 * self.inside / self.telling) if self.telling else None

    @property
    def band_pct(self) -> int:
        return round(100 * self.band / self.days)

    @property
    def bias_pct(self) -> int | None:
        """How far the forecasts' means lie above what was picked, in percent of it."""
        return round(100 * (self.forecast - self.picked) / self.picked) if self.picked else None

    @property
    def bias(self) -> float:
        """The same as mean grams a day."""
        return (self.forecast - self.picked) / self.days

    @property
    def better_rival(self) -> Rival | None:
        """The one that missed less."""
        known = [rival for rival in (self.by_profile, self.by_weekday) if rival is not None]
        return min(known, key=lambda rival: rival.miss, default=None)


@dataclass(frozen=True, slots=True)
class Day:
    """One scored day (or week that ends on it), in grams."""

    on: date
    low: int
    middle: int
    high: int
    picked: int

    @property
    def inside(self) -> bool:
        return self.low <= self.picked <= self.high


@dataclass(frozen=True, slots=True)
class StrainScores:
    """One strain: a summary a lead, and the days of the lead that was asked for, the oldest first."""

    code: str
    name: str
    summaries: tuple[Summary, ...]
    days: tuple[Day, ...]
    lead: int

    @property
    def flagged(self) -> tuple[Summary, ...]:
        return tuple(summary for summary in self.summaries if summary.flag is not None)

    @property
    def shown(self) -> Summary | None:
        """The summary of the days that are shown."""
        return next((summary for summary in self.summaries if summary.lead == self.lead), None)


@dataclass(frozen=True, slots=True)
class Flagged:
    """A strain whose forecasts should be taken with care, at these days ahead; the cause is the shortest lead's."""

    strain: str
    leads: tuple[int, ...]
    flag: Flag

    @property
    def sentence(self) -> str:
        *before, last = [str(lead) for lead in self.leads]
        ahead = f"{', '.join(before)} and {last} days" if before else f"{last} day{'s' if last != '1' else ''}"
        return (
            f"Forecasts of {self.strain} made {ahead} ahead: on {self.flag.inside} of {self.flag.days} days the "
            f"harvest fell where it should on 80 of 100. {self.flag.sentence}"
        )


def scores(*, today: date, lead: int) -> tuple[StrainScores, ...]:
    """Strains that were scored over the last eight weeks; two statements."""
    by_strain: dict[int, list[Score]] = defaultdict(list)
    for row in _lately(today):
        by_strain[row.strain_id].append(row)
    return tuple(
        StrainScores(
            code=strain.public_id,
            name=strain.name,
            summaries=summaries(by_strain[strain.pk]),
            days=tuple(
                Day(row.on, row.p10, row.p50, row.p90, row.observed)
                for row in by_strain[strain.pk]
                if row.lead_days == lead
            ),
            lead=lead,
        )
        for strain in Strain.objects.order_by("pk")
        if any(row.observed or row.p90 for row in by_strain[strain.pk])
    )


def flagged(*, today: date) -> tuple[Flagged, ...]:
    """Strains whose calibrated coverage is astray over the last eight weeks; one statement."""
    by_strain: dict[str, list[Score]] = defaultdict(list)
    rows_of_leads = _lately(today).filter(lead_days__in=LEADS).select_related("strain")
    for row in rows_of_leads.only("strain__name", "lead_days", "on", "mean", "observed", "place"):
        by_strain[row.strain.name].append(row)
    found = []
    for name, rows in by_strain.items():
        of_leads = flags(_outcomes(rows))
        if of_leads:
            first = min(of_leads)
            found.append(Flagged(name, tuple(sorted(of_leads)), of_leads[first]))
    return tuple(found)


def summaries(rows: Sequence[Score]) -> tuple[Summary, ...]:
    """One strain's (of one grade or all together) scores, summed up by lead."""
    by_lead: dict[int, list[Score]] = defaultdict(list)
    for row in rows:
        by_lead[row.lead_days].append(row)
    outcomes = _outcomes(rows)
    of_leads = flags({lead: of_days for lead, of_days in outcomes.items() if lead != COMING_WEEK})
    return tuple(
        _summary(lead, own, outcomes.get(lead, []), of_leads.get(lead)) for lead, own in sorted(by_lead.items())
    )


def _lately(today: date) -> QuerySet[Score]:
    return Score.objects.filter(on__gte=today - SPAN, on__lt=today, grade=WHOLE).order_by("strain_id", "on")


def _outcomes(rows: Sequence[Score]) -> dict[int, list[Outcome]]:
    """By lead, what is needed to judge; scores of before places were kept are left out."""
    found: dict[int, list[Outcome]] = defaultdict(list)
    for row in rows:
        if row.mean is not None and row.place is not None:
            found[row.lead_days].append(Outcome(row.on, row.mean, row.observed, row.place))
    return found


def _summary(lead: int, rows: Sequence[Score], outcomes: Sequence[Outcome], flag: Flag | None) -> Summary:
    telling, inside = coverage(outcomes)
    return Summary(
        lead=lead,
        days=len(rows),
        crps=fmean(row.crps for row in rows),
        pinball=_pinball(rows),
        by_profile=_rival("by_profile", rows),
        by_weekday=_rival("by_weekday", rows),
        telling=telling,
        inside=inside,
        band=sum(row.inside for row in rows),
        forecast=sum(row.p50 if row.mean is None else row.mean for row in rows),
        picked=sum(row.observed for row in rows),
        deciles=deciles(outcomes),
        flag=flag,
    )


def _pinball(rows: Sequence[Score]) -> dict[int, float]:
    """Mean loss in grams by percent level."""
    levels = sorted({int(level) for row in rows for level in row.pinball})
    return {level: fmean(row.pinball.get(str(level), 0.0) for row in rows) for level in levels}


def _rival(name: str, rows: Sequence[Score]) -> Rival | None:
    known = [(row.crps, abs(said - row.observed)) for row in rows if (said := getattr(row, name)) is not None]
    if not known:
        return None
    ours, miss = fmean(crps for crps, _ in known), fmean(miss for _, miss in known)
    return Rival(miss, round(100 * (1 - ours / miss)) if miss else None)
