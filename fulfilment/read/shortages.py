"""What a kitchen is told when less comes than it was promised, and what it can answer.

An offer is open until the kitchen's own tell-me-by time; where that is past or too near when the kitchen is told, until
the line is packed.  What comes is read each time, and what can be had instead with it (:mod:`.ways`), so an offer
shows what it means now.  A reason is the asker's own: never what another customer ordered, or its tier.

*Missing* is what was promised and does not come.  What was ordered but never promised was said when it was ordered.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from django.db.models import F, Q

from fulfilment.core.allocation import Code
from fulfilment.core.calendar import in_words, instant
from fulfilment.core.units import said
from fulfilment.models import Kitchen, Line, Shipment, ShortageOffer
from fulfilment.read import ways
from fulfilment.read.farm import farm, today
from fulfilment.read.ways import Told, Trouble

if TYPE_CHECKING:
    from datetime import date

    from django.db.models import QuerySet

    from fulfilment.read.ways import Way

TOO_NEAR: Final = timedelta(hours=1)
"""A tell-me-by time nearer than this is no time to answer in."""

REASONS: Final[Mapping[str, str]] = {
    "harvest_short": "Less was harvested than we expected when we promised it.",
    "nothing_ripe": "Nothing of it is ripe in time for this delivery.",
    "taken_out": "Part of what was set aside for you cannot be sent.",
    "under_minimum": "Less could be had than the least you take, so none of it is sent.",
}
"""Why a line is short, by the word that offer and mail keep."""

_REASON_OF: Final[Mapping[str, str]] = {
    Code.NOTHING_THERE: "nothing_ripe",
    Code.NOTHING_ACCEPTED: "nothing_ripe",
    Code.HELD_BACK: "taken_out",
    Code.MINIMUM_NOT_REACHED: "under_minimum",
}


@dataclass(frozen=True, slots=True)
class Offer(Told):
    """One open offer as its kitchen reads it; what ``stays`` is what comes."""

    reason: str

    @property
    def comes(self) -> int:
        return self.stays


def open_offers(kitchen_id: int | None, *, now: datetime) -> tuple[Offer, ...]:
    """The open offers of a kitchen (None: of all), the next delivery first."""
    rows = open_rows(now=now)
    if kitchen_id is not None:
        rows = rows.filter(line__order__kitchen=kitchen_id)
    return tuple(view(list(rows.order_by("line__shipment__on", "line__order", "line__number")), now=now))


def open_rows(*, now: datetime) -> QuerySet[ShortageOffer]:
    """The offers that can be answered at ``now``, with what :func:`view` needs."""
    return with_lines(
        ShortageOffer.objects.filter(
            Q(closes_at__isnull=True) | Q(closes_at__gt=now),
            answer="",
            filled_at__isnull=True,
            line__promise=F("promise"),
            line__promised__gt=F("line__allocated"),
            line__picked=0,
            line__cancelled_at__isnull=True,
            line__shipment__state=Shipment.State.PLACED,
            line__shipment__on__gte=today(now),
        )
    )


def with_lines(rows: QuerySet[ShortageOffer]) -> QuerySet[ShortageOffer]:
    """The offers with what :func:`view` needs of each."""
    return rows.select_related("line__order__kitchen", "line__shipment", "line__product__strain")


def is_short(line: Line) -> bool:
    """Whether less comes of the line than was promised.

    What a packed line weighs off within its kitchen's tolerance is no shortage; nor is a line short that no plan has
    seen yet.
    """
    comes = line.allocated + line.picked
    if line.promised <= comes or not line.account:
        return False
    kitchen = line.order.kitchen
    tolerance = 0 if line.product.is_kit or kitchen is None else kitchen.tolerance_pct
    return not line.picked or 100 * comes < line.promised * (100 - tolerance)


def reason_of(line: Line) -> str:
    """Why the line is short, as one of :data:`REASONS`."""
    return _REASON_OF.get(str(line.account.get("code", "")), "harvest_short")


def closes_at(kitchen: Kitchen, *, on: date, now: datetime) -> datetime | None:
    """Until when an offer told at ``now`` can be answered; None: until the line is packed."""
    until = instant(on - timedelta(days=1), kitchen.tell_me_by, farm().zone)
    return until if until - now >= TOO_NEAR else None


def view(offers: Sequence[ShortageOffer], *, now: datetime) -> list[Offer]:
    """These offers as they stand, in the order given and in a fixed number of statements."""
    troubles = [_trouble(each.line) for each in offers]
    found = ways.ways(troubles, now=now)
    return [_view(each, trouble, own) for each, trouble, own in zip(offers, troubles, found, strict=True)]


def _trouble(line: Line) -> Trouble:
    comes, name, day = line.allocated + line.picked, line.product.name, in_words(line.shipment.on)
    return Trouble(
        line=line,
        stays=comes,
        missing=max(0, line.promised - comes),
        rest=f"{said(comes, is_kit=line.product.is_kit)} of {name} will come on {day}",
        nothing=f"Nothing of {name} will come on {day}",
    )


def _view(offer: ShortageOffer, trouble: Trouble, ways: tuple[Way, ...]) -> Offer:
    line = offer.line
    kitchen = line.order.kitchen
    assert kitchen is not None, "only kitchens are offered a choice"
    return Offer(
        code=offer.public_id,
        kitchen=kitchen.public_id,
        order=line.order.public_id,
        line=f"{line.order.public_id}/{line.number}",
        product=line.product.public_id,
        product_name=line.product.name,
        is_kit=line.product.is_kit,
        on=line.shipment.on,
        ordered=line.ordered,
        promised=line.promised,
        stays=trouble.stays,
        missing=trouble.missing,
        reason=offer.reason,
        says=REASONS.get(offer.reason, REASONS["harvest_short"]),
        told_at=offer.told_at,
        open_until=offer.closes_at,
        ways=ways,
    )
