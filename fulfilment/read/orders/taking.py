"""What somebody needs who takes an order on the telephone: whose it is, what they had last, which days are open."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Final, TypeVar

from django.db.models import Prefetch, Q

from fulfilment.core import codes
from fulfilment.core.problems import Missing
from fulfilment.core.units import KIT, said
from fulfilment.models import Buyer, Kitchen, Line, Order, Product
from fulfilment.read.farm import calendar, farm, weekdays

if TYPE_CHECKING:
    from fulfilment.models import Farm

Customer = TypeVar("Customer", Kitchen, Buyer)

DAYS_OFFERED: Final = 6
MOST_FOUND: Final = 12
MOST_LISTED: Final = 500


@dataclass(frozen=True, slots=True)
class Found:
    """Somebody whose order it may be."""

    code: str
    name: str
    detail: str


@dataclass(frozen=True, slots=True)
class OpenDay:
    """A delivery day that can still be ordered for, and until when."""

    on: date
    cut_off_at: datetime


@dataclass(frozen=True, slots=True)
class ProductSeen:
    """One row of the grid."""

    code: str
    name: str
    pack: int
    is_kit: bool


@dataclass(frozen=True, slots=True)
class Already:
    """An order of this customer that is still to come: nobody wants to take it twice."""

    code: str
    on: date
    words: str
    standing: bool


@dataclass(frozen=True, slots=True)
class Start:
    """The order as it can begin."""

    code: str
    name: str
    phone: str
    asked: int
    """Percent at which lines are promised."""
    products: tuple[ProductSeen, ...]
    days: tuple[OpenDay, ...]
    usual: Mapping[str, int] = field(default_factory=dict)
    """Product id → amount of the last order."""
    usual_code: str = ""
    usual_on: date | None = None
    coming: tuple[Already, ...] = ()
    zone: str = ""
    country: str = ""

    @property
    def first_day(self) -> OpenDay | None:
        return self.days[0] if self.days else None


def kitchens() -> tuple[Found, ...]:
    """Every kitchen that is supplied, by name."""
    return tuple(_found(each) for each in Kitchen.objects.filter(active=True).order_by("name", "pk")[:MOST_LISTED])


def matching_kitchens(text: str) -> tuple[Found, ...]:
    """The kitchens that these letters mean, best first: one where they are plain."""
    return _matching(list(Kitchen.objects.filter(active=True).order_by("name", "pk")), text)


def matching_buyers(text: str) -> tuple[Found, ...]:
    """The buyers whose name or mail address these letters mean."""
    words = text.strip()
    if not words:
        return ()
    asked = Q(name__icontains=words) | Q(email__icontains=words) | Q(public_id=codes.tidy(words))
    return _matching(list(Buyer.objects.filter(asked, erased_at__isnull=True).order_by("name", "pk")[:200]), words)


def start_for_kitchen(code: str, *, today: date, now: datetime) -> Start:
    """A kitchen's order, begun from its last one; :class:`Missing` where there is no such kitchen."""
    kitchen = _one(Kitchen.objects.filter(active=True, public_id=codes.tidy(code)).first(), "kitchen", code)
    ours = farm()
    last = _last_order(kitchen)
    return Start(
        code=kitchen.public_id,
        name=kitchen.name,
        phone=kitchen.phone,
        asked=kitchen.chance_pct,
        products=products(),
        days=_open_days(ours, weekdays(kitchen), now=now),
        usual=_amounts(last),
        usual_code=last.public_id if last is not None else "",
        usual_on=last.on if last is not None else None,
        coming=_coming(kitchen, today=today),
    )


def start_for_buyer(code: str, *, now: datetime) -> Start:
    """A kit order of a buyer; without a code, of somebody the farm does not know yet."""
    ours = farm()
    offered = tuple(each for each in products() if each.is_kit)
    days = _open_days(ours, None, now=now)
    if not code:
        return Start("", "", "", 99, offered, days, zone=ours.zone, country=ours.holiday_country)
    found = Buyer.objects.filter(public_id=codes.tidy(code), erased_at__isnull=True).first()
    buyer = _one(found, "buyer", code)
    return Start(buyer.public_id, buyer.name, buyer.phone, 99, offered, days, zone=buyer.zone)


def products() -> tuple[ProductSeen, ...]:
    """What is sold at present: fresh first, by strain, then kits."""
    rows = Product.objects.filter(active=True).order_by("strain", "pk")
    found = [ProductSeen(each.public_id, each.name, each.pack, each.is_kit) for each in rows]
    return tuple(sorted(found, key=lambda each: each.is_kit))


def _one(found: Customer | None, noun: str, code: str) -> Customer:
    if found is None:
        raise Missing(f"There is no {noun} {codes.tidy(code) or code[:20]}.", where=noun)
    return found


def _found(each: Kitchen | Buyer) -> Found:
    detail = each.round_name if isinstance(each, Kitchen) else each.email
    return Found(each.public_id, each.name, detail)


def _matching(rows: list[Kitchen] | list[Buyer], text: str) -> tuple[Found, ...]:
    """An id or a whole name before its beginning, that before the beginning of a word, that before any letters."""
    asked = text.strip().casefold()
    if not asked:
        return ()
    code = codes.tidy(text)
    best: dict[int, list[Kitchen | Buyer]] = {}
    for row in rows:
        name, mail = row.name.casefold(), row.email.casefold()
        fits = (
            bool(code) and row.public_id == code,
            asked in (name, mail),
            name.startswith(asked),
            any(word.startswith(asked) for word in name.split()),
            asked in name or asked in mail,
        )
        if True in fits:
            best.setdefault(fits.index(True), []).append(row)
    return tuple(_found(row) for row in best[min(best)][:MOST_FOUND]) if best else ()


def _open_days(ours: Farm, own: frozenset[int] | None, *, now: datetime) -> tuple[OpenDay, ...]:
    days = calendar(ours)
    first = days.next_open_day(now, weekdays=own)
    if first is None:
        return ()
    # A later delivery day closes later: all that follow the first open one are open too.
    following = days.next_delivery_days(first, DAYS_OFFERED - 1, weekdays=own)
    return tuple(OpenDay(on, days.cut_off_at(on)) for on in [first, *following])


def _live_lines() -> Prefetch[str]:
    lines = Line.objects.filter(cancelled_at__isnull=True).select_related("product").order_by("number")
    return Prefetch("lines", queryset=lines)


def _last_order(kitchen: Kitchen) -> Order | None:
    """The last order that somebody asked for; where all came by standing order, the last of those."""
    orders = kitchen.orders.filter(cancelled_at__isnull=True).prefetch_related(_live_lines()).order_by("-pk")
    return orders.filter(standing_order__isnull=True).first() or orders.first()


def _amounts(order: Order | None) -> dict[str, int]:
    found: dict[str, int] = {}
    if order is not None:
        for line in order.lines.all():
            if line.product.active:
                found[line.product.public_id] = found.get(line.product.public_id, 0) + line.ordered
    return found


def _coming(kitchen: Kitchen, *, today: date) -> tuple[Already, ...]:
    rows = (
        kitchen.orders.filter(cancelled_at__isnull=True, on__gte=today, on__lte=today + timedelta(days=14))
        .prefetch_related(_live_lines())
        .order_by("on", "pk")
    )
    return tuple(
        Already(
            code=order.public_id,
            on=order.on,
            words=", ".join(
                f"{said(line.ordered, is_kit=line.product.grade == KIT)} {line.product.name}"
                for line in order.lines.all()
            ),
            standing=order.standing_order_id is not None,
        )
        for order in rows
    )
