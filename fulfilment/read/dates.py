"""What each date of a standing order comes to: its usual lines, other amounts, nothing, or another day.

A date is the rule's own.  It is delivered on that day, or, where the farm or the kitchen has no delivery then, on the
nearest delivery day before or after it within a week, if the standing order says so (``on_closed``).  A day that is a
date of the same standing order, or that another date has moved to, takes no second one: then the date is left out.

Of the changes the newest that covers a date holds, among those that were not taken back.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final, Literal

from django.db.models import Prefetch, Q

from fulfilment.core.calendar import FarmCalendar, in_words, occurrences
from fulfilment.models import Change, StandingLine, StandingOrder
from fulfilment.read.farm import weekdays

if TYPE_CHECKING:
    from django.db.models import QuerySet

WEEK: Final = timedelta(days=7)

What = Literal["usual", "other_amounts", "skipped", "paused", "no_delivery"]


@dataclass(frozen=True, slots=True)
class Fate:
    """One date of the rule; ``delivered_on`` is None where nothing comes of it, ``why`` a sentence where it is not
    delivered on its own day.
    """

    on: date
    what: What
    delivered_on: date | None
    why: str
    change: Change | None

    @property
    def moved(self) -> bool:
        return self.delivered_on is not None and self.delivered_on != self.on


def coming(standing: StandingOrder, *, first: date, last: date) -> list[date]:
    """The dates of the rule, whatever the calendar says of them."""
    return occurrences(standing.rule, starts_on=standing.starts_on, first=first, last=last, until=standing.ends_on)


def with_dates(rows: QuerySet[StandingOrder]) -> QuerySet[StandingOrder]:
    """Standing orders with all that :func:`fates` and :func:`usual` ask of them, in a fixed number of statements."""
    return rows.select_related("kitchen").prefetch_related(
        Prefetch("lines", queryset=StandingLine.objects.select_related("product").order_by("pk")),
        Prefetch("changes", queryset=Change.objects.select_related("undone_by").order_by("pk")),
    )


def fates(standing: StandingOrder, own: FarmCalendar, *, first: date, last: date) -> list[Fate]:
    """What the dates of the rule from ``first`` to ``last`` come to."""
    return fates_of(standing, list(standing.changes.all()), own, first=first, last=last)


def fates_of(
    standing: StandingOrder, changes: Sequence[Change], own: FarmCalendar, *, first: date, last: date
) -> list[Fate]:
    """The same with its changes given: also for one that is only thought of."""
    theirs = weekdays(standing.kitchen)
    around = coming(standing, first=first - WEEK, last=last + WEEK)
    taken = {on for on in around if own.is_delivery_day(on, weekdays=theirs)}
    found = []
    for on in around:
        change = holding(changes, on)
        day, why = _delivered(standing, on, own, theirs, taken=taken)
        if day is not None:
            taken.add(day)
        if change is not None and change.kind in (Change.Kind.SKIP, Change.Kind.PAUSE):
            what: What = "skipped" if change.kind == Change.Kind.SKIP else "paused"
            found.append(Fate(on, what, None, "", change))
        elif day is None:
            found.append(Fate(on, "no_delivery", None, why, change))
        else:
            other = change is not None and change.kind == Change.Kind.AMOUNTS
            found.append(Fate(on, "other_amounts" if other else "usual", day, why, change))
    return [fate for fate in found if first <= fate.on <= last]


def holding(changes: Iterable[Change], on: date) -> Change | None:
    """The newest of these changes that covers a date and was not taken back."""
    covering = [change for change in not_taken_back(changes) if change.first_on <= on <= change.last_on]
    return max(covering, key=lambda change: change.pk, default=None)


def not_taken_back(changes: Iterable[Change]) -> list[Change]:
    """The changes that hold, where no newer one covers their date."""
    return [change for change in changes if change.kind != Change.Kind.UNDO and not hasattr(change, "undone_by")]


def usual(lines: Iterable[StandingLine], on: date) -> list[StandingLine]:
    """The lines that a standing order has on a date."""
    return [
        line
        for line in sorted(lines, key=lambda line: line.pk)
        if (line.first_on is None or line.first_on <= on) and (line.last_on is None or on <= line.last_on)
    ]


def now_usual(standing: StandingOrder, *, today: date) -> list[StandingLine]:
    """The lines as they are today, or will be when it begins."""
    return usual(standing.lines.all(), max(today, standing.starts_on))


def live_changes() -> Q:
    """The changes that were not taken back, for a filter."""
    return Q(undone_by__isnull=True) & ~Q(kind=Change.Kind.UNDO)


def _delivered(
    standing: StandingOrder, on: date, own: FarmCalendar, theirs: frozenset[int] | None, *, taken: Collection[date]
) -> tuple[date | None, str]:
    """The day on which a date is delivered, and why it is not its own."""
    closed = own.why_no_delivery(on, weekdays=theirs)
    if not closed:
        return on, ""
    if standing.on_closed == StandingOrder.OnClosed.LEFT_OUT:
        return None, f"Left out: {closed}."
    day = next((day for day in _near(on, standing.on_closed) if own.is_delivery_day(day, weekdays=theirs)), None)
    if day is None:
        return None, f"Left out: {closed}, and there is no delivery within a week of it."
    if day in taken:
        return None, f"Left out: {closed}, and {in_words(day)} has a delivery of this standing order already."
    return day, f"Moved to {in_words(day)}: {closed}."


def _near(on: date, where: str) -> Sequence[date]:
    step = -1 if where == StandingOrder.OnClosed.EARLIER else 1
    return [on + timedelta(days=step * far) for far in range(1, WEEK.days)]
