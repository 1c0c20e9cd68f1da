"""Sixty days of a whole farm, lived through its services; after every hour that plans and every evening its rules hold.

What grows is drawn by a simulator that knows nothing of the forecast (``management.demo.truth``).  The days cross the
change of the clocks.  On PostgreSQL it is ten days.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.db.models import Count, F, QuerySet, Sum
from django.db.models.functions import Coalesce

from fulfilment.core.chances import chances
from fulfilment.core.units import Goods
from fulfilment.management.demo.scene import SMALL
from fulfilment.management.demo.world import Hour, World, drain
from fulfilment.models import (
    Allocation,
    Batch,
    Book,
    CareMail,
    CrateEntry,
    DeliveryNote,
    Event,
    Harvest,
    Job,
    Kit,
    Kitchen,
    Line,
    Lot,
    Mail,
    Order,
    Pick,
    PickRow,
    Promise,
    PromisePart,
    Refusal,
    Shipment,
    StockEntry,
)
from fulfilment.read import supply
from fulfilment.read.farm import today
from fulfilment.services import freezing, nights
from tests import servers

ZONE = "Europe/Berlin"
FIRST = date(2026, 2, 23)
DAYS = 10 if servers.POSTGRES_ASKED else 60
ROUNDING = 0.005
"""A chance is told in whole percent."""

Rows = list[tuple[object, ...]]


@pytest.mark.django_db
def test_a_farm_keeps_its_rules_day_after_day() -> None:
    world = World(first=FIRST, days=DAYS, zone=ZONE, seed=11, size=SMALL)
    watch = Watch(world)
    world.scene.on_placed = watch.promised
    with time_machine.travel(world.scene.at(FIRST, time(0)), tick=False) as clock:
        for day in world.each_day():
            for hour in world.hours(day):
                clock.move_to(hour.now)
                hour.do()
                if hour.name in ("night", "drain"):
                    watch.planned(hour)
                if hour.name in ("night", "standing"):
                    watch.booked(hour.now)
            watch.evening(day)
    watch.in_the_end()


@dataclass(slots=True)
class Watch:
    """Looks over everybody's shoulder; each of its looks fails with what it found."""

    world: World
    frozen: dict[int, tuple[int, int]] = field(default_factory=dict)
    """Line id → (ordered, promised) as they were when first seen frozen."""
    orders_seen: int = 0
    parts_checked: int = 0

    # ---- At the moment of promising ---------------------------------------------------------------------------------

    def promised(self, order: Order, now: datetime) -> None:
        """What was just placed or changed is carried at the chance asked, by the book's own scenarios.

        A line that was promised days ago and is not touched may have become doubtful since.
        """
        self.orders_seen += 1
        self._carried(
            Promise.objects.filter(
                line__order=order, at=now, current_of__isnull=False, current_of__cancelled_at__isnull=True
            ),
            now,
        )

    def booked(self, now: datetime) -> None:
        """So is what standing orders were promised when they were rolled, and what open lines got when asked again."""
        self._carried(
            Promise.objects.filter(at=now, current_of__isnull=False, current_of__cancelled_at__isnull=True), now
        )

    def _carried(self, promises: QuerySet[Promise], now: datetime) -> None:
        on = today(now)
        rows = list(Book.objects.select_related("forecast"))
        parts = [part for own in supply.parts(rows, today=on).values() for part in own]
        kept = chances(supply.supplies(rows, today=on), parts)
        for promise in promises.select_related("line__order").prefetch_related("parts"):
            new = [part for part in promise.parts.all() if promise.number == 1 or self._is_new(part, promise)]
            if promise.number == 1 and new:
                assert kept.by_line[promise.line_id] >= promise.chance_pct / 100 - ROUNDING, str(promise.line)
            if promise.below_asked:
                continue
            for part in new:
                self.parts_checked += 1
                assert kept.by_part[part.pk] >= promise.asked_pct / 100 - 1e-9, (str(promise.line), part.amount)

    @staticmethod
    def _is_new(part: PromisePart, promise: Promise) -> bool:
        return not PromisePart.objects.filter(rank=part.rank, promise__number__lt=promise.number).exists()

    # ---- After whatever plans ---------------------------------------------------------------------------------------

    def planned(self, hour: Hour) -> None:
        self.nothing_failed()
        self.plan_fits_the_store(hour.now)
        self.once_is_enough(hour)

    def nothing_failed(self) -> None:
        assert not list(Job.objects.exclude(last_error="").values_list("kind", "subject", "last_error"))
        assert not Job.objects.filter(parked_at__isnull=False).exists()
        assert not Event.objects.filter(kind="plan_refused").exists()
        assert not list(Mail.objects.filter(state__in=["failed", "unknown"]).values_list("kind", "last_error"))

    def plan_fits_the_store(self, now: datetime) -> None:
        """No lot is planned for more than it holds, no coming day for more than is expected of it."""
        for lot, held, planned in (
            Lot.objects.filter(allocations__isnull=False)
            .values_list("public_id", "quantity")
            .annotate(planned=Sum("allocations__amount"))
        ):
            assert planned <= held, (lot, held, planned)
        on = today(now)
        for book in Book.objects.exclude(grade="kit").select_related("forecast"):
            expected = (
                supply.mean(Goods(book.strain_id, book.grade), forecast=book.forecast, today=on)
                if book.forecast
                else {}
            )
            coming = Allocation.objects.filter(strain=book.strain_id, grade=book.grade, coming_on__isnull=False)
            for day, planned in coming.values_list("coming_on").annotate(planned=Sum("amount")):
                assert planned <= expected.get(day, 0), (str(book), day)

    def once_is_enough(self, hour: Hour) -> None:
        """The same night, drain and freezing again change nothing that anybody would see."""
        before = state()
        if hour.name == "night":
            nights.run(hour.on.isoformat(), now=hour.now)
            assert state() == before
            return
        assert drain(hour.now) == 0
        assert state() == before
        fresh = Shipment.objects.filter(frozen_at=hour.now).values_list("on", flat=True).first()
        if fresh is not None:
            assert freezing.freeze(fresh.isoformat(), now=hour.now) == 0
            assert state() == before

    # ---- In the evening ---------------------------------------------------------------------------------------------

    def evening(self, day: date) -> None:
        self.lots_are_their_entries()
        self.picks_walk_back()
        self.lines_are_their_sums()
        self.frozen_stays()
        self.one_care_mail_a_day()
        self.every_gram_is_somewhere()

    def lots_are_their_entries(self) -> None:
        wrong = Lot.objects.annotate(sum=Coalesce(Sum("entries__quantity"), 0)).exclude(quantity=F("sum"))
        assert not wrong.exists()
        assert not Lot.objects.filter(quantity__lt=0).exists()

    def picks_walk_back(self) -> None:
        """Every gram picked came out of a batch with grounds and spawn; a fresh lot's harvest is of that batch's
        crop.
        """
        assert not Pick.objects.filter(lot__batch__from_intakes__isnull=True).exists()
        assert not Pick.objects.filter(lot__batch__from_spawn__isnull=True).exists()
        fresh = Lot.objects.filter(kind=Lot.Kind.FRESH)
        assert not fresh.exclude(harvest__crop__batch=F("batch")).exists()
        assert not Kit.objects.exclude(lot__batch=F("batch")).exists()
        assert not Batch.objects.filter(from_intakes__intake__accepted=False).exists()

    def lines_are_their_sums(self) -> None:
        parts = sums(PromisePart.objects.filter(promise__current_of__isnull=False), "promise__current_of")
        planned = sums(Allocation.objects.all(), "line")
        picked = sums(Pick.objects.all(), "line")
        refused = sums(Refusal.objects.all(), "line")
        for line in Line.objects.select_related("promise"):
            name = str(line)
            assert line.promise is not None, name
            assert line.promised == line.promise.amount == parts[line.pk], name
            assert line.allocated == planned[line.pk], name
            assert line.picked == picked[line.pk], name
            assert line.refused == refused[line.pk], name
            assert line.ordered >= line.promised, name
        kits = dict(Kit.objects.filter(line__isnull=False).values_list("line").annotate(n=Count("pk")))
        for line in Line.objects.filter(product__grade="kit"):
            assert kits.get(line.pk, 0) == line.picked, str(line)
        crates = sums(CrateEntry.objects.all(), "kitchen", amount="crates")
        for kitchen in Kitchen.objects.all():
            assert kitchen.crates_out == crates[kitchen.pk], kitchen.name

    def frozen_stays(self) -> None:
        """Behind the cut-off nothing is promised or ordered anew unless a person does it, and nobody did."""
        for pk, ordered, promised in Line.objects.filter(
            shipment__frozen_at__isnull=False, cancelled_at__isnull=True
        ).values_list("pk", "ordered", "promised"):
            assert self.frozen.setdefault(pk, (ordered, promised)) == (ordered, promised), pk

    def one_care_mail_a_day(self) -> None:
        here = ZoneInfo(ZONE)
        sent = Mail.objects.filter(kind="care", state=Mail.State.SENT)
        days: Counter[tuple[int | None, date]] = Counter()
        for holder, at in sent.values_list("holder", "sent_at"):
            assert at is not None
            local = at.astimezone(here)
            assert 8 <= local.hour < 20
            days[holder, local.date()] += 1
        assert not [key for key, count in days.items() if count > 1]
        assert not CareMail.objects.filter(state="queued", mail__isnull=True).exists()

    def every_gram_is_somewhere(self) -> None:
        """Scale = harvests = what lots got; and that = store + thrown away, dried, sold … + picked − corrections."""
        weighed = total(Harvest.objects.all(), "trimmed_g")
        assert weighed == self.world.scene.harvested_g
        ledger = StockEntry.objects.filter(lot__kind="fresh")
        kind = sums(ledger, "kind", amount="quantity")
        assert kind["harvested"] == weighed
        picked = total(Pick.objects.filter(lot__kind="fresh"), "amount")
        assert kind["picked"] + kind["pick_undone"] == -picked
        left_otherwise = sum(
            kind[name] for name in ("dried_out", "wasted", "sample", "own_use", "given_away", "sold_at_gate")
        )
        in_store = total(Lot.objects.filter(kind="fresh"), "quantity")
        assert weighed + kind["corrected"] == in_store + picked - left_otherwise
        fresh = Line.objects.exclude(product__grade="kit")
        gone = fresh.filter(shipment__state__in=["sent", "delivered"])
        assert total(gone, "picked") + total(fresh.exclude(pk__in=gone.values("pk")), "picked") == picked
        assert total(fresh, "refused") == total(Refusal.objects.exclude(line__product__grade="kit"), "amount")

    # ---- So that none of it held for want of a farm -----------------------------------------------------------------

    def in_the_end(self) -> None:
        notes = list(DeliveryNote.objects.order_by("number").values_list("number", flat=True))
        assert notes == list(range(1, len(notes) + 1))
        assert notes
        assert Pick.objects.filter(lot__kind="fresh").exists()
        assert self.frozen
        if servers.POSTGRES_ASKED:
            return
        happened = Counter(Event.objects.values_list("kind", flat=True))
        for kind in (
            "held", "released", "pick_undone", "order_cancelled", "standing_order_changed", "kits_sealed", "kit_joined",
            "kit_event", "parcel_handed", "round_closed", "lot_wasted", "lot_dried_out", "night_done",
        ):  # fmt: skip
            assert happened[kind], kind
        assert set(Promise.objects.values_list("status", flat=True)) == {"full", "partial", "declined"}
        assert Refusal.objects.exists()
        assert Mail.objects.filter(kind="care", state="sent").count() > 10
        assert self.orders_seen > 20
        assert self.parts_checked > 100


def state() -> dict[str, Rows]:
    """What customers, packers and holders would see, in full where it is planned and as rows where it is appended."""
    return {
        "orders": rows(Order.objects.values_list("pk", "version", "cancelled_at")),
        "lines": rows(
            Line.objects.values_list("pk", "version", "ordered", "promised", "allocated", "picked", "chance_pct")
        ),
        "promises": rows(Promise.objects.values_list("pk")),
        "plan": rows(Allocation.objects.values_list("line", "lot", "strain", "grade", "coming_on", "amount")),
        "pick rows": rows(PickRow.objects.values_list("pick_list", "line", "lot", "amount", "position")),
        "mails": rows(Mail.objects.values_list("pk", "state", "tries")),
        "care": rows(CareMail.objects.values_list("pk", "state", "due_at")),
        "batches": rows(Batch.objects.values_list("pk", "kit_quota", "opens_on", "kits_ready_on")),
        "shipments": rows(Shipment.objects.values_list("pk", "state", "frozen_at", "version")),
        "ledger": rows(StockEntry.objects.values_list("pk")),
    }


def rows(found: Iterable[tuple[object, ...]]) -> Rows:
    return sorted(found, key=repr)


def sums(found: QuerySet[Any], key: str, *, amount: str = "amount") -> Counter[Any]:
    """Whatever ``key`` is → the sum of its amounts; 0 for what is not there."""
    grouped = found.order_by().values_list(key).annotate(sum=Sum(amount))
    return Counter(dict(grouped))


def total(found: QuerySet[Any], column: str) -> int:
    return found.aggregate(sum=Sum(column))["sum"] or 0
