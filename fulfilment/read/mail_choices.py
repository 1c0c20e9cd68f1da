"""What a mail lets a kitchen choose by one press: a link for each way, to the page with the button that does it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from fulfilment.read import doubts, shortages
from fulfilment.read.ways import NAMES

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import datetime

    from fulfilment.models import Doubt
    from fulfilment.read.ways import Told

SHORTAGES: Final = "shortages"
DOUBTS: Final = "doubts"
"""The words of the two in the addresses of their pages."""


@dataclass(frozen=True, slots=True)
class Link:
    """``name`` is what the button is called, ``says`` what it would mean."""

    name: str
    says: str
    address: str


@dataclass(frozen=True, slots=True)
class Choosable:
    """What was told of one line, and its links; none where it can no longer be answered."""

    told: Told
    links: tuple[Link, ...]


def of_doubts(told: Sequence[Doubt], *, page: str, now: datetime) -> list[Choosable]:
    """What still stands of them; all of them where it is looked at later what a mail said."""
    still = [each for each in told if each.sure_at is None and each.line.cancelled_at is None]
    return _with_links(doubts.view(still or told, now=now), word=DOUBTS, page=page)


def of_offers(offers: Mapping[str, str], *, page: str, now: datetime) -> dict[int, Choosable]:
    """Line number → the offer it was given, where that is still open; ``offers`` are their ids by line number."""
    rows = shortages.open_rows(now=now).filter(public_id__in=offers.values())
    found = _with_links(shortages.view(list(rows), now=now), word=SHORTAGES, page=page)
    return {int(each.told.line.rpartition("/")[2]): each for each in found}


def _with_links(told: Iterable[Told], *, word: str, page: str) -> list[Choosable]:
    return [
        Choosable(
            each,
            tuple(Link(NAMES[way.choice], way.says, f"{page}/{word}/{each.code}/{way.choice}/") for way in each.ways),
        )
        for each in told
    ]
