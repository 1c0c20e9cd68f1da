"""The coming harvest by strain: bands by day and by week, what is promised, what is in store, how good the last
forecasts were.

Bands by day and by grade do not add up (a good day follows a bad one), so sums over days and grades are made scenario
by scenario, and their P10, P50 and P90 taken afterwards.  What is promised stands at its delivery day; a delivery takes
what was picked in the days before it, so promise and harvest are compared by the week.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np
from django.db.models import Count, Q, Sum
from numpy.typing import NDArray

from fulfilment.core.forecast import LEVELS, WHOLE, unpack
from fulfilment.core.units import KIT
from fulfilment.models import Forecast, Line, Lot, PromisePart, Score, StockEntry, Strain, Supply
from fulfilment.read import holds, supply

WEEKS: Final = 5
WEEK: Final = 7
SCORED: Final = timedelta(weeks=8)
LEAD: Final = 7
"""Days ahead of the forecasts whose scores are told: a week is what orders are taken by."""

Band = tuple[int, int, int]
"""P10, P50, P90 in grams."""


@dataclass(frozen=True, slots=True)
class Day:
    """One day: what may be harvested on it, and what is promised for delivery on it."""

    on: date
    band: Band
    promised: int


@dataclass(frozen=True, slots=True)
class Week:
    """Seven days from ``first``; ``band`` is that of the week's sum; ``kits`` get ready in it, in pieces."""

    first: date
    last: date
    band: Band
    ordered: int
    promised: int
    kits: int
    kits_promised: int


@dataclass(frozen=True, slots=True)
class GradeComing:
    """One grade: the band of each week's sum, and what is in store."""

    grade: str
    on_hand: int
    weeks: tuple[Band, ...]


@dataclass(frozen=True, slots=True)
class Kept:
    """How forecasts a week ahead met the harvest of the last eight weeks: so many days inside the band out of ``days``;
    grams that were picked, and that the days' middles add up to.
    """

    days: int
    inside: int
    middle: int
    picked: int

    @property
    def pct(self) -> int:
        return round(100 * self.inside / self.days) if self.days else 0

    @property
    def bias_pct(self) -> int:
        """How far the middles lie above what was picked, in percent of it; below zero where more came."""
        return round(100 * (self.middle - self.picked) / self.picked) if self.picked else 0

    @property
    def less_pct(self) -> int:
        """The same where more came than they said, above zero."""
        return max(0, -self.bias_pct)


@dataclass(frozen=True, slots=True)
class StrainComing:
    code: str
    name: str
    on_hand: int
    kits_in_store: int
    days: tuple[Day, ...]
    weeks: tuple[Week, ...]
    grades: tuple[GradeComing, ...]
    kept: Kept | None

    @property
    def nothing(self) -> bool:
        """Whether there is nothing to show of it."""
        return not (
            self.on_hand
            or self.kits_in_store
            or any(day.band[2] or day.promised for day in self.days)
            or any(week.kits for week in self.weeks)
        )


@dataclass(frozen=True, slots=True)
class Coming:
    """``made_at`` is None before the first forecast; ``since`` counts harvests logged after it looked."""

    made_at: datetime | None
    scenarios: int
    since: int
    strains: tuple[StrainComing, ...]

    @property
    def nothing(self) -> bool:
        return all(strain.nothing for strain in self.strains)


def coming(*, today: date) -> Coming:
    """Five weeks from ``today``, in a number of statements that does not hang on how much grows."""
    made = Forecast.objects.order_by("-pk").first()
    arrays = _arrays(made, today=today)
    stock = _stock(today)
    due = _due(today)
    ready: Mapping[int, Sequence[tuple[date, int]]] = supply.unsealed()
    kept = _kept(today)
    strains = tuple(
        _strain(strain, arrays.get(strain.pk, {}), stock[strain.pk], due[strain.pk], ready.get(strain.pk, ()),
                kept.get(strain.pk), today=today)
        for strain in Strain.objects.order_by("pk")
    )  # fmt: skip
    since = StockEntry.objects.filter(pk__gt=made.seen_entry, kind="harvested").count() if made is not None else 0
    return Coming(
        made_at=made.made_at if made is not None else None,
        scenarios=made.scenarios if made is not None else 0,
        since=since,
        strains=tuple(each for each in strains if not each.nothing),
    )


def band(amounts: NDArray[np.int64]) -> Band:
    """P10, P50 and P90 of [scenario]."""
    p10, p50, p90 = np.percentile(amounts, list(LEVELS), method="inverted_cdf").tolist()
    return int(p10), int(p50), int(p90)


# ---- Rows -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Due:
    """What is still to go out on a day: ordered of a strain, or promised of it (a substitute counts as itself)."""

    on: date
    is_kit: bool
    ordered: int = 0
    promised: int = 0


def _arrays(made: Forecast | None, *, today: date) -> dict[int, dict[str, NDArray[np.int64]]]:
    """Strain → grade → grams [scenario, day from today], days beyond the horizon bringing nothing."""
    found: dict[int, dict[str, NDArray[np.int64]]] = defaultdict(dict)
    if made is None:
        return found
    first = max(0, (today - made.first_on).days)
    for row in Supply.objects.filter(forecast=made).exclude(grade=KIT).order_by("grade"):
        whole = np.zeros((made.scenarios, WEEKS * WEEK), dtype=np.int64)
        known = unpack(bytes(row.packed), made.scenarios, made.days)[:, first : first + WEEKS * WEEK]
        whole[:, : known.shape[1]] = known
        found[row.strain_id][row.grade] = whole
    return found


def _stock(today: date) -> dict[int, dict[str, int]]:
    """Strain → grade → what is in store, not past its date and not held."""
    held = holds.held_lot_ids()
    found: dict[int, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    rows = Lot.objects.filter(quantity__gt=0, best_before__gte=today).values_list("pk", "strain", "grade", "quantity")
    for pk, strain, grade, quantity in rows:
        if pk not in held:
            found[strain][grade] += quantity
    return found


def _due(today: date) -> dict[int, list[_Due]]:
    """Strain → what is ordered and promised of it for the coming weeks, less what is picked already."""
    found: dict[int, list[_Due]] = defaultdict(list)
    until = today + timedelta(days=WEEKS * WEEK)
    left: dict[int, int] = {}
    for pk, strain, grade, on, ordered, picked in Line.objects.filter(
        cancelled_at__isnull=True, shipment__state__in=["placed", "packed"], shipment__on__gte=today,
        shipment__on__lt=until,
    ).values_list("pk", "product__strain", "product__grade", "shipment__on", "ordered", "picked"):  # fmt: skip
        found[strain].append(_Due(on, grade == KIT, ordered=max(0, ordered - picked)))
        left[pk] = picked
    rows = (
        PromisePart.objects.filter(
            promise__current_of__isnull=False, promise__line__cancelled_at__isnull=True,
            promise__line__shipment__state__in=["placed", "packed"], promise__line__shipment__on__gte=today,
            promise__line__shipment__on__lt=until,
        )
        .order_by("rank", "pk")
        .values_list("promise__line", "book__strain", "book__grade", "promise__line__shipment__on", "amount")
    )  # fmt: skip
    for line, strain, grade, on, amount in rows:
        gone = min(amount, left.get(line, 0))
        left[line] = left.get(line, 0) - gone
        found[strain].append(_Due(on, grade == KIT, promised=amount - gone))
    return found


def _kept(today: date) -> dict[int, Kept]:
    """Strain → scores of the last eight weeks; days on which nothing was expected and nothing came are left out."""
    rows = (
        Score.objects.filter(on__gte=today - SCORED, on__lt=today, lead_days=LEAD, grade=WHOLE)
        .filter(Q(p90__gt=0) | Q(observed__gt=0))
        .order_by()
        .values("strain")
        .annotate(
            days=Count("pk"), within=Count("pk", filter=Q(inside=True)), middle=Sum("p50"), picked=Sum("observed")
        )
    )
    return {row["strain"]: Kept(row["days"], row["within"], row["middle"], row["picked"]) for row in rows}


# ---- Figures --------------------------------------------------------------------------------------------------------


def _strain(
    strain: Strain,
    arrays: Mapping[str, NDArray[np.int64]],
    stock: Mapping[str, int],
    due: Sequence[_Due],
    ready: Sequence[tuple[date, int]],
    kept: Kept | None,
    *,
    today: date,
) -> StrainComing:
    whole = sum(arrays.values(), np.zeros((1, WEEKS * WEEK), dtype=np.int64))
    fresh, kits = [each for each in due if not each.is_kit], [each for each in due if each.is_kit]
    return StrainComing(
        code=strain.public_id,
        name=strain.name,
        on_hand=sum(quantity for grade, quantity in stock.items() if grade != KIT),
        kits_in_store=stock.get(KIT, 0),
        days=tuple(
            Day(
                on=today + timedelta(days=place),
                band=band(whole[:, place]),
                promised=sum(each.promised for each in fresh if each.on == today + timedelta(days=place)),
            )
            for place in range(WEEKS * WEEK)
        ),
        weeks=tuple(_week(whole, fresh, kits, ready, number=number, today=today) for number in range(WEEKS)),
        grades=tuple(
            GradeComing(
                grade=grade,
                on_hand=stock.get(grade, 0),
                weeks=tuple(band(array[:, WEEK * n : WEEK * n + WEEK].sum(axis=1)) for n in range(WEEKS)),
            )
            for grade, array in sorted(arrays.items())
        ),
        kept=kept,
    )


def _week(
    whole: NDArray[np.int64],
    fresh: Sequence[_Due],
    kits: Sequence[_Due],
    ready: Sequence[tuple[date, int]],
    *,
    number: int,
    today: date,
) -> Week:
    first = today + timedelta(days=WEEK * number)
    last = first + timedelta(days=WEEK - 1)
    return Week(
        first=first,
        last=last,
        band=band(whole[:, WEEK * number : WEEK * number + WEEK].sum(axis=1)),
        ordered=sum(each.ordered for each in fresh if first <= each.on <= last),
        promised=sum(each.promised for each in fresh if first <= each.on <= last),
        kits=sum(pieces for day, pieces in ready if first <= max(day, today) <= last),
        kits_promised=sum(each.promised for each in kits if first <= each.on <= last),
    )
