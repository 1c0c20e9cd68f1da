"""Sources by name, and yesterday's coming harvest that has become lots."""

from __future__ import annotations

from datetime import date, timedelta

from fulfilment.core.allocation import Source, Want, coming, coming_key, follow_harvests, lot_key, parse_coming
from fulfilment.core.units import Goods

PEARL = Goods(1, "first")
DAY = date(2026, 5, 4)
KEY = coming_key(PEARL, DAY)


def _want(line: int, *, rank: int, previous: tuple[tuple[str, int], ...]) -> Want:
    return Want(line, line, DAY, ((PEARL, DAY, DAY),), ordered=1_000, rank=rank, previous=previous)


def _lot(number: int, amount: int) -> Source:
    return Source(lot_key(number), PEARL, amount, DAY, DAY + timedelta(days=6), number)


def test_a_key_says_what_it_was_made_of() -> None:
    assert parse_coming(KEY) == (PEARL, DAY)
    (source,) = coming(PEARL, {DAY: 700}, life_days=6)
    assert (source.key, source.amount, source.usable_until) == (KEY, 700, DAY + timedelta(days=6))


def test_a_harvest_that_came_is_followed_by_rank_as_far_as_it_reaches() -> None:
    wants = [_want(1, rank=2, previous=((KEY, 600),)), _want(2, rank=1, previous=((KEY, 600),))]
    first, second = follow_harvests(wants, [_lot(17, 700), *coming(PEARL, {DAY: 400}, life_days=6)])
    assert dict(first.previous) == {"lot:17": 100, KEY: 500}
    assert dict(second.previous) == {"lot:17": 600}


def test_what_a_line_has_of_the_lot_already_is_not_given_twice() -> None:
    wants = [_want(1, rank=2, previous=(("lot:17", 500),)), _want(2, rank=1, previous=((KEY, 600),))]
    first, second = follow_harvests(wants, [_lot(17, 700)])
    assert dict(first.previous) == {"lot:17": 500}
    assert dict(second.previous) == {"lot:17": 200, KEY: 400}
