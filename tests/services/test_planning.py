"""The replan: what is published, what is allotted, what is written and what is left alone."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.db.models import F
from django.test.utils import CaptureQueriesContext

from fulfilment import work
from fulfilment.core.allocation import Plan as MadePlan
from fulfilment.core.allocation import Source, Want, allocate
from fulfilment.models import (
    Allocation,
    Batch,
    Book,
    Doubt,
    Event,
    Forecast,
    Job,
    Line,
    Mail,
    Order,
    Plan,
    Promise,
    ShortageOffer,
)
from fulfilment.out import emails
from fulfilment.read import plans, supply
from fulfilment.read.planned import refused_at
from fulfilment.services import (
    customers,
    doubts,
    freezing,
    growing,
    holds,
    jobs,
    nights,
    ordering,
    planning,
    stock,
)
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


def test_of_bags_that_still_run_no_more_become_kits_than_are_practically_sure() -> None:
    farm = world.build(bags=2, opened_days_ago=3, kits_wanted=30)
    Batch.objects.filter(pk=farm.crop.batch_id).update(colonised_on=None)
    world.plan()
    quota = Batch.objects.get(pk=farm.crop.batch_id).kit_quota
    assert 20 < quota < 30  # some of thirty bags are always lost on the way


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


# ---- Difference, not replacement -----------------------------------------------------------------------------------

RUN = frozenset({"forecast", "supply", "plan", "event"})
"""What a run leaves of itself: its forecast, its plan and the event that says so; books then point to the forecast."""


def written(statement: str) -> str:
    """The table that a statement writes to, empty where it only reads."""
    found = re.match(r'\s*(?:INSERT INTO|UPDATE|DELETE FROM) "?fulfilment_(\w+?)"?\s', statement)
    return found[1] if found else ""


def test_a_replan_of_what_has_not_changed_writes_its_run_and_nothing_else(farm: World) -> None:
    farm.harvest(6_000)
    for grams in (2_000, 20_000, 400_000):
        place(farm, grams)
    world.plan()
    freezing.follow_plan(now=NOW)
    doubts.follow_plan(now=NOW)
    world.plan()
    rows = {
        model: list(model.objects.order_by("pk").values())
        for model in (Allocation, Line, Promise, Batch, Mail, Doubt, ShortageOffer)
    }
    assert rows[Allocation], "something is allotted"
    assert Line.objects.filter(allocated__lt=F("ordered")).exists(), "and somebody goes short"
    with CaptureQueriesContext(connection) as asked:
        planning.replan(now=NOW)
        freezing.follow_plan(now=NOW)
        doubts.follow_plan(now=NOW)
    tables = Counter(written(each["sql"]) for each in asked.captured_queries)
    assert tables.keys() - {"", "book", "job"} <= RUN, tables
    assert (tables["forecast"], tables["plan"], tables["event"]) == (1, 1, 1)
    for model, before in rows.items():
        assert list(model.objects.order_by("pk").values()) == before


def test_a_replan_writes_the_lines_that_changed_and_no_others(farm: World) -> None:
    """Ten lines on ten days; one of them is lowered, and what it leaves nobody else has waited for."""
    lines = [place(farm, 500, on=THURSDAY + timedelta(days=7 * (n // 2) + n % 2)) for n in range(6)]
    world.plan()
    before = {row["pk"]: row for row in Allocation.objects.values("pk", "line", "amount", "coming_on")}
    accounts = dict(Line.objects.values_list("pk", "account"))
    ordering.cancel(lines[0].order.public_id, because="the chef rang", by=ADA, now=NOW)
    world.plan()
    after = {row["pk"]: row for row in Allocation.objects.values("pk", "line", "amount", "coming_on")}
    gone = {row["line"] for pk, row in before.items() if pk not in after}
    assert gone == {lines[0].pk}
    assert set(after) <= set(before)
    told = {pk for pk, account in Line.objects.values_list("pk", "account") if account != accounts[pk]}
    assert told <= {line.pk for line in lines}


def test_a_worker_whose_plan_is_refused_keeps_yesterday_s_and_tells_people(
    farm: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The fault is planted in the sources: a lot of 6 kg is taken for one of 60.  The audit looks at what there is."""
    farm.harvest(6_000)
    line = place(farm, 2_000)
    world.plan()
    kept = list(line.allocations.values("pk", "lot", "amount"))
    stands = Plan.objects.latest("pk")
    place(farm, 20_000)
    real = allocate

    def greedy(wants: Sequence[Want], sources: Sequence[Source], **more: Any) -> MadePlan:
        return real(wants, [replace(s, amount=10 * s.amount) for s in sources], **more)

    with monkeypatch.context() as planted:
        planted.setattr(allotting, "allocate", greedy)
        assert jobs.waits("replan")
        assert work.drain(now=NOW) > 0
    assert Plan.objects.latest("pk") == stands
    assert list(line.allocations.values("pk", "lot", "amount")) == kept
    assert not jobs.waits("replan"), "the job is done: doing it again would find the same"
    mail = Mail.objects.get(kind="plan_refused")
    assert (mail.to_staff, mail.state) == (True, "sent")
    told = emails.preview(mail.public_id, now=NOW)
    assert "yesterday's plan stands" in told.text
    assert refused_at() == NOW
    place(farm, 500)
    work.drain(now=NOW + timedelta(minutes=5))
    assert Plan.objects.latest("pk") != stands
    assert refused_at() is None


def test_a_night_whose_plan_is_refused_goes_on(farm: World, monkeypatch: pytest.MonkeyPatch) -> None:
    place(farm, 2_000)
    count = Plan.objects.count()
    monkeypatch.setattr(allotting, "audit", lambda *_, **__: ["lot:1 gives more than it holds"])
    night = nights.run(MONDAY.isoformat(), now=NOW)
    assert night.done_at == NOW
    assert Plan.objects.count() == count
    assert Mail.objects.filter(kind="plan_refused", to_staff=True).count() == 1
