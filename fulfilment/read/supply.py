"""What there is and what is promised of it, as the promise books want it.

A fresh book is the state at its forecast's last seen stock entry: the lots and picks as they were then.  Harvests and
picks after that wait for the next replan, or a logged harvest would count twice (as a lot, and as the coming harvest
it was); only what was taken from a lot and owed to nobody, and bookings, lowerings and holds count at once.

Kits have no scenarios.  Their book is the state now: sealed kits in store and, of each batch, the quota not yet sealed,
from the day its bags are practically sure to be grown through.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from itertools import chain
from threading import RLock
from typing import Any

import numpy as np
from django.db.models import Exists, F, OuterRef, Q, QuerySet, Subquery, Sum, Value
from django.db.models.functions import Coalesce
from numpy.typing import NDArray

from fulfilment.core.forecast import Basis, Outlook, unpack
from fulfilment.core.forecast import Forecast as Prediction
from fulfilment.core.promises import Book, LotOnHand, Part, Supply, stack
from fulfilment.core.units import KIT, Goods
from fulfilment.models import Batch, Forecast, Lot, Pick, PromisePart, StockEntry
from fulfilment.models import Book as BookRow
from fulfilment.models import Supply as SupplyRow
from fulfilment.read import farm, holds
from fulfilment.read.together import together

Found = Mapping[str, list[Any]]
"""What a statement told, by question."""

_WAITS_FOR_REPLAN = Q(kind__in=["harvested", "sealed", "picked", "pick_undone"]) | Q(kind="corrected", quantity__gt=0)


@dataclass(frozen=True, slots=True)
class Seen:
    """Up to which stock entry and instant a forecast knows the store."""

    entry: int
    at: datetime | None
    forecast_id: int | None
    first_on: date | None
    scenarios: int
    digest: str


NOW = Seen(entry=2**62, at=None, forecast_id=None, first_on=None, scenarios=1, digest="")
"""Kits, and goods that no forecast has been made for yet."""


def seen(forecast: Forecast | None) -> Seen:
    if forecast is None:
        return NOW
    return Seen(
        forecast.seen_entry, forecast.made_at, forecast.pk, forecast.first_on, forecast.scenarios, forecast.digest
    )


def questions(*, books: Any, strains: Any, kits: bool, today: Any) -> dict[str, QuerySet[Any, Any]]:
    """What the books of these strains' goods are made of, as their forecasts saw it; kits where they are among them."""
    return _in_store(strains=strains, kits=kits, today=today) | _promised(books=books, today=today)


def given(rows: Collection[BookRow], *, today: date) -> dict[str, Any]:
    """What :func:`questions` is asked with for these books."""
    return {
        "books": [row.pk for row in rows],
        "strains": sorted({row.strain_id for row in rows}),
        "kits": any(row.grade == KIT for row in rows),
        "today": today,
    }


def supplies(rows: Collection[BookRow], *, today: date) -> dict[Goods, Supply]:
    """Lots on hand and coming harvest of each book, by scenario and harvest day."""
    wanted = given(rows, today=today)
    del wanted["books"]
    return _supplies(rows, together(_in_store, **wanted), today=today)


def _supplies(rows: Collection[BookRow], found: Found, *, today: date) -> dict[Goods, Supply]:
    goods = [Goods(row.strain_id, row.grade) for row in rows]
    life = farm.lives_of(goods, found)
    # Nearly always nothing is on hold.
    lots = _lots(found["lots"], goods, held=holds.held_lot_ids() if found["stopped"] else ())
    to_seal = _to_seal(found.get("to_seal", ()), held=holds.held_batch_ids() if found["stopped"] else ())
    made = _forecasts(found)
    whole: dict[Goods, Supply] = {}
    for row in rows:
        each = Goods(row.strain_id, row.grade)
        if each.is_kit:
            coming = _kits_to_seal(to_seal.get(each.strain_id, ()), today=today)
        else:
            coming = _coming(made.get(row.pk, NOW), each, today=today)
        whole[each] = stack(
            each,
            today=today,
            lots=lots[each],
            coming=coming,
            life_days=life[each],
            scenarios=1 if coming is None else coming.shape[0],
        )
    return whole


def supplies_of(made: Prediction, rows: Collection[BookRow], *, today: date) -> dict[Goods, Supply]:
    """The same with a forecast that is not published yet, for fresh goods it knows, and the store as it is now."""
    goods = [Goods(row.strain_id, row.grade) for row in rows]
    life = farm.lives(goods)
    there = _lots_now(strains={each.strain_id for each in goods}, today=today)
    lots = _lots(there, goods, held=holds.held_lot_ids())
    return {
        each: stack(
            each,
            today=today,
            lots=lots[each],
            coming=made.supplies[each],
            life_days=life[each],
            scenarios=made.scenarios,
        )
        for each in goods
    }


def made_before(today: date) -> Prediction | None:
    """The newest forecast of this morning, as it was made; None where there is none that says of what."""
    row = Forecast.objects.filter(first_on=today, basis__isnull=False).order_by("-pk").first()
    if row is None or row.basis is None:
        return None
    return Prediction(
        first_day=row.first_on,
        scenarios=row.scenarios,
        days=row.days,
        supplies={
            Goods(each.strain_id, each.grade): unpack(bytes(each.packed), row.scenarios, row.days)
            for each in row.supplies.all()
        },
        outlooks={key: Outlook.from_data(key, data) for key, data in row.outlooks.items()},
        unopened={},
        ready={},
        digest=row.digest,
        basis=Basis.unpack(bytes(row.basis)),
    )


def parts_now(rows: Collection[BookRow], *, today: date) -> list[Part]:
    """The live parts of some books with what is still to come of each now, in rank order."""
    live = _parts(rows, list(_open_parts([row.pk for row in rows], today=today).filter(_NOT_GONE)), {})
    return sorted(chain.from_iterable(live.values()), key=lambda part: (part.rank, part.part_id))


def parts(rows: Collection[BookRow], *, today: date) -> dict[Goods, list[Part]]:
    """The live parts of each book in rank order, with what is still to come of each (as the book's forecast saw it)."""
    found = together(_promised, books=[row.pk for row in rows], today=today)
    return _parts(rows, found["parts"], _forecasts(found))


@dataclass(frozen=True, slots=True)
class _Kept:
    """The last book of some goods, the supply it has (``mark``), and the parts that are served in it.

    ``rows`` are what they were read from; None where something of them was picked, which a row does not say in full.
    """

    mark: tuple[object, ...]
    rows: list[OpenPart] | None
    parts: list[Part]
    book: Book


_kept: dict[Goods, _Kept] = {}
_keeping = RLock()


def books(rows: Collection[BookRow], *, today: date) -> dict[Goods, Book]:
    """The books with all their live parts served; the caller may append to them.

    A replay costs milliseconds for each hundred parts, so a process keeps the last book of each goods and appends what
    was booked since, as long as its supply is the same and its parts are the beginning of today's.
    """
    return books_of(rows, together(questions, **given(rows, today=today)), today=today)


def books_of(rows: Collection[BookRow], told: Found, *, today: date) -> dict[Goods, Book]:
    """The same of what :func:`questions` was told."""
    there, served = _supplies(rows, told, today=today), _by_book(told["parts"])
    picks = _picks(rows, told["parts"], _forecasts(told))
    with _keeping:
        found = {}
        for row in rows:
            goods = Goods(row.strain_id, row.grade)
            found[goods] = _book_of(goods, there[goods], served.get(row.pk, []), picks.get(row.pk))
    return found


def _book_of(goods: Goods, supply: Supply, rows: list[OpenPart], picks: Mapping[int, _Taken] | None) -> Book:
    mark = (supply.first_day, supply.amounts.shape, supply.amounts.tobytes())
    kept = _kept.get(goods)
    if kept is not None and kept.rows is not None and picks is None and rows[: len(kept.rows)] == kept.rows:
        wanted = kept.parts + _live_parts(goods, rows[len(kept.rows) :], {})
    else:
        wanted = _live_parts(goods, rows, picks or {})
    if kept is not None and kept.mark == mark and wanted[: len(kept.parts)] == kept.parts:
        book = kept.book
        for part in wanted[len(kept.parts) :]:
            book.append(part)
    else:
        book = Book.replay(supply, wanted)
    _kept[goods] = _Kept(mark, rows if picks is None else None, wanted, book)
    return book.copy()


def _in_store(*, strains: Any, kits: bool, today: Any) -> dict[str, QuerySet[Any, Any]]:
    asked: dict[str, QuerySet[Any, Any]] = {
        "forecasts": _FORECASTS,
        "stopped": holds.anything_stopped().values_list("pk")[:1],
        "lots": _lots_seen(strains=strains, today=today),
        **farm.keeping_questions(strains=strains, kits=kits),
    }
    return asked | {"to_seal": _batches_to_seal()} if kits else asked


def _promised(*, books: Any, today: Any) -> dict[str, QuerySet[Any, Any]]:
    gone_since = Q(_shipment(state__in=["sent", "delivered"], sent_at__gt=F("book__forecast__made_at"))) & ~Q(
        book__grade=KIT
    )
    return {"forecasts": _FORECASTS, "parts": _open_parts(books, today=today).filter(_NOT_GONE | gone_since)}


_FORECASTS = BookRow.objects.exclude(grade=KIT).filter(forecast__isnull=False).values_list(
    "pk", "forecast__seen_entry", "forecast__made_at", "forecast_id", "forecast__first_on", "forecast__scenarios",
    "forecast__digest",
)  # fmt: skip
"""By which forecast each book goes; kits go by none."""


def _forecasts(found: Found) -> dict[int, Seen]:
    return {book: Seen(*seen) for book, *seen in found["forecasts"]}


def _lots_now(*, strains: Any, today: Any) -> QuerySet[Any, Any]:
    lots = Lot.objects.filter(strain__in=strains, ready_on__lte=today, quantity__gt=0).order_by("pk")
    return lots.values_list("pk", "strain_id", "grade", "ready_on", "best_before", "quantity")


def _lots_seen(*, strains: Any, today: Any) -> QuerySet[Any, Any]:
    """The lots in store as the forecast of their goods knows them: what it did not see and waits for the next replan
    is taken off, and may be all there is.
    """
    of_goods = BookRow.objects.filter(strain=OuterRef("strain"), grade=OuterRef("grade")).exclude(grade=KIT)
    since = StockEntry.objects.filter(lot=OuterRef("pk"), pk__gt=OuterRef("seen")).order_by()
    waits = since.filter(_WAITS_FOR_REPLAN).values("lot").annotate(total=Sum("quantity")).values("total")
    return (
        Lot.objects.filter(strain__in=strains, ready_on__lte=today)
        .annotate(seen=Coalesce(Subquery(of_goods.values("forecast__seen_entry")[:1]), Value(NOW.entry)))
        .filter(Q(quantity__gt=0) | Exists(since))
        .annotate(there=F("quantity") - Coalesce(Subquery(waits), Value(0)))
        .order_by("pk")
        .values_list("pk", "strain_id", "grade", "ready_on", "best_before", "there")
    )


def _lots(
    rows: Iterable[Sequence[Any]], goods: Collection[Goods], *, held: Collection[int]
) -> dict[Goods, list[LotOnHand]]:
    found: dict[Goods, list[LotOnHand]] = {g: [] for g in goods}
    for pk, strain, grade, ready, best_before, quantity in rows:
        each = Goods(strain, grade)
        if each in found and pk not in held and quantity > 0:
            found[each].append(LotOnHand(each, quantity, ready, best_before))
    return found


@lru_cache(maxsize=64)
def _scenarios(forecast_id: int, _digest: str, strain_id: int, grade: str) -> NDArray[np.int32] | None:
    """The stored array; the digest is part of the key since a restored database may use an id again."""
    row = (
        SupplyRow.objects.filter(forecast=forecast_id, strain=strain_id, grade=grade).select_related("forecast").first()
    )
    if row is None:
        return None
    array = unpack(bytes(row.packed), scenarios=row.forecast.scenarios, days=row.forecast.days)
    array.setflags(write=False)
    return array


def _coming(state: Seen, goods: Goods, *, today: date) -> NDArray[np.int32] | None:
    """The forecast from ``today`` on; its days before today supply nothing more."""
    if state.forecast_id is None or state.first_on is None:
        return None
    array = _scenarios(state.forecast_id, state.digest, goods.strain_id, goods.grade)
    return None if array is None else array[:, max(0, (today - state.first_on).days) :]


def _kits_to_seal(batches: Sequence[tuple[date, int]], *, today: date) -> NDArray[np.int32] | None:
    """Pieces of quota not yet sealed, by the day they are practically sure to be ready [1, day]."""
    if not batches:
        return None
    ahead = max((day - today).days for day, _ in batches)
    coming = np.zeros((1, max(1, ahead + 1)), dtype=np.int32)
    for day, pieces in batches:
        coming[0, max(0, (day - today).days)] += pieces
    return coming


def unsealed() -> dict[int, list[tuple[date, int]]]:
    """Strain id → (day practically sure, pieces) of each batch whose quota is not all sealed; held ones left out."""
    return _to_seal(_batches_to_seal(), held=holds.held_batch_ids())


def _batches_to_seal() -> QuerySet[Any, Any]:
    return (
        Batch.objects.filter(kit_quota__gt=0, kits_ready_on__isnull=False)
        .annotate(in_store=Coalesce(Sum("lots__quantity", filter=Q(lots__kind=Lot.Kind.KITS)), Value(0)))
        .values_list("pk", "strain_id", "kits_ready_on", "kit_quota", "in_store")
    )


def _to_seal(rows: Iterable[Sequence[Any]], *, held: Collection[int]) -> dict[int, list[tuple[date, int]]]:
    found: dict[int, list[tuple[date, int]]] = defaultdict(list)
    for pk, strain, day, quota, store in rows:
        if pk not in held and quota > store:
            found[strain].append((day, quota - store))
    return found


def _shipment(**wanted: Any) -> Q:
    return Q(**{f"promise__current_of__shipment__{name}": value for name, value in wanted.items()})


_OPEN = ("placed", "packed")
_NOT_GONE = _shipment(state__in=_OPEN)


def _open_parts(books: Any, *, today: Any) -> QuerySet[Any, Any]:
    """The parts of lines' latest promises for today and later; the columns of :func:`_live_parts`."""
    return (
        PromisePart.objects.filter(_shipment(on__gte=today), book__in=books)
        .filter(promise__current_of__cancelled_at__isnull=True)
        .order_by("rank", "pk")
        .values_list(
            "pk", "promise__current_of__pk", "promise__current_of__order_id", "book_id", "first_on", "last_on",
            "amount", "rank", "promise__current_of__shipment__state", "promise__current_of__picked",
        )
    )  # fmt: skip


OpenPart = tuple[int, int, int, int, date, date, int, int, str, int]
"""A row of :func:`_open_parts`: part, line, order, book, first and last day, amount, rank, shipment's state, picked."""


@dataclass(slots=True)
class _Taken:
    """What was picked of a line's goods, and what of that the forecast saw."""

    seen: int = 0
    ever: int = 0


def _parts(
    books: Collection[BookRow], rows: Sequence[OpenPart], forecasts: Mapping[int, Seen]
) -> dict[Goods, list[Part]]:
    served, picks = _by_book(rows), _picks(books, rows, forecasts)
    goods = {row.pk: Goods(row.strain_id, row.grade) for row in books}
    return {each: _live_parts(each, served.get(book, []), picks.get(book, {})) for book, each in goods.items()}


def _by_book(rows: Iterable[OpenPart]) -> dict[int, list[OpenPart]]:
    found: dict[int, list[OpenPart]] = {}
    for row in rows:
        found.setdefault(row[3], []).append(row)
    return found


def _live_parts(goods: Goods, rows: Iterable[OpenPart], picks: Mapping[int, _Taken]) -> list[Part]:
    """An open line still has its amount to come.  What went out after the forecast looked has taken what was picked,
    and no more; what went out before it has left the store that the forecast saw.
    """
    found = []
    for pk, line, order, _, first, last, amount, rank, ship, picked in rows:
        taken = picks[line] if picked else _Taken()
        gone = min(amount, taken.seen)
        taken.seen -= gone
        owed = amount
        if ship not in _OPEN:
            owed = min(amount, taken.ever)
            taken.ever -= owed
        if owed > gone:
            found.append(Part(pk, line, goods, first, last, owed - gone, rank, order))
    return found


def _picks(
    books: Collection[BookRow], rows: Iterable[OpenPart], forecasts: Mapping[int, Seen]
) -> dict[int, dict[int, _Taken]]:
    """Book → line → what was taken, of the lines of which something was; none where nothing was."""
    found: dict[int, dict[int, _Taken]] = {}
    for row in rows:
        if row[-1]:
            found.setdefault(row[3], {})[row[1]] = _Taken()
    if not found:
        return {}
    by_goods = {Goods(row.strain_id, row.grade): row.pk for row in books}
    picks = Pick.objects.filter(line__in=set(chain.from_iterable(found.values())))
    for line, strain, grade, entry, amount in picks.values_list(
        "line_id", "lot__strain_id", "lot__grade", "entry_id", "amount"
    ):
        book = by_goods.get(Goods(strain, grade), 0)
        if taken := found.get(book, {}).get(line):
            taken.ever += amount
            taken.seen += amount if entry <= forecasts.get(book, NOW).entry else 0
    return found


def newest_entry() -> int:
    """The id of the newest stock entry."""
    return StockEntry.objects.order_by("-pk").values_list("pk", flat=True).first() or 0


def scenarios(goods: Goods, *, forecast: Forecast, today: date) -> NDArray[np.int32] | None:
    """Grams that the forecast gives [scenario, day] from ``today`` on; None for goods that it does not know."""
    return _coming(seen(forecast), goods, today=today)


def mean(goods: Goods, *, forecast: Forecast, today: date) -> Mapping[date, int]:
    """The coming harvest of each day from ``today`` at its scenario mean, in whole grams."""
    array = scenarios(goods, forecast=forecast, today=today)
    if array is None:
        return {}
    return {today + timedelta(days=i): int(g) for i, g in enumerate(np.floor(array.mean(axis=0))) if g >= 1}
