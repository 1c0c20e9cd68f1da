"""A line with its five amounts, and its state in a word."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from fulfilment.read.orders.states import state_of
from fulfilment.read.tonight import why

if TYPE_CHECKING:
    from fulfilment.models import Line, Order, Shipment


@dataclass(frozen=True, slots=True)
class LineSeen:
    """One line; amounts in grams, or in pieces where ``is_kit``."""

    number: int
    product: str
    strain: str
    is_kit: bool
    ordered: int
    promised: int
    chance: int | None
    asked: int
    allocated: int
    picked: int
    refused: int
    accepted: int
    word: str
    mark: str
    """The shape that goes with the word: good, watch, bad, plain."""
    why: str
    """Why it gets less than it ordered; empty where it gets all."""
    live: bool

    @property
    def comes(self) -> int:
        """What is planned for it or picked already."""
        return self.allocated + self.picked

    @property
    def short(self) -> bool:
        """Whether it gets less than it ordered, as far as anybody knows now."""
        return self.mark in ("watch", "bad")

    @property
    def doubtful(self) -> bool:
        """Whether its chance fell below the one that was asked."""
        return self.chance is not None and bool(self.promised) and self.chance < self.asked


@dataclass(frozen=True, slots=True)
class OrderSeen:
    """One order of the week."""

    code: str
    customer: str
    is_buyer: bool
    standing: bool
    reference: str
    gift: bool
    way: str
    state: str
    cut_off_at: datetime | None
    past_cut_off: bool
    lines: tuple[LineSeen, ...]

    @property
    def short(self) -> bool:
        return any(line.short for line in self.lines)


def seen(line: Line, *, tolerance_pct: int = 0) -> LineSeen:
    """``line`` with its product's strain, its shipment and its promise already read.

    What is picked may weigh ``tolerance_pct`` less than ordered and is still whole.
    """
    is_kit, live = line.product.is_kit, line.cancelled_at is None
    word, mark = _state(line, line.shipment.state, whole=100 * line.picked >= (100 - tolerance_pct) * line.ordered)
    return LineSeen(
        number=line.number,
        product=line.product.name,
        strain=line.product.strain.name,
        is_kit=is_kit,
        ordered=line.ordered,
        promised=line.promised,
        chance=line.chance_pct if line.promised else None,
        asked=line.promise.asked_pct if line.promise is not None else 0,
        allocated=line.allocated,
        picked=line.picked,
        refused=line.refused,
        accepted=line.accepted,
        word=word,
        mark=mark,
        why=why(line.account, is_kit=is_kit) if mark in ("watch", "bad") and _is_open(line) and not line.picked else "",
        live=live,
    )


def order_seen(order: Order, lines: list[Line], *, now: datetime) -> OrderSeen:
    """``order`` with its customer and its ``lines`` already read."""
    customer = order.kitchen or order.buyer
    live = [line.shipment for line in lines if line.cancelled_at is None]
    cut_off = min((shipment.cut_off_at for shipment in live), default=None)
    return OrderSeen(
        code=order.public_id,
        customer=customer.name if customer is not None else "",
        is_buyer=order.buyer_id is not None,
        standing=order.standing_order_id is not None,
        reference=order.reference,
        gift=order.gift,
        way=_way(live),
        state=state_of({shipment.state for shipment in live}, cancelled=order.cancelled_at is not None),
        cut_off_at=cut_off,
        past_cut_off=cut_off is not None and now >= cut_off,
        lines=tuple(
            seen(line, tolerance_pct=order.kitchen.tolerance_pct if order.kitchen else 0)
            for line in sorted(lines, key=lambda line: line.number)
        ),
    )


def _way(live: list[Shipment]) -> str:
    ways = sorted({str(shipment.way) for shipment in live})
    return ", ".join({"round": "by round", "carrier": "by carrier", "collected": "collected"}[way] for way in ways)


def _is_open(line: Line) -> bool:
    return line.shipment.state in ("placed", "packed")


def _state(line: Line, shipment: str, *, whole: bool) -> tuple[str, str]:
    if line.cancelled_at is not None:
        return "cancelled", "plain"
    if shipment in ("sent", "delivered"):
        return (shipment, "good") if whole else (f"{shipment}, short", "watch")
    if line.picked and not line.allocated:
        return ("packed", "good") if whole else ("packed, short", "watch")
    if line.allocated + line.picked >= line.ordered:
        return "planned", "good"
    if not line.account:
        return "not planned yet", "plain"
    return ("short", "watch") if line.allocated + line.picked else ("nothing planned", "bad")
