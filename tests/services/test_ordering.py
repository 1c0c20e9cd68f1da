"""Cleo orders: what she is told, what is written, what she may change and until when."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from fulfilment.core.chances import chances
from fulfilment.core.problems import Conflict, Invalid, Missing
from fulfilment.models import Allocation, Book, Event, Job, Line, Mail, Order, Promise, PromisePart, Shipment
from fulfilment.read import supply
from fulfilment.services import customers, ordering, planning
from fulfilment.services.ordering import Asked
from tests import world
from tests.world import ADA, MONDAY, NOW, World

pytestmark = pytest.mark.django_db

CLEO = "key:cleo"
THURSDAY = MONDAY + timedelta(days=3)
FRIDAY = MONDAY + timedelta(days=4)


@pytest.fixture
def farm() -> World:
    made = world.build()
    world.plan()
    return made


def place(farm: World, grams: int = 2_000, **more: object) -> Order:
    wanted = {"kitchen": farm.kitchen.public_id, "on": FRIDAY, "by": CLEO, "now": NOW} | more
    return ordering.place([Asked(farm.product.public_id, grams)], **wanted)  # type: ignore[arg-type]  # test data


def test_a_small_order_is_promised_in_full_at_the_asked_chance(farm: World) -> None:
    order = place(farm)
    line = order.lines.get()
    assert line.promise is not None
    assert (line.promise.status, line.promised, line.ordered) == ("full", 2_000, 2_000)
    assert line.promise.chance_pct >= farm.kitchen.chance_pct
    assert sum(part.amount for part in line.promise.parts.all()) == 2_000
    assert Event.objects.filter(kind="order_placed", subject=order.public_id).count() == 1
    assert Mail.objects.filter(kind="order_received", kitchen=farm.kitchen).count() == 1
    assert Job.objects.get(kind="replan").wanted > 0


def test_the_chance_said_is_the_share_of_scenarios_that_carry_it(farm: World) -> None:
    line = place(farm, 3_000).lines.get()
    rows = list(Book.objects.select_related("forecast"))
    parts = [part for own in supply.parts(rows, today=MONDAY).values() for part in own]
    kept = chances(supply.supplies(rows, today=MONDAY), parts).by_line[line.pk]
    assert line.promise is not None
    assert line.promise.chance_pct == int(100 * kept + 1e-9)


def test_what_cannot_be_promised_is_partial_and_says_the_first_full_day_or_none(farm: World) -> None:
    order = place(farm, 400_000)
    promise = order.lines.get().promise
    assert promise is not None
    assert promise.status == "partial"
    assert 0 < promise.amount < 400_000
    assert promise.amount % farm.product.pack == 0
    assert promise.first_full_on is None
    assert promise.why["code"] == "too_little"


def test_orders_together_are_never_promised_more_than_the_scenarios_carry(farm: World) -> None:
    for _ in range(30):
        place(farm, 2_000)
    rows = list(Book.objects.select_related("forecast"))
    parts = [part for own in supply.parts(rows, today=MONDAY).values() for part in own]
    kept = chances(supply.supplies(rows, today=MONDAY), parts).by_part
    assert Promise.objects.exclude(status="full").exists(), "the farm is small enough that somebody must go short"
    for part in PromisePart.objects.select_related("promise"):
        assert kept[part.pk] >= part.promise.asked_pct / 100


def test_a_check_answers_like_an_order_and_keeps_nothing(farm: World) -> None:
    before = Order.objects.count(), Promise.objects.count(), Event.objects.count()
    asked = [Asked(farm.product.public_id, 2_000)]
    offer = ordering.check(asked, kitchen=farm.kitchen.public_id, on=FRIDAY, now=NOW)[0]
    assert (Order.objects.count(), Promise.objects.count(), Event.objects.count()) == before
    promise = place(farm).lines.get().promise
    assert promise is not None
    assert (offer.answer.amount, offer.answer.chance) == (promise.amount, promise.chance_pct)


def test_two_orders_of_one_address_and_day_share_a_shipment(farm: World) -> None:
    first, second = place(farm), place(farm)
    assert first.lines.get().shipment_id == second.lines.get().shipment_id
    assert Shipment.objects.count() == 1


def test_less_keeps_the_rank_and_more_is_asked_behind_everybody(farm: World) -> None:
    order = place(farm, 3_000)
    rank = order.lines.get().promise.parts.get().rank  # type: ignore[union-attr]  # a placed line has one
    ordering.change_line(order.public_id, number=1, to=1_000, by=CLEO, now=NOW)
    line = Line.objects.get(order=order)
    assert line.promise is not None
    assert [(p.amount, p.rank) for p in line.promise.parts.all()] == [(1_000, rank)]
    ordering.change_line(order.public_id, number=1, to=2_000, by=CLEO, now=NOW)
    line.refresh_from_db()
    parts = list(line.promise.parts.order_by("rank"))
    assert [p.amount for p in parts] == [1_000, 1_000]
    assert parts[0].rank == rank < parts[1].rank
    assert (line.promised, line.ordered) == (2_000, 2_000)
    assert list(Promise.objects.filter(line=line).order_by("number").values_list("number", flat=True)) == [1, 2, 3]


def test_cancelling_frees_what_was_promised_at_once(farm: World) -> None:
    for _ in range(12):
        last = place(farm, 2_000)
    while last.lines.get().promised == 2_000:
        last = place(farm, 2_000)
    first = Order.objects.order_by("pk").first()
    assert first is not None
    ordering.cancel(first.public_id, by=CLEO, now=NOW)
    assert place(farm, 2_000).lines.get().promised > last.lines.get().promised
    assert ordering.cancel(first.public_id, by=CLEO, now=NOW).cancelled_at == NOW, "cancelling twice does it once"


def test_the_last_order_cancelled_takes_its_shipment_with_it(farm: World) -> None:
    order = place(farm)
    ordering.cancel(order.public_id, by=CLEO, now=NOW)
    assert Shipment.objects.get().state == "cancelled"
    assert not Allocation.objects.exists()
    assert place(farm).lines.get().shipment.state == "placed"


def test_after_the_cut_off_only_staff_with_a_reason(farm: World) -> None:
    order = place(farm)
    late = datetime(2026, 5, 7, 12, 0, tzinfo=UTC)
    with pytest.raises(Conflict, match="cut-off") as told:
        ordering.change_line(order.public_id, number=1, to=1_000, by=CLEO, now=late)
    assert told.value.reason_code == "past_cut_off"
    with pytest.raises(Conflict):
        place(farm, now=late)
    ordering.change_line(order.public_id, number=1, to=1_000, by=ADA, now=late, because="the chef rang")
    event = Event.objects.filter(kind="line_changed").latest("id")
    assert (event.by, event.data["because"]) == (ADA, "the chef rang")


@pytest.mark.parametrize(
    ("grams", "code"),
    [(0, "too_small"), (-500, "too_small"), (10**12, "too_large"), (1_250, "not_whole_packs"), (True, "not_whole")],
)
def test_amounts_that_cannot_be(farm: World, grams: int, code: str) -> None:
    with pytest.raises(Invalid) as told:
        place(farm, grams)
    assert (told.value.reason_code, told.value.where) == (code, "lines.0.amount")
    assert not Order.objects.exists()


@pytest.mark.parametrize(
    ("on", "code"),
    [
        (MONDAY - timedelta(days=1), "delivery_in_the_past"),
        (MONDAY + timedelta(days=5), "no_delivery_day"),
        (MONDAY + timedelta(days=700), "too_far_ahead"),
    ],
)
def test_days_that_cannot_be(farm: World, on: object, code: str) -> None:
    with pytest.raises(Invalid) as told:
        place(farm, on=on)
    assert told.value.reason_code == code


def test_unknown_things_are_told_where_they_stand(farm: World) -> None:
    with pytest.raises(Invalid, match="There is no product"):
        ordering.place([Asked("K7Q2-M4XJ", 500)], kitchen=farm.kitchen.public_id, on=FRIDAY, by=CLEO, now=NOW)
    with pytest.raises(Invalid, match="named twice"):
        ordering.place(
            [Asked(farm.product.public_id, 500)] * 2, kitchen=farm.kitchen.public_id, on=FRIDAY, by=CLEO, now=NOW
        )
    with pytest.raises(Invalid, match="at least one line"):
        ordering.place([], kitchen=farm.kitchen.public_id, on=FRIDAY, by=CLEO, now=NOW)
    with pytest.raises(Missing):
        place(farm, kitchen="K7Q2-M4XJ")


def test_substitutes_are_promised_where_the_ordered_strain_is_short(farm: World) -> None:
    farm.harvest(3_000, grade="b")
    world.plan()
    customers.set_substitutes(
        farm.kitchen.public_id,
        [(farm.strain.public_id, "a", farm.strain.public_id, "b")],
        by=ADA, now=NOW,
    )  # fmt: skip
    line = place(farm, 400_000, on=THURSDAY).lines.get()
    assert line.promise is not None
    assert {part.book.grade: part.amount >= 3_000 for part in line.promise.parts.all()}["b"]
    assert line.promise.chance_pct >= farm.kitchen.chance_pct, "all parts are carried together"


def test_staff_may_promise_below_the_asked_chance_and_it_says_so(farm: World) -> None:
    most = place(farm, 400_000).lines.get().promise
    assert most is not None
    ordering.cancel(Order.objects.get().public_id, by=ADA, now=NOW)
    knowingly = place(farm, most.amount + 4_000, below_chance=True).lines.get().promise
    assert knowingly is not None
    assert (knowingly.status, knowingly.below_asked) == ("full", True)
    assert knowingly.chance_pct < knowingly.asked_pct


def test_the_plan_serves_what_was_promised_from_lots_and_coming_harvests(farm: World) -> None:
    line = place(farm, 3_000).lines.get()
    planning.replan(now=NOW)
    line.refresh_from_db()
    assert line.allocated == 3_000 == sum(a.amount for a in line.allocations.all())
    assert all(a.coming_on is not None for a in line.allocations.all())
    farm.harvest(5_000, on=THURSDAY, now=NOW + timedelta(days=3))
    planning.replan(now=NOW + timedelta(days=3))
    line.refresh_from_db()
    assert line.allocated == 3_000
    assert any(a.lot_id is not None for a in line.allocations.all())
    assert line.account["code"] == "full"


def test_a_promise_is_raised_in_the_night_when_more_is_sure(farm: World) -> None:
    short = place(farm, 400_000, on=THURSDAY).lines.get()
    before = short.promised
    small = place(farm, 500, on=THURSDAY).lines.get()
    assert small.promised == 0, "the older line holds all that is sure"
    farm.harvest(30_000, on=MONDAY)
    planning.replan(now=NOW)
    short.refresh_from_db()
    assert short.promised > before
    assert Event.objects.filter(kind="promise_raised", subject=short.order.public_id).exists()


def test_kits_are_promised_by_the_piece_and_never_more_than_there_are() -> None:
    farm = world.build(kits_wanted=5)
    world.plan()
    assert farm.crop.batch.bags == 45
    orders = [
        ordering.place([Asked(farm.kit.public_id, 2)], buyer=farm.buyer.public_id, on=FRIDAY, by="key:shop", now=NOW)
        for _ in range(4)
    ]
    assert [order.lines.get().promised for order in orders] == [2, 2, 1, 0]
    assert orders[0].lines.get().shipment.way == "carrier"
