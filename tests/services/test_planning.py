"""The replan: what is published, what is allotted, what is written and what is left alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from fulfilment.core.allocation import Plan as MadePlan
from fulfilment.core.allocation import allocate
from fulfilment.models import Allocation, Batch, Book, Event, Forecast, Job, Line, Mail, Order, Plan
from fulfilment.read import plans, supply
from fulfilment.services import customers, growing, holds, ordering, planning, stock
from fulfilment.services.ordering import Asked
from fulfilment.services.planning import allotting
from tests import world
from tests.world import ADA, MONDAY, NOW, World

pytestmark = pytest.mark.django_db

THURSDAY = MONDAY + timedelta(days=3)


@pytest.fixture
def farm() -> World:
    made = world.build()
    world.plan()
    return made


def place(farm: World, grams: int, *, on: date = THURSDAY) -> Line:
    order = ordering.place(
        [Asked(farm.product.public_id, grams)], kitchen=farm.kitchen.public_id, on=on, by=ADA, now=NOW
    )
    return order.lines.get()


def test_the_forecast_and_every_book_move_in_one_commit(farm: World) -> None:
    made = Forecast.objects.latest()
    assert set(Book.objects.exclude(grade="kit").values_list("forecast_id", flat=True)) == {made.pk}
    assert made.seen_entry == supply.newest_entry()
    grades = set(made.supplies.values_list("grade", flat=True))
    assert grades == {"a", "b"}
    row = made.supplies.get(grade="a")
    assert all(low <= middle <= high for low, middle, high in zip(row.p10, row.p50, row.p90, strict=True))
    assert sum(row.mean) > 1_000


def test_the_same_state_gives_the_same_forecast_and_plan(farm: World) -> None:
    place(farm, 3_000)
    world.plan()
    first, pieces = Forecast.objects.latest(), list(Allocation.objects.values_list("line", "coming_on", "amount"))
    world.plan()
    second = Forecast.objects.latest()
    assert bytes(first.supplies.get(grade="a").packed) == bytes(second.supplies.get(grade="a").packed)
    assert first.digest == second.digest
    assert list(Allocation.objects.values_list("line", "coming_on", "amount")) == pieces
    figures = Plan.objects.latest("pk").figures
    assert (figures["lines_changed"], figures["resourced"]) == (0, 0)
    assert (figures["resourced_weighted"], figures["changed"], figures["changed_weighted"]) == (0, 0, 0)


def test_a_harvest_counts_once_before_and_after_the_replan(farm: World) -> None:
    """Until the replan a logged harvest is still the coming harvest that it was; afterwards it is a lot."""
    asked = [Asked(farm.product.public_id, 400_000)]

    def sure() -> int:
        return ordering.check(asked, kitchen=farm.kitchen.public_id, on=THURSDAY, now=NOW)[0].answer.amount

    before = sure()
    farm.harvest(4_000)
    assert sure() == before
    world.plan()
    after = sure()
    rows = [Book.objects.get(grade="a")]
    lots = supply.supplies(rows, today=MONDAY)
    held = next(iter(lots.values())).amounts[:, 0].min()
    assert held >= 4_000
    assert after >= 4_000


def test_what_is_wasted_is_not_promised_again_even_before_the_replan(farm: World) -> None:
    lot = farm.harvest(10_000)
    world.plan()
    asked = [Asked(farm.product.public_id, 400_000)]
    before = ordering.check(asked, kitchen=farm.kitchen.public_id, on=THURSDAY, now=NOW)[0].answer.amount
    stock.waste(lot.public_id, quantity=8_000, reason="dropped", by=ADA, now=NOW, today=MONDAY)
    after = ordering.check(asked, kitchen=farm.kitchen.public_id, on=THURSDAY, now=NOW)[0].answer.amount
    assert after == before - 8_000


def test_held_things_supply_nothing(farm: World) -> None:
    lot = farm.harvest(10_000)
    line = place(farm, 6_000)
    world.plan()
    line.refresh_from_db()
    assert line.allocated == 6_000
    holds.hold("batch", farm.crop.batch.public_id, reason="smells sour", by=ADA, now=NOW)
    world.plan()
    line.refresh_from_db()
    assert line.allocated == 0
    assert not Allocation.objects.filter(lot=lot).exists()
    asked = [Asked(farm.product.public_id, 500)]
    assert ordering.check(asked, kitchen=farm.kitchen.public_id, on=THURSDAY, now=NOW)[0].answer.amount == 0
    assert Event.objects.filter(kind="promise_doubtful", subject=line.order.public_id).exists()


def test_lost_bags_leave_the_forecast(farm: World) -> None:
    before = sum(Forecast.objects.latest().supplies.get(grade="a").mean)
    growing.log_observation(
        crop=farm.crop.public_id,
        kind="bags_lost",
        bags=20,
        cause="mould",
        seen_on=MONDAY,
        by=ADA,
        now=NOW,
        today=MONDAY,
    )
    world.plan()
    after = sum(Forecast.objects.latest().supplies.get(grade="a").mean)
    assert 0.35 * before < after < 0.6 * before


def test_a_short_day_is_shared_promises_first_and_every_account_checks(farm: World) -> None:
    lines = [place(farm, 20_000) for _ in range(3)]
    farm.harvest(9_000)
    world.plan()
    there = sum(s.amount for s in plans.question(today=MONDAY).sources if s.goods.grade == "a")
    for line in lines:
        line.refresh_from_db()
        assert line.allocated >= line.promised
        assert line.account["allocated"] == line.allocated == sum(line.allocations.values_list("amount", flat=True))
    assert sum(line.allocated for line in lines) <= there


def test_a_line_changed_while_the_plan_was_made_is_left_and_a_new_plan_asked_for(
    farm: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    line = place(farm, 2_000)
    wanted = Job.objects.get(kind="replan").wanted

    def meanwhile(*args: object, **kwargs: object) -> MadePlan:
        made = allocate(*args, **kwargs)  # type: ignore[arg-type]  # passed on as it came
        Line.objects.filter(pk=line.pk).update(version=line.version + 7)
        return made

    monkeypatch.setattr(allotting, "allocate", meanwhile)
    made = planning.replan(now=NOW)
    assert made is not None
    assert made.figures["lines_skipped"] == 1
    assert not line.allocations.exists()
    assert Job.objects.get(kind="replan").wanted == wanted + 1


def test_a_plan_that_fails_its_audit_is_not_saved_and_staff_are_told(
    farm: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    line = place(farm, 2_000)
    world.plan()
    kept = list(line.allocations.values_list("pk", "amount"))
    count = Plan.objects.count()
    monkeypatch.setattr(allotting, "audit", lambda *_, **__: ["lot:1 gives more than it holds"])
    assert planning.replan(now=NOW) is None
    assert Plan.objects.count() == count
    assert list(line.allocations.values_list("pk", "amount")) == kept
    assert Mail.objects.filter(kind="plan_refused", to_staff=True).count() == 1
    assert Event.objects.filter(kind="plan_refused").exists()


def test_a_plan_spoiled_on_its_way_is_found_and_not_saved(farm: World, monkeypatch: pytest.MonkeyPatch) -> None:
    """The real audit, on a plan that gives one line a gram more than its source holds."""
    line = place(farm, 2_000)
    world.plan()
    kept = list(line.allocations.values_list("pk", "amount"))
    count = Plan.objects.count()

    def spoiled(*args: object, **kwargs: object) -> MadePlan:
        made = allocate(*args, **kwargs)  # type: ignore[arg-type]  # passed on as it came
        first, *rest = made.pieces
        return replace(made, pieces=(replace(first, amount=400_000_000), *rest))

    monkeypatch.setattr(allotting, "allocate", spoiled)
    assert planning.replan(now=NOW) is None
    assert Plan.objects.count() == count
    assert list(line.allocations.values_list("pk", "amount")) == kept
    assert Mail.objects.filter(kind="plan_refused", to_staff=True).count() == 1


def test_the_kit_quota_rises_to_the_wish_but_never_out_of_a_promise() -> None:
    farm = world.build(bags=2, opened_days_ago=3, kits_wanted=30)
    batch = farm.crop.batch
    batch.refresh_from_db()
    world.plan()
    batch = Batch.objects.get(pk=batch.pk)
    assert batch.kit_quota == 30
    assert batch.kits_ready_on is not None


def test_a_quota_leaves_what_was_promised_of_the_bags_as_fresh() -> None:
    farm = world.build(bags=1, opened_days_ago=1, kits_wanted=30)
    customers.change_kitchen(farm.kitchen.public_id, max_age_days=7, chance_pct=60, by=ADA, now=NOW)
    Batch.objects.filter(pk=farm.crop.batch_id).update(kits_wanted=0)
    world.plan()
    days = [MONDAY + timedelta(days=n) for n in range(7, 33) if (MONDAY + timedelta(days=n)).weekday() < 5]
    promised = sum(place(farm, 400_000, on=day).promised for day in days)
    assert promised > 0
    Batch.objects.filter(pk=farm.crop.batch_id).update(kits_wanted=30)
    chances = {line.pk: line.chance_pct for line in Line.objects.filter(promised__gt=0)}
    world.plan()
    batch = Batch.objects.get(pk=farm.crop.batch_id)
    assert batch.kit_quota < 30
    for line in Line.objects.filter(pk__in=chances):
        assert line.chance_pct is not None
        assert line.chance_pct >= min(90, chances[line.pk] or 0) - 1
    assert Order.objects.count() == len(days)


def test_a_coming_harvest_becomes_its_lot_without_counting_as_moved(farm: World) -> None:
    line = place(farm, 2_000)
    world.plan()
    coming = {a.coming_on for a in line.allocations.all()}
    assert coming
    day = min(each for each in coming if each is not None)
    lot = farm.harvest(20_000, on=day, now=NOW + timedelta(days=(day - MONDAY).days))
    made = planning.replan(now=NOW + timedelta(days=(day - MONDAY).days))
    assert made is not None
    pieces = list(line.allocations.all())
    assert any(each.lot_id == lot.pk for each in pieces)
    assert not any(each.coming_on == day for each in pieces if each.lot_id is None) or made.figures["resourced"] == 0
