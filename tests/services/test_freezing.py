"""The cut-off: a date is planned a last time, its lists are made, and who is short is told while shops are open."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from fulfilment import work
from fulfilment.core.problems import Conflict
from fulfilment.models import (
    Allocation,
    Buyer,
    Event,
    Farm,
    Job,
    Kitchen,
    Line,
    Lot,
    Mail,
    PickList,
    PickRow,
    Product,
    Promise,
    Shipment,
    Strain,
)
from fulfilment.out import emails
from fulfilment.read import mails
from fulfilment.services import freezing, jobs, ordering, packing, planning, stock
from tests.builders.kitchens import (
    FRIDAY,
    NOW,
    THURSDAY,
    a_buyer,
    a_farm,
    a_fresh_lot,
    a_kitchen,
    a_line,
    a_product,
    a_strain,
    plan,
)
from tests.people import ADA, BEN

pytestmark = pytest.mark.django_db

CUT_OFF = NOW - timedelta(hours=18)
"""Thursday, 13:00 on the farm's clock."""
ON = FRIDAY.isoformat()
CLEO = "kitchen:cleo"


@pytest.fixture
def strain() -> Strain:
    a_farm()
    Farm.objects.update(scenarios=50, horizon_days=7)
    return a_strain()


@pytest.fixture
def product(strain: Strain) -> Product:
    return a_product(strain)


def a_lot(strain: Strain, grams: int) -> Lot:
    return a_fresh_lot(strain, grams, harvested_on=THURSDAY - timedelta(days=1))


def frozen(line: Line) -> datetime | None:
    return Shipment.objects.get(pk=line.shipment_id).frozen_at


# ---- When it is due -------------------------------------------------------------------------------------------------


def test_a_date_is_due_at_its_cut_off_and_not_a_second_before(product: Product) -> None:
    a_line(a_kitchen(), product, 1_000)
    assert freezing.due(now=CUT_OFF - timedelta(seconds=1)) == 0
    assert freezing.due(now=CUT_OFF) == 1
    job = Job.objects.get(kind="freeze")
    assert (job.subject, job.due_at, job.wanted) == (ON, CUT_OFF, 1)


def test_asked_for_at_each_tick_it_is_done_once(product: Product) -> None:
    a_line(a_kitchen(), product, 1_000)
    a_line(a_kitchen("The Gull"), product, 500)
    for tick in range(3):
        freezing.due(now=CUT_OFF + timedelta(seconds=tick))
    assert Job.objects.get(kind="freeze").wanted == 1
    freezing.freeze(ON, now=CUT_OFF)
    assert freezing.due(now=CUT_OFF + timedelta(hours=1)) == 0


def test_each_date_is_asked_for_by_itself(product: Product) -> None:
    a_line(a_kitchen(), product, 1_000)
    other = a_line(a_kitchen("The Gull"), product, 500, on=FRIDAY + timedelta(days=3))
    assert freezing.due(now=CUT_OFF) == 2, "the builder gives both the same cut-off"
    Shipment.objects.filter(pk=other.shipment_id).update(cut_off_at=CUT_OFF + timedelta(days=3))
    assert freezing.freeze(ON, now=CUT_OFF) == 1
    assert freezing.freeze((FRIDAY + timedelta(days=3)).isoformat(), now=CUT_OFF) == 0, "its cut-off is to come"
    assert frozen(other) is None


def test_a_cancelled_shipment_is_not_frozen(product: Product) -> None:
    line = a_line(a_kitchen(), product, 1_000)
    Shipment.objects.filter(pk=line.shipment_id).update(state="cancelled")
    assert freezing.due(now=CUT_OFF) == 0
    assert freezing.freeze(ON, now=CUT_OFF) == 0
    assert frozen(line) is None


# ---- What is done ---------------------------------------------------------------------------------------------------


def test_at_the_cut_off_the_date_is_planned_marked_and_its_lists_are_made(strain: Strain, product: Product) -> None:
    lot = a_lot(strain, 5_000)
    line = a_line(a_kitchen(), product, 2_000)
    assert freezing.freeze(ON, now=CUT_OFF) == 1
    assert frozen(line) == CUT_OFF
    assert [(a.lot_id, a.amount) for a in Allocation.objects.filter(line=line)] == [(lot.pk, 2_000)]
    assert [(row.lot_id, row.amount) for row in PickRow.objects.filter(pick_list__on=FRIDAY)] == [(lot.pk, 2_000)]
    event = Event.objects.get(kind="frozen")
    assert (event.subject, event.data) == (ON, {"shipments": 1})
    assert not Mail.objects.filter(kind="shortage").exists()


def test_done_again_it_does_nothing_more(strain: Strain, product: Product) -> None:
    a_lot(strain, 1_000)
    a_line(a_kitchen(), product, 2_000)
    freezing.freeze(ON, now=CUT_OFF)
    before = list(PickRow.objects.values()), Mail.objects.count(), Event.objects.exclude(kind="planned").count()
    assert freezing.freeze(ON, now=CUT_OFF + timedelta(minutes=5)) == 0
    assert (
        list(PickRow.objects.values()), Mail.objects.count(), Event.objects.exclude(kind="planned").count()
    ) == before  # fmt: skip


def test_what_was_packed_before_its_cut_off_is_frozen_with_the_rest(strain: Strain, product: Product) -> None:
    lot = a_lot(strain, 5_000)
    line = a_line(a_kitchen(), product, 1_000)
    packing.pick(str(line), lot=lot.public_id, amount=1_000, by=BEN, now=CUT_OFF - timedelta(hours=2), today=THURSDAY)
    a_line(a_kitchen("The Gull"), product, 500)
    assert freezing.freeze(ON, now=CUT_OFF) == 2
    assert frozen(line) == CUT_OFF


def test_a_date_that_is_past_is_only_marked(strain: Strain, product: Product) -> None:
    line = a_line(a_kitchen(), product, 2_000)
    saturday = NOW + timedelta(days=1)
    assert freezing.due(now=saturday) == 1
    assert freezing.freeze(ON, now=saturday) == 1
    assert frozen(line) == saturday
    assert not PickList.objects.exists()
    assert not Mail.objects.exists()
    assert freezing.due(now=saturday) == 0


def test_a_harvest_that_waits_to_be_taken_in_is_taken_in(strain: Strain, product: Product) -> None:
    """The last plan draws a new forecast only where something changed since the one before."""
    line = a_line(a_kitchen(), product, 2_000)
    planning.replan(now=CUT_OFF - timedelta(hours=2))
    lot = a_lot(strain, 5_000)
    jobs.add("replan", due_at=CUT_OFF)
    freezing.freeze(ON, now=CUT_OFF)
    assert [(a.lot_id, a.amount) for a in Allocation.objects.filter(line=line)] == [(lot.pk, 2_000)]
    assert not jobs.waits("replan"), "and nobody has to plan it once more"


# ---- Who is told ----------------------------------------------------------------------------------------------------


def test_who_will_be_short_is_told_once_and_nobody_else(strain: Strain, product: Product) -> None:
    a_lot(strain, 2_000)
    full, short = a_kitchen(), a_kitchen("The Gull")
    a_line(full, product, 1_500)
    line = a_line(short, product, 2_000)
    freezing.freeze(ON, now=CUT_OFF)
    told = Mail.objects.get(kind="shortage")
    assert (told.kitchen, told.due_at) == (short, CUT_OFF)
    event = Event.objects.get(kind="shortage_told")
    assert (event.subject, event.kitchen) == (line.order.public_id, short)
    assert event.data == {"lines": [{"line": 1, "promised": 2_000, "comes": 500}]}
    assert freezing.tell_shortages(FRIDAY, now=NOW) == 0
    assert Mail.objects.filter(kind="shortage").count() == 1


def test_the_notice_says_what_was_promised_and_what_will_come(strain: Strain, product: Product) -> None:
    a_lot(strain, 500)
    a_line(a_kitchen(), product, 2_000)
    freezing.freeze(ON, now=CUT_OFF)
    mail = Mail.objects.get(kind="shortage")
    said = emails.write(mails.letter(mail, mails.gather([mail]), now=CUT_OFF), now=CUT_OFF)
    assert "2 kg ordered, 2 kg promised, 500 g will come" in str(said.body)


def test_a_line_that_nobody_promised_all_of_is_no_shortage(strain: Strain, product: Product) -> None:
    a_lot(strain, 500)
    a_line(a_kitchen(), product, 2_000, promised=500)
    freezing.freeze(ON, now=CUT_OFF)
    assert not Mail.objects.filter(kind="shortage").exists()


def test_a_buyer_is_told_too(strain: Strain) -> None:
    buyer = a_buyer()
    a_line(buyer, a_product(strain, grade="kit"), 1)
    freezing.freeze(ON, now=CUT_OFF)
    told = Mail.objects.get(kind="shortage")
    assert (told.buyer, told.kitchen) == (buyer, None)


def test_a_packed_line_a_little_light_is_no_shortage(strain: Strain, product: Product) -> None:
    lot = a_lot(strain, 1_000)
    line = a_line(a_kitchen(), product, 1_000)
    freezing.freeze(ON, now=CUT_OFF)
    packing.pick(str(line), lot=lot.public_id, amount=970, by=BEN, now=CUT_OFF, today=THURSDAY)
    stock.waste(lot.public_id, quantity=30, by=BEN, now=CUT_OFF, today=THURSDAY)
    planning.allot(today=THURSDAY, now=CUT_OFF + timedelta(hours=1), cause="test")
    line.refresh_from_db()
    assert (line.allocated, line.picked, line.promised) == (0, 970, 1_000)
    assert freezing.tell_shortages(FRIDAY, now=NOW) == 0


@pytest.mark.parametrize("again", [1, 13])
def test_a_new_promise_that_cannot_be_kept_is_told_anew(strain: Strain, product: Product, again: int) -> None:
    """Also where an order is so long that the numbers of its lines fill a mail's name."""
    kitchen = a_kitchen()
    lines = [a_line(kitchen, product, 1_000)]
    for _ in range(again - 1):
        lines.append(a_line(kitchen, product, 1_000, order=lines[0].order))
    freezing.freeze(ON, now=CUT_OFF)
    assert Mail.objects.filter(kind="shortage").count() == 1
    last = lines[-1]
    last.promise = Promise.objects.create(
        line=last, number=2, status="full", wanted=1_000, amount=1_000, asked_pct=90, chance_pct=95, at=NOW, by=ADA
    )
    last.save(update_fields=["promise"])
    assert freezing.tell_shortages(FRIDAY, now=NOW) == 1
    assert Mail.objects.filter(kind="shortage").count() == 2


# ---- After it -------------------------------------------------------------------------------------------------------


def test_after_the_cut_off_the_kitchen_cannot_and_staff_can_with_a_reason(strain: Strain, product: Product) -> None:
    a_lot(strain, 5_000)
    line = a_line(a_kitchen(), product, 2_000)
    freezing.freeze(ON, now=CUT_OFF)
    order = line.order.public_id
    with pytest.raises(Conflict, match="The cut-off for Friday 8 May 2026 is past: please call the farm"):
        ordering.change_line(order, number=1, to=1_000, by=CLEO, now=CUT_OFF)
    ordering.change_line(order, number=1, to=1_000, because="the chef rang", by=ADA, now=CUT_OFF)
    event = Event.objects.get(kind="line_changed")
    assert (event.by, event.data["because"]) == (ADA, "the chef rang")
    assert jobs.waits("freeze", subject=ON)
    assert freezing.freeze(ON, now=CUT_OFF + timedelta(minutes=1)) == 0, "marked already, and planned all the same"
    assert [row.amount for row in PickRow.objects.filter(line=line)] == [1_000]


def test_a_change_asks_for_new_lists_even_where_nobody_marked_the_cut_off(strain: Strain, product: Product) -> None:
    a_lot(strain, 5_000)
    line = a_line(a_kitchen(), product, 2_000)
    ordering.change_line(line.order.public_id, number=1, to=1_000, because="rang", by=ADA, now=CUT_OFF)
    assert jobs.waits("freeze", subject=ON)


def test_a_harvest_on_a_frozen_list_becomes_its_lot_by_itself(strain: Strain, product: Product) -> None:
    line = a_line(a_kitchen(), product, 2_000)
    plan((line, None, 2_000))
    Allocation.objects.update(coming_on=THURSDAY)
    Line.objects.update(allocated=2_000)
    Shipment.objects.update(frozen_at=CUT_OFF)
    packing.make_pick_lists(FRIDAY, by=BEN, now=CUT_OFF)
    assert [row.lot_id for row in PickRow.objects.all()] == [None]
    lot = a_fresh_lot(strain, 3_000, harvested_on=THURSDAY)
    jobs.add("replan", due_at=NOW)
    (claimed,) = jobs.claim(["replan"], now=NOW, limit=1)
    work.DO["replan"](claimed, NOW)
    assert [(row.lot_id, row.amount) for row in PickRow.objects.all()] == [(lot.pk, 2_000)]


def test_a_harvest_that_came_short_after_the_cut_off_is_told_at_once(strain: Strain, product: Product) -> None:
    lot = a_lot(strain, 2_000)
    line = a_line(a_kitchen(), product, 2_000)
    freezing.freeze(ON, now=CUT_OFF)
    stock.waste(lot.public_id, quantity=1_000, reason="wet", by=BEN, now=CUT_OFF, today=THURSDAY)
    planning.allot(today=THURSDAY, now=CUT_OFF + timedelta(hours=1), cause="test")
    assert freezing.follow_plan(now=CUT_OFF + timedelta(hours=1)) == 1
    assert Mail.objects.get(kind="shortage").kitchen == line.order.kitchen
    assert [row.amount for row in PickRow.objects.all()] == [1_000]


def test_lists_of_dates_that_are_not_frozen_wait_for_their_cut_off(strain: Strain, product: Product) -> None:
    a_lot(strain, 2_000)
    a_line(a_kitchen(), product, 2_000)
    assert freezing.follow_plan(now=CUT_OFF - timedelta(hours=1)) == 0
    assert not PickList.objects.exists()


def test_the_clock_of_the_farm_says_which_day_it_is(strain: Strain, product: Product) -> None:
    """Late on Friday by universal time is Saturday on a farm in Auckland: the date is past there."""
    Farm.objects.update(zone="Pacific/Auckland")
    line = a_line(a_kitchen(), product, 2_000)
    evening = datetime(2026, 5, 8, 13, 0, tzinfo=UTC)
    assert freezing.freeze(ON, now=evening) == 1
    assert frozen(line) == evening
    assert not PickList.objects.exists()


def test_both_kinds_of_customer_are_one_list_each(strain: Strain, product: Product) -> None:
    customers: list[Kitchen | Buyer] = [a_kitchen(), a_buyer()]
    for customer, what in zip(customers, (product, a_product(strain, grade="kit")), strict=True):
        a_line(customer, what, 1_000 if what is product else 1)
    freezing.freeze(ON, now=CUT_OFF)
    assert sorted(PickList.objects.values_list("way", flat=True)) == ["carrier", "round"]
