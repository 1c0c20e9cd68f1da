"""What a plan may take from, by name: a lot on hand, or one day's coming harvest; and a harvest that became lots.

A coming harvest is a source of its own, ``coming:1:first:2026-05-04``; once it is weighed there are lots instead,
``lot:17``.  A line that was to be served from it takes the lots as far as they reach: nothing has moved for it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fulfilment.core.allocation.terms import Source, Want
from fulfilment.core.units import Goods


def coming_key(goods: Goods, day: date) -> str:
    return f"coming:{goods.strain_id}:{goods.grade}:{day.isoformat()}"


def lot_key(lot_id: int) -> str:
    return f"lot:{lot_id}"


def parse_coming(key: str) -> tuple[Goods, date]:
    """What :func:`coming_key` was made of."""
    _, strain, grade, day = key.split(":")
    return Goods(int(strain), grade), date.fromisoformat(day)


SHARED_AT: Final = 0.7
"""The chance at which a harvest that is still growing must come before anything beyond promises is given out of it."""


def coming(
    goods: Goods, amounts: Mapping[date, int], *, life_days: int, to_share: Mapping[date, int] | None = None
) -> list[Source]:
    """A source for each day's coming harvest, usable for ``life_days`` from it; all of it is shared unless said."""
    return [
        Source(
            coming_key(goods, day), goods, amount, day, day + timedelta(days=life_days),
            to_share=None if to_share is None else to_share[day],
        )
        for day, amount in sorted(amounts.items())
    ]  # fmt: skip


def expected(goods: Goods, grams: NDArray[np.int32], *, today: date, life_days: int) -> list[Source]:
    """A source for each day's coming harvest at its mean; ``grams`` is [scenario, day] from ``today`` on.

    What may go beyond promises is in all, up to any day, no more than what comes by then at the chance ``SHARED_AT``:
    a harvest expected between Tuesday and Thursday is shared out on Thursday.
    """
    means = np.floor(grams.mean(axis=0)).astype(np.int64).tolist()
    surely = np.quantile(grams.cumsum(axis=1), 1 - SHARED_AT, axis=0, method="inverted_cdf").tolist()
    amounts: dict[date, int] = {}
    to_share: dict[date, int] = {}
    given = 0
    for ahead, (mean, sure) in enumerate(zip(means, surely, strict=True)):
        if mean >= 1:
            day = today + timedelta(days=ahead)
            amounts[day], to_share[day] = mean, min(mean, max(0, int(sure) - given))
            given += to_share[day]
    return coming(goods, amounts, life_days=life_days, to_share=to_share)


def follow_harvests(wants: Sequence[Want], sources: Iterable[Source]) -> tuple[Want, ...]:
    """The wants with yesterday's pieces of a harvest that has become lots since pointing to those lots, by rank, as
    far as they reach.
    """
    lots: dict[str, list[Source]] = defaultdict(list)
    for source in sources:
        if source.lot_id is not None:
            lots[coming_key(source.goods, source.ready_on)].append(source)
    # What a line has of a lot already is its own; only the rest can be given for a harvest that is still to come.
    claimed: dict[str, int] = defaultdict(int)
    for want in wants:
        for key, amount in want.previous:
            claimed[key] += amount
    left = {source.key: max(0, source.amount - claimed[source.key]) for own in lots.values() for source in own}
    found = []
    for want in sorted(wants, key=lambda want: (want.rank, want.line_id)):
        pieces: dict[str, int] = defaultdict(int)
        for key, amount in want.previous:
            missing = amount
            for lot in lots.get(key, ()):
                taken = min(missing, left[lot.key])
                left[lot.key] -= taken
                missing -= taken
                if taken:
                    pieces[lot.key] += taken
            if missing:
                pieces[key] += missing
        found.append(replace(want, previous=tuple(pieces.items())))
    return tuple(sorted(found, key=lambda want: want.line_id))
