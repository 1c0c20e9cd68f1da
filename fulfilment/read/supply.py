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
from threading import RLock

import numpy as np
from django.db.models import Q, Sum, Value
from django.db.models.functions import Coalesce
from numpy.typing import NDArray

from fulfilment.core.forecast import Basis, Outlook, unpack
from fulfilment.core.forecast import Forecast as Prediction
from fulfilment.core.promises import Book, LotOnHand, Part, Supply, stack
from fulfilment.core.units import KIT, Goods
from fulfilment.models import Batch, Forecast, Lot, Pick, PromisePart, StockEntry
from fulfilment.models import Book as BookRow
from fulfilment.models import Supply as SupplyRow
from fulfilment.read import holds
from fulfilment.read.farm import lives

_WAITS_FOR_REPLAN = Q(entries__kind__in=["harvested", "sealed", "picked", "pick_undone"]) | Q(
    entries__kind="corrected", entries__quantity__gt=0
)


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


def supplies(rows: Collection[BookRow], *, today: date) -> dict[Goods, Supply]:
    """Lots on hand and coming harvest of each book, by scenario and harvest day."""
    goods = [Goods(row.strain_id, row.grade) for row in rows]
    life = lives(goods)
    held = holds.held_lot_ids()
    to_seal = unsealed() if any(each.is_kit for each in goods) else {}
    found: dict[Goods, Supply] = {}
    for state, group in _by_forecast(rows).items():
        lots = _lots(group, entry=state.entry, held=held, today=today)
        for each in group:
            if each.is_kit:
                coming = _kits_to_seal(to_seal.get(each.strain_id, ()), today=today)
            else:
                coming = _coming(state, each, today=today)
            found[each] = stack(
                each,
                today=today,
                lots=lots[each],
                coming=coming,
                life_days=life[each],
                scenarios=1 if coming is None else coming.shape[0],
            )
    return found


def supplies_of(made: Prediction, rows: Collection[BookRow], *, today: date) -> dict[Goods, Supply]:
    """The same with a forecast that is not published yet, for fresh goods it knows, and the store as it is now."""
    goods = [Goods(row.strain_id, row.grade) for row in rows]
    life = lives(goods)
    lots = _lots(goods, entry=NOW.entry, held=holds.held_lot_ids(), today=today)
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
    return _live_parts([row.pk for row in rows], state=NOW, today=today)


def parts(rows: Collection[BookRow], *, today: date) -> dict[Goods, list[Part]]:
    """The live parts of each book in rank order, with what is still to come of each (as the book's forecast saw it)."""
    found: dict[Goods, list[Part]] = {Goods(row.strain_id, row.grade): [] for row in rows}
    ids = {Goods(row.strain_id, row.grade): row.pk for row in rows}
    for state, group in _by_forecast(rows).items():
        for part in _live_parts([ids[each] for each in group], state=state, today=today):
            found[part.goods].append(part)
    return found


_kept: dict[Goods, tuple[tuple[object, ...], tuple[Part, ...], Book]] = {}
_keeping = RLock()


def books(rows: Collection[BookRow], *, today: date) -> dict[Goods, Book]:
    """The books with all their live parts served; the caller may append to them.

    A replay costs milliseconds for each hundred parts, so a process keeps the last book of each goods and appends what
    was booked since, as long as its supply is the same and its parts are the beginning of today's.
    """
    now_supplies = supplies(rows, today=today)
    now_parts = parts(rows, today=today)
    found: dict[Goods, Book] = {}
    with _keeping:
        for goods, supply in now_supplies.items():
            wanted = tuple(now_parts[goods])
            mark = (supply.first_day, supply.amounts.shape, supply.amounts.tobytes())
            kept = _kept.get(goods)
            if kept is not None and kept[0] == mark and wanted[: len(kept[1])] == kept[1]:
                book = kept[2]
                for part in wanted[len(kept[1]) :]:
                    book.append(part)
            else:
                book = Book.replay(supply, wanted)
            _kept[goods] = (mark, wanted, book)
            found[goods] = book.copy()
    return found


def _by_forecast(rows: Iterable[BookRow]) -> dict[Seen, list[Goods]]:
    groups: dict[Seen, list[Goods]] = defaultdict(list)
    for row in rows:
        groups[NOW if row.grade == KIT else seen(row.forecast)].append(Goods(row.strain_id, row.grade))
    return groups


def _lots(goods: Collection[Goods], *, entry: int, held: Collection[int], today: date) -> dict[Goods, list[LotOnHand]]:
    """The lots in store as a forecast that saw the entries up to ``entry`` knows them.

    A lot harvested after ``today`` is left out: a night run again for an earlier day does not know it.
    """
    rows = (
        Lot.objects.filter(strain__in={g.strain_id for g in goods}, ready_on__lte=today)
        .filter(Q(quantity__gt=0) | Q(entries__id__gt=entry))
        .annotate(
            later=Coalesce(Sum("entries__quantity", filter=Q(entries__id__gt=entry) & _WAITS_FOR_REPLAN), Value(0))
        )
        .values_list("pk", "strain_id", "grade", "ready_on", "best_before", "quantity", "later")
        .order_by("pk")
    )
    found: dict[Goods, list[LotOnHand]] = {g: [] for g in goods}
    for pk, strain, grade, ready, best_before, quantity, later in rows:
        each = Goods(strain, grade)
        if each in found and pk not in held and quantity - later > 0:
            found[each].append(LotOnHand(each, quantity - later, ready, best_before))
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
    held = holds.held_batch_ids()
    rows = (
        Batch.objects.filter(kit_quota__gt=0, kits_ready_on__isnull=False)
        .annotate(in_store=Coalesce(Sum("lots__quantity", filter=Q(lots__kind=Lot.Kind.KITS)), Value(0)))
        .values_list("pk", "strain_id", "kits_ready_on", "kit_quota", "in_store")
    )
    found: dict[int, list[tuple[date, int]]] = defaultdict(list)
    for pk, strain, day, quota, store in rows:
        if day and pk not in held and quota > store:
            found[strain].append((day, quota - store))
    return found


def _live_parts(book_ids: Sequence[int], *, state: Seen, today: date) -> list[Part]:
    """An open line still has its amount to come.  What went out after the forecast looked has taken what was picked,
    and no more; what went out before it has left the store that the forecast saw.
    """
    live = Q(promise__line__shipment__state__in=["placed", "packed"])
    if state.at is not None:
        live |= Q(
            promise__line__shipment__state__in=["sent", "delivered"], promise__line__shipment__sent_at__gt=state.at
        )
    rows = list(
        PromisePart.objects.filter(live, book__in=book_ids, promise__current_of__isnull=False)
        .filter(promise__line__cancelled_at__isnull=True, promise__line__shipment__on__gte=today)
        .order_by("rank_id", "pk")
        .values_list(
            "pk",
            "promise__line_id",
            "promise__line__order_id",
            "book__strain_id",
            "book__grade",
            "first_on",
            "last_on",
            "amount",
            "rank_id",
            "promise__line__shipment__state",
            "promise__line__picked",
        )
    )
    touched = {row[1] for row in rows if row[10]}
    before = _picked(touched, until=state.entry)
    ever = _picked(touched, until=NOW.entry)
    found = []
    for pk, line, order, strain, grade, first, last, amount, rank, ship, _ in rows:
        key = (line, strain, grade)
        gone = min(amount, before.get(key, 0))
        before[key] = before.get(key, 0) - gone
        owed = amount
        if ship not in ("placed", "packed"):
            owed = min(amount, ever.get(key, 0))
            ever[key] = ever.get(key, 0) - owed
        if owed > gone:
            found.append(Part(pk, line, Goods(strain, grade), first, last, owed - gone, rank, order))
    return found


def _picked(lines: Collection[int], *, until: int) -> dict[tuple[int, int, str], int]:
    """(line, strain, grade) → picked, by picks whose stock entry is not after ``until``."""
    if not lines:
        return {}
    picks = Pick.objects.filter(line__in=lines, entry__lte=until)
    return {
        (line, strain, grade): total
        for line, strain, grade, total in picks.values_list("line_id", "lot__strain_id", "lot__grade").annotate(
            total=Sum("amount")
        )
    }


def newest_entry() -> int:
    """The id of the newest stock entry."""
    return StockEntry.objects.order_by("-pk").values_list("pk", flat=True).first() or 0


def scenarios(goods: Goods, *, forecast: Forecast, today: date) -> NDArray[np.int32] | None:
    """Grams that the forecast gives [scenario, day] from ``today`` on; None for goods that it does not know."""
    return _coming(seen(forecast), goods, today=today)


def mean(strain_id: int, grade: str, *, forecast: Forecast, today: date) -> Mapping[date, int]:
    """The coming harvest of each day from ``today`` at its scenario mean, in whole grams."""
    array = scenarios(Goods(strain_id, grade), forecast=forecast, today=today)
    if array is None:
        return {}
    return {today + timedelta(days=i): int(g) for i, g in enumerate(np.floor(array.mean(axis=0))) if g >= 1}
