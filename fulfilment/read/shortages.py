"""What a kitchen is told when less comes than it was promised, and what it can answer.

An offer is open until the kitchen's own tell-me-by time; where that is past or too near when the kitchen is told, until
the line is packed.  What comes and what can be had instead are read from the plan and the books each time, so an offer
shows what it means now.  A reason is the asker's own: never what another customer ordered, or its tier.

A plan gives accepted substitutes by itself, in the packs of the line.  So a substitute is a choice only where the plan
could not: in smaller packs, or of what became free since.

*Missing* is what was promised and does not come.  What was ordered but never promised was said when it was ordered.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Final

from django.db.models import F, Q, Sum, Value
from django.db.models.functions import Coalesce

from fulfilment.core.allocation import Code
from fulfilment.core.calendar import in_words, instant
from fulfilment.core.promises import Book, Choice, Question, words
from fulfilment.core.promises import answer as asked
from fulfilment.core.units import Goods, packs_down, packs_up, said
from fulfilment.models import Allocation, Kitchen, Line, Lot, Product, Shipment, ShortageOffer
from fulfilment.models import Book as BookRow
from fulfilment.read import holds, supply
from fulfilment.read.farm import farm, today, weekdays
from fulfilment.read.terms import Terms, asked_pct, substitutes, terms

if TYPE_CHECKING:
    from django.db.models import QuerySet

    from fulfilment.core.promises import Answer

TOO_NEAR: Final = timedelta(hours=1)
"""A tell-me-by time nearer than this is no time to answer in."""
DAYS_TRIED: Final = 14
"""How far ahead the next date for what is missing is looked for."""

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

TAKE_LESS: Final = ShortageOffer.Answer.TAKE_LESS.value
SUBSTITUTE: Final = ShortageOffer.Answer.SUBSTITUTE.value
NEXT_DATE: Final = ShortageOffer.Answer.NEXT_DATE.value
DROP: Final = ShortageOffer.Answer.DROP.value


@dataclass(frozen=True, slots=True)
class Way:
    """One answer and what it would mean: ``amount`` of ``product`` comes on ``on``, in grams or kits.

    For a substitute and the next date that is what comes besides what comes of the line; ``chance`` is its percent.
    """

    choice: str
    amount: int
    product: str
    product_name: str
    on: date
    chance: int | None
    says: str


@dataclass(frozen=True, slots=True)
class Offer:
    """One open offer as its kitchen reads it; amounts in grams, or in kits where ``is_kit``."""

    offer: str
    kitchen: str
    order: str
    line: str
    product: str
    product_name: str
    is_kit: bool
    on: date
    ordered: int
    promised: int
    comes: int
    missing: int
    reason: str
    says: str
    told_at: datetime
    open_until: datetime | None
    """None: until it is packed."""
    ways: tuple[Way, ...]

    def way(self, choice: str) -> Way | None:
        """What this answer would mean; None where it is not to be had."""
        return next((way for way in self.ways if way.choice == choice), None)


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
    if not offers:
        return []
    store = _look([each.line for each in offers], now=now)
    return [_view(each, store) for each in offers]


def instead(lines: Sequence[tuple[Line, int]], *, now: datetime) -> list[tuple[Way | None, Way | None]]:
    """For each kitchen's line and so much of it that may not come: a substitute for the same delivery, and the next
    date on which all of that can be promised; None where there is none.
    """
    if not lines:
        return []
    store = _look([line for line, _ in lines], now=now)
    found: list[tuple[Way | None, Way | None]] = []
    for line, missing in lines:
        kitchen = line.order.kitchen
        if kitchen is None or missing <= 0:
            found.append((None, None))
            continue
        found.append(
            (
                _substitute(line, kitchen, store, missing, stays=""),
                _next_date(line, kitchen, store, missing, stays=""),
            )
        )
    return found


# ---- Parts ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Store:
    """What the lines' goods and their substitutes can still give, read once for all offers."""

    now: datetime
    terms: Terms
    books: Mapping[Goods, Book]
    products: Mapping[Goods, Sequence[Product]]
    free: Mapping[Goods, Mapping[date, Sequence[tuple[int, date]]]]
    """Harvest day → (grams that no line is to get, best before)."""

    def ask(self, product: Product, kitchen: Kitchen, *, on: date, wanted: int) -> Answer:
        """What can be promised of this product alone."""
        goods = _goods(product)
        return asked(
            Question(
                wanted=wanted,
                choices=(Choice(goods, *self.terms.window(kitchen, goods, on)),),
                pack=product.pack,
                chance=asked_pct(kitchen, product),
            ),
            books=self.books,
        )

    def unallotted(self, goods: Goods, kitchen: Kitchen, *, on: date) -> int:
        """Grams in store or expected in time for this delivery that the plan gives to nobody."""
        first, last = self.terms.window(kitchen, goods, on)
        return sum(
            grams
            for day, pieces in self.free.get(goods, {}).items()
            for grams, best_before in pieces
            if first <= day <= last and best_before >= on
        )


def _goods(product: Product) -> Goods:
    return Goods(product.strain_id, product.grade)


def _look(lines: Sequence[Line], *, now: datetime) -> _Store:
    day = today(now)
    instead = substitutes({line.order.kitchen_id for line in lines if line.order.kitchen_id is not None})
    wanted = {_goods(line.product) for line in lines}
    wanted |= {each for (_, ordered), others in instead.items() if ordered in wanted for each in others}
    rows = [
        row
        for row in BookRow.objects.select_related("forecast")
        .filter(strain__in={each.strain_id for each in wanted}, grade__in={each.grade for each in wanted})
        .order_by("pk")
        if Goods(row.strain_id, row.grade) in wanted
    ]
    known = {Goods(row.strain_id, row.grade) for row in rows}
    kept = {key: tuple(each for each in others if each in known) for key, others in instead.items()}
    products: dict[Goods, list[Product]] = defaultdict(list)
    for product in Product.objects.filter(strain__in={each.strain_id for each in known}, active=True).order_by("pk"):
        products[_goods(product)].append(product)
    return _Store(
        now=now,
        terms=terms(known, instead=kept),
        books=supply.books(rows, today=day),
        products=products,
        free=_free(rows, among={each for others in kept.values() for each in others}, day=day),
    )


def _free(
    rows: Iterable[BookRow], *, among: Collection[Goods], day: date
) -> dict[Goods, dict[date, list[tuple[int, date]]]]:
    """Lots and coming harvests less what the plan gives of them to lines; kits are counted by their book."""
    found: dict[Goods, dict[date, list[tuple[int, date]]]] = {}
    fresh = {Goods(row.strain_id, row.grade): row for row in rows}
    fresh = {goods: row for goods, row in fresh.items() if goods in among and not goods.is_kit}
    if not fresh:
        return found
    held = holds.held_lot_ids()
    strains = {goods.strain_id for goods in fresh}
    lots = (
        Lot.objects.filter(kind=Lot.Kind.FRESH, strain__in=strains, quantity__gt=0, best_before__gte=day)
        .annotate(given=Coalesce(Sum("allocations__amount"), Value(0)))
        .values_list("pk", "strain_id", "grade", "ready_on", "best_before", "quantity", "given")
    )
    for pk, strain, grade, ready_on, best_before, quantity, given in lots:
        goods = Goods(strain, grade)
        if goods in fresh and pk not in held and quantity > given:
            found.setdefault(goods, {}).setdefault(ready_on, []).append((quantity - given, best_before))
    promised = {
        (strain, grade, on): total
        for strain, grade, on, total in Allocation.objects.filter(strain__in=strains, coming_on__isnull=False)
        .values_list("strain_id", "grade", "coming_on")
        .annotate(total=Sum("amount"))
    }
    for goods, row in fresh.items():
        if row.forecast is None:
            continue
        coming = supply.mean(goods.strain_id, goods.grade, forecast=row.forecast, today=day)
        for on, grams in coming.items():
            left = grams - promised.get((goods.strain_id, goods.grade, on), 0)
            if left > 0:
                found.setdefault(goods, {}).setdefault(on, []).append((left, date.max))
    return found


def _view(offer: ShortageOffer, store: _Store) -> Offer:
    line = offer.line
    kitchen = line.order.kitchen
    assert kitchen is not None, "only kitchens are offered a choice"
    comes = line.allocated + line.picked
    missing = max(0, line.promised - comes)
    return Offer(
        offer=offer.public_id,
        kitchen=kitchen.public_id,
        order=line.order.public_id,
        line=f"{line.order.public_id}/{line.number}",
        product=line.product.public_id,
        product_name=line.product.name,
        is_kit=line.product.is_kit,
        on=line.shipment.on,
        ordered=line.ordered,
        promised=line.promised,
        comes=comes,
        missing=missing,
        reason=offer.reason,
        says=REASONS.get(offer.reason, REASONS["harvest_short"]),
        told_at=offer.told_at,
        open_until=offer.closes_at,
        ways=_ways(line, kitchen, store, comes=comes, missing=missing),
    )


def _ways(line: Line, kitchen: Kitchen, store: _Store, *, comes: int, missing: int) -> tuple[Way, ...]:
    product, on = line.product, line.shipment.on
    day = in_words(on)
    nothing = f"Nothing of {product.name} will come on {day}"
    stays = f"{said(comes, is_kit=product.is_kit)} of {product.name} will come on {day}" if comes else nothing
    found = (
        _way(TAKE_LESS, product, on, comes, None, f"{stays}, and nothing for the rest.") if comes else None,
        _substitute(line, kitchen, store, missing, stays=stays) if missing else None,
        _next_date(line, kitchen, store, missing, stays=stays) if missing else None,
        _way(DROP, product, on, 0, None, f"{nothing}."),
    )
    return tuple(way for way in found if way is not None)


def _way(choice: str, product: Product, on: date, amount: int, chance: int | None, says: str) -> Way:
    return Way(choice, amount, product.public_id, product.name, on, chance, says)


def _substitute(line: Line, kitchen: Kitchen, store: _Store, missing: int, *, stays: str) -> Way | None:
    """The best liked substitute of which anything can be had for the same delivery."""
    on = line.shipment.on
    for goods in store.terms.instead.get((kitchen.pk, _goods(line.product)), ()):
        for product in sorted(store.products.get(goods, ()), key=lambda each: _fit(each, missing)):
            wanted = packs_up(missing, pack=product.pack)
            if not goods.is_kit:
                here = store.unallotted(goods, kitchen, on=on)
                wanted = min(wanted, packs_down(here, pack=product.pack))
            given = store.ask(product, kitchen, on=on, wanted=wanted) if wanted else None
            if given is not None and given.amount:
                says = f"{stays}, and {said(given.amount, is_kit=goods.is_kit)} of {product.name} with it."
                return _way(SUBSTITUTE, product, on, given.amount, given.chance, says)
    return None


def _fit(product: Product, missing: int) -> tuple[int, int]:
    """Packs that make up what is missing with the least too much; of those the largest."""
    return packs_up(missing, pack=product.pack) - missing, -product.pack


def _next_date(line: Line, kitchen: Kitchen, store: _Store, missing: int, *, stays: str) -> Way | None:
    """The first later delivery for which all that is missing can be promised."""
    product, on = line.product, line.shipment.on
    if not product.active:
        return None
    wanted = packs_up(missing, pack=product.pack)
    calendar = store.terms.calendar
    for day in calendar.next_delivery_days(on, DAYS_TRIED, weekdays=weekdays(kitchen)):
        if day > on + timedelta(days=DAYS_TRIED):
            break
        if store.now >= calendar.cut_off_at(day):
            continue
        given = store.ask(product, kitchen, on=day, wanted=wanted)
        if given.status == "full":
            surely = words(given.chance).replace("_", " ")
            says = f"{stays}, and {said(wanted, is_kit=product.is_kit)} on {in_words(day)} ({surely})."
            return _way(NEXT_DATE, product, day, wanted, given.chance, says)
    return None
