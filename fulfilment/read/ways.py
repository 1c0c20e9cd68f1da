"""What a kitchen can have instead of what may not come of a line: less, something else, another day, or none.

A kitchen is told twice of the same trouble in two degrees: that a line has become less sure (:mod:`.doubts`), and that
it comes short (:mod:`.shortages`).  Each time something *stays* and something is *missing*, and the ways out are the
same.  What can be had is read from the plan and the books each time, so a way shows what it means now.

A plan gives accepted substitutes by itself, in the packs of the line.  So a substitute is a way only where the plan
could not: in smaller packs, or of what became free since.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Final

from django.db.models import Sum, Value
from django.db.models.functions import Coalesce

from fulfilment.core.calendar import in_words
from fulfilment.core.promises import Book, Choice, Question, words
from fulfilment.core.promises import answer as asked
from fulfilment.core.units import Goods, packs_down, packs_up, said
from fulfilment.models import Allocation, Doubt, Kitchen, Line, Lot, Product
from fulfilment.models import Book as BookRow
from fulfilment.read import holds, supply
from fulfilment.read.farm import today, weekdays
from fulfilment.read.terms import Terms, asked_pct, substitutes, terms

if TYPE_CHECKING:
    from fulfilment.core.promises import Answer

DAYS_TRIED: Final = 14
"""How far ahead the next date for what is missing is looked for."""

KEEP: Final = Doubt.Answer.KEEP.value
TAKE_LESS: Final = Doubt.Answer.TAKE_LESS.value
SUBSTITUTE: Final = Doubt.Answer.SUBSTITUTE.value
NEXT_DATE: Final = Doubt.Answer.NEXT_DATE.value
DROP: Final = Doubt.Answer.DROP.value

NAMES: Final[Mapping[str, str]] = {each.value: str(each.label) for each in Doubt.Answer}
"""What the buttons are called."""


@dataclass(frozen=True, slots=True)
class Way:
    """One answer and what it would mean: ``amount`` of ``product`` comes on ``on``, in grams or kits.

    For a substitute and the next date that is what comes besides what stays of the line; ``chance`` is its percent.
    """

    choice: str
    amount: int
    product: str
    product_name: str
    on: date
    chance: int | None
    says: str


@dataclass(frozen=True, slots=True)
class Told:
    """What a kitchen was told of a line, as it stands; amounts in grams, or in kits where ``is_kit``.

    ``stays`` of the line without a doubt, ``missing`` of what was promised beyond it.
    """

    code: str
    """The id of the doubt or of the offer."""
    kitchen: str
    order: str
    line: str
    product: str
    product_name: str
    is_kit: bool
    on: date
    ordered: int
    promised: int
    stays: int
    missing: int
    says: str
    told_at: datetime
    open_until: datetime | None
    """None: until it is packed."""
    ways: tuple[Way, ...]

    def way(self, choice: str) -> Way | None:
        """What this answer would mean; None where it is not to be had."""
        return next((way for way in self.ways if way.choice == choice), None)


@dataclass(frozen=True, slots=True)
class Trouble:
    """A kitchen's line of which ``stays`` comes and ``missing`` may not; ``keeps``: it may also be left as it is.

    ``rest`` and ``nothing`` say what stays of it, or that nothing does, as a sentence begins.
    """

    line: Line
    stays: int
    missing: int
    rest: str
    nothing: str
    keeps: str = ""


def ways(troubles: Sequence[Trouble], *, now: datetime) -> list[tuple[Way, ...]]:
    """What can be chosen for each, in the order given and in a fixed number of statements."""
    if not troubles:
        return []
    store = _look([each.line for each in troubles], now=now)
    return [_ways(each, store) for each in troubles]


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
        coming = supply.mean(goods, forecast=row.forecast, today=day)
        for on, grams in coming.items():
            left = grams - promised.get((goods.strain_id, goods.grade, on), 0)
            if left > 0:
                found.setdefault(goods, {}).setdefault(on, []).append((left, date.max))
    return found


def _ways(trouble: Trouble, store: _Store) -> tuple[Way, ...]:
    line = trouble.line
    kitchen, product, on = line.order.kitchen, line.product, line.shipment.on
    assert kitchen is not None, "only kitchens are offered a choice"
    missing, rest = trouble.missing, trouble.rest if trouble.stays else trouble.nothing
    found = (
        _way(KEEP, product, on, line.promised, line.chance_pct, trouble.keeps) if trouble.keeps else None,
        _way(TAKE_LESS, product, on, trouble.stays, None, f"{rest}, and nothing for the rest.")
        if trouble.stays
        else None,
        _substitute(line, kitchen, store, missing, rest=rest) if missing else None,
        _next_date(line, kitchen, store, missing, rest=rest) if missing else None,
        _way(DROP, product, on, 0, None, f"{trouble.nothing}."),
    )
    return tuple(way for way in found if way is not None)


def _way(choice: str, product: Product, on: date, amount: int, chance: int | None, says: str) -> Way:
    return Way(choice, amount, product.public_id, product.name, on, chance, says)


def _substitute(line: Line, kitchen: Kitchen, store: _Store, missing: int, *, rest: str) -> Way | None:
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
                says = f"{rest}, and {said(given.amount, is_kit=goods.is_kit)} of {product.name} with it."
                return _way(SUBSTITUTE, product, on, given.amount, given.chance, says)
    return None


def _fit(product: Product, missing: int) -> tuple[int, int]:
    """Packs that make up what is missing with the least too much; of those the largest."""
    return packs_up(missing, pack=product.pack) - missing, -product.pack


def _next_date(line: Line, kitchen: Kitchen, store: _Store, missing: int, *, rest: str) -> Way | None:
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
            says = f"{rest}, and {said(wanted, is_kit=product.is_kit)} on {in_words(day)} ({surely})."
            return _way(NEXT_DATE, product, day, wanted, given.chance, says)
    return None
