"""Cleo's standing order: begun once, rolled every night, changed for a date, paused, ended."""

from __future__ import annotations

from datetime import date, timedelta
from importlib import import_module

import pytest
from django.apps import apps

from fulfilment.core.problems import Conflict, Invalid, Missing
from fulfilment.models import Event, Order, PromisePart, StandingOrder
from fulfilment.services import customers, ordering, standing
from fulfilment.services import farm as farming
from fulfilment.services.ordering import Asked
from tests import world
from tests.world import ADA, MONDAY, NOW, World

pytestmark = pytest.mark.django_db

CLEO = "key:cleo"
TUESDAY = MONDAY + timedelta(days=1)
FRIDAY = MONDAY + timedelta(days=4)


@pytest.fixture
def farm() -> World:
    made = world.build()
    world.plan()
    return made


def begin(farm: World, rule: str = "FREQ=WEEKLY;BYDAY=FR", **more: object) -> StandingOrder:
    wanted = {"starts_on": MONDAY, "by": CLEO, "now": NOW} | more
    lines = [Asked(farm.product.public_id, 1_000)]
    return standing.begin(farm.kitchen.public_id, lines=lines, rule=rule, **wanted)  # type: ignore[arg-type]  # test data


def dates(order: StandingOrder) -> list[date]:
    return list(order.orders.filter(cancelled_at__isnull=True).order_by("on").values_list("on", flat=True))


def test_its_dates_inside_the_roll_ahead_become_orders_at_once(farm: World) -> None:
    order = begin(farm)
    assert dates(order) == [FRIDAY + timedelta(weeks=week) for week in range(4)]
    assert all(line.promise is not None for each in order.orders.all() for line in each.lines.all())


def test_rolling_again_makes_nothing_twice_and_goes_on_as_days_pass(farm: World) -> None:
    order = begin(farm)
    assert standing.roll(now=NOW) == 0
    assert standing.roll(now=NOW + timedelta(days=7)) == 1
    assert dates(order)[-1] == FRIDAY + timedelta(weeks=4)


def test_a_date_past_its_cut_off_is_not_rolled(farm: World) -> None:
    order = begin(farm, "FREQ=WEEKLY;BYDAY=TU", now=NOW + timedelta(hours=7))
    assert dates(order)[0] == TUESDAY + timedelta(weeks=1)


def test_a_closed_date_is_left_out_and_said_once(farm: World) -> None:
    farming.close_day(FRIDAY, reason="market", by=ADA, now=NOW, today=MONDAY)
    order = begin(farm)
    standing.roll(now=NOW)
    assert FRIDAY not in dates(order)
    left_out = Event.objects.get(kind="date_left_out", subject=order.public_id)
    assert left_out.data["on"] == FRIDAY.isoformat()
    assert "closed" in left_out.data["why"]


def test_a_skip_cancels_what_was_rolled_and_keeps_the_rest(farm: World) -> None:
    order = begin(farm)
    standing.skip(order.public_id, on=FRIDAY, by=CLEO, now=NOW)
    assert dates(order)[0] == FRIDAY + timedelta(weeks=1)
    assert standing.roll(now=NOW) == 0, "a skipped date does not come back"


def test_other_amounts_on_one_date_change_its_order_only(farm: World) -> None:
    order = begin(farm)
    standing.change(order.public_id, on=FRIDAY, amounts={farm.product.public_id: 1_500}, by=CLEO, now=NOW)
    amounts = [each.lines.get().ordered for each in order.orders.order_by("on")]
    assert amounts == [1_500, 1_000, 1_000, 1_000]


def test_a_pause_covers_dates_rolled_and_not_yet_rolled(farm: World) -> None:
    order = begin(farm)
    standing.pause(
        order.public_id, first=FRIDAY + timedelta(weeks=3), last=FRIDAY + timedelta(weeks=5), by=CLEO, now=NOW
    )
    assert dates(order) == [FRIDAY + timedelta(weeks=week) for week in range(3)]
    later = NOW + timedelta(weeks=3)
    standing.roll(now=later)
    assert dates(order)[-1] == FRIDAY + timedelta(weeks=6)


def test_ending_cancels_what_was_rolled_beyond(farm: World) -> None:
    order = begin(farm)
    standing.end(order.public_id, last_on=FRIDAY + timedelta(weeks=1), by=CLEO, now=NOW)
    assert len(dates(order)) == 2
    assert standing.roll(now=NOW + timedelta(weeks=2)) == 0


def test_one_that_ends_before_it_begins_never_delivers(farm: World) -> None:
    order = begin(farm, starts_on=FRIDAY)
    standing.end(order.public_id, last_on=MONDAY, by=CLEO, now=NOW)
    assert dates(order) == []
    assert standing.roll(now=NOW) == 0


def test_an_order_cancelled_by_hand_is_not_rolled_again(farm: World) -> None:
    order = begin(farm)
    first = order.orders.order_by("on").first()
    assert first is not None
    ordering.cancel(first.public_id, by=CLEO, now=NOW)
    assert standing.roll(now=NOW) == 0


@pytest.mark.parametrize(
    ("rule", "more"),
    [
        ("FREQ=HOURLY", {}),
        ("every Friday", {}),
        ("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", {}),
        ("FREQ=WEEKLY;BYDAY=FR", {"starts_on": MONDAY - timedelta(days=1)}),
        ("FREQ=WEEKLY;BYDAY=FR", {"ends_on": MONDAY - timedelta(days=1)}),
        ("FREQ=WEEKLY;BYDAY=FR", {"way": "pigeon"}),
    ],
)
def test_rules_and_spans_that_cannot_be(farm: World, rule: str, more: dict[str, object]) -> None:
    with pytest.raises(Invalid):
        begin(farm, rule, **more)
    assert not StandingOrder.objects.exists()


def test_changes_that_cannot_be(farm: World) -> None:
    order = begin(farm)
    with pytest.raises(Invalid, match=r"no date of this standing order\. Its next date is Friday"):
        standing.skip(order.public_id, on=TUESDAY, by=CLEO, now=NOW)
    with pytest.raises(Invalid, match="packs of 500 g"):
        standing.change(order.public_id, on=FRIDAY, amounts={farm.product.public_id: 700}, by=CLEO, now=NOW)
    with pytest.raises(Invalid, match="skip it instead"):
        standing.change(order.public_id, on=FRIDAY, amounts={farm.product.public_id: 0}, by=CLEO, now=NOW)
    with pytest.raises(Invalid, match="is past"):
        standing.pause(order.public_id, first=MONDAY - timedelta(9), last=MONDAY - timedelta(2), by=CLEO, now=NOW)
    for far in (date(9999, 12, 30), date(9999, 12, 31), FRIDAY + timedelta(days=371)):
        with pytest.raises(Invalid, match="is more than a year ahead"):
            standing.skip(order.public_id, on=far, by=CLEO, now=NOW)
    with pytest.raises(Conflict, match="cut-off"):
        standing.skip(order.public_id, on=FRIDAY, by=CLEO, now=NOW + timedelta(days=3, hours=8))
    with pytest.raises(Missing):
        standing.skip("K7Q2-M4XJ", on=FRIDAY, by=CLEO, now=NOW)


def lines_on(order: StandingOrder, on: date) -> list[tuple[str, int]]:
    """What stands for a date of the rule, by product."""
    live = order.orders.filter(standing_on=on, cancelled_at__isnull=True)
    found = live.values_list("lines__product__name", "lines__ordered", "lines__cancelled_at")
    return sorted((name, amount) for name, amount, gone in found if gone is None)


def test_a_product_left_off_for_once_comes_back_as_usual(farm: World) -> None:
    lines = [Asked(farm.product.public_id, 1_000), Asked(farm.kit.public_id, 2)]
    order = standing.begin(
        farm.kitchen.public_id, lines=lines, rule="FREQ=WEEKLY;BYDAY=FR", starts_on=MONDAY, by=CLEO, now=NOW
    )
    rank = PromisePart.objects.filter(promise__current_of__order__standing_on=FRIDAY).order_by("rank").first()
    standing.change(order.public_id, on=FRIDAY, amounts={farm.kit.public_id: 0}, by=CLEO, now=NOW)
    assert lines_on(order, FRIDAY) == [("Pearl oyster, 500 g", 1_000)]
    standing.as_usual(order.public_id, on=FRIDAY, by=CLEO, now=NOW)
    assert lines_on(order, FRIDAY) == [("Pearl kit", 2), ("Pearl oyster, 500 g", 1_000)]
    kept = PromisePart.objects.filter(promise__current_of__order__standing_on=FRIDAY).order_by("rank").first()
    assert rank is not None
    assert kept is not None
    assert kept.pk == rank.pk, "what was not touched keeps its promise"


def test_a_skip_is_taken_back(farm: World) -> None:
    order = begin(farm)
    skipped = standing.skip(order.public_id, on=FRIDAY, by=CLEO, now=NOW)
    undone = standing.take_back(order.public_id, skipped.public_id, by=CLEO, now=NOW)
    assert dates(order)[0] == FRIDAY
    assert standing.take_back(order.public_id, skipped.public_id, by=CLEO, now=NOW) == undone, "once"
    assert order.orders.filter(standing_on=FRIDAY).count() == 2, "the cancelled one stays written"
    with pytest.raises(Missing):
        standing.take_back(order.public_id, undone.public_id, by=CLEO, now=NOW)


def test_what_held_before_a_change_holds_again_when_it_is_taken_back(farm: World) -> None:
    order = begin(farm)
    standing.change(order.public_id, on=FRIDAY, amounts={farm.product.public_id: 1_500}, by=CLEO, now=NOW)
    pause = standing.pause(order.public_id, first=MONDAY, last=FRIDAY, by=CLEO, now=NOW)
    assert lines_on(order, FRIDAY) == []
    standing.take_back(order.public_id, pause.public_id, by=CLEO, now=NOW)
    assert lines_on(order, FRIDAY) == [("Pearl oyster, 500 g", 1_500)]


def test_a_pause_is_cut_short(farm: World) -> None:
    order = begin(farm)
    standing.pause(order.public_id, first=FRIDAY, last=FRIDAY + timedelta(weeks=2), by=CLEO, now=NOW)
    standing.resume(order.public_id, on=FRIDAY + timedelta(weeks=1), by=CLEO, now=NOW)
    assert dates(order) == [FRIDAY + timedelta(weeks=week) for week in (1, 2, 3)]
    standing.resume(order.public_id, on=MONDAY, by=CLEO, now=NOW)
    assert dates(order)[0] == FRIDAY
    with pytest.raises(Conflict, match="not paused"):
        standing.resume(order.public_id, on=MONDAY, by=CLEO, now=NOW)


def test_other_lines_from_a_date_on(farm: World) -> None:
    order = begin(farm)
    third = FRIDAY + timedelta(weeks=2)
    lines = [Asked(farm.product.public_id, 500), Asked(farm.kit.public_id, 1)]
    standing.set_lines(order.public_id, lines, from_on=third, by=CLEO, now=NOW)
    usual, other = [("Pearl oyster, 500 g", 1_000)], [("Pearl kit", 1), ("Pearl oyster, 500 g", 500)]
    weeks = [FRIDAY + timedelta(weeks=week) for week in range(4)]
    assert [lines_on(order, on) for on in weeks] == [usual, usual, other, other]
    standing.set_lines(
        order.public_id, [Asked(farm.product.public_id, 1_500)], from_on=weeks[1], by=CLEO, now=NOW
    )  # fmt: skip
    more = [("Pearl oyster, 500 g", 1_500)]
    assert [lines_on(order, on) for on in weeks] == [usual, more, more, more]
    standing.roll(now=NOW + timedelta(weeks=1))
    assert lines_on(order, FRIDAY + timedelta(weeks=4)) == more
    standing.set_lines(order.public_id, lines, by=CLEO, now=NOW + timedelta(days=3, hours=8))
    assert [lines_on(order, on) for on in weeks] == [usual, other, other, other], "not what is past its cut-off"


def test_an_end_moved_out_brings_dates_back(farm: World) -> None:
    order = begin(farm)
    standing.end(order.public_id, last_on=FRIDAY, by=CLEO, now=NOW)
    assert dates(order) == [FRIDAY]
    standing.end(order.public_id, last_on=None, by=CLEO, now=NOW)
    assert len(dates(order)) == 4


def test_a_closed_date_comes_back_when_the_day_is_opened(farm: World) -> None:
    order = begin(farm)
    farming.close_day(FRIDAY, reason="market", by=ADA, now=NOW, today=MONDAY, confirmed=True)
    first = order.orders.get(standing_on=FRIDAY)
    ordering.cancel(first.public_id, by=ADA, now=NOW)
    assert FRIDAY not in dates(order)
    farming.open_day(FRIDAY, by=ADA, now=NOW)
    assert FRIDAY in dates(order)


@pytest.mark.parametrize(("on_closed", "to"), [("earlier", -1), ("later", 3)])
def test_a_closed_date_moves_and_back(farm: World, on_closed: str, to: int) -> None:
    """Later than a Friday is the next Monday: the farm delivers from Monday to Friday."""
    farming.close_day(FRIDAY, reason="market", by=ADA, now=NOW, today=MONDAY)
    order = begin(farm, on_closed=on_closed)
    moved = order.orders.get(standing_on=FRIDAY)
    assert moved.on == FRIDAY + timedelta(days=to)
    assert Event.objects.get(kind="date_moved", subject=order.public_id).data["to"] == moved.on.isoformat()
    standing.change(order.public_id, on=moved.on, amounts={farm.product.public_id: 1_500}, by=CLEO, now=NOW)
    assert lines_on(order, FRIDAY) == [("Pearl oyster, 500 g", 1_500)], "named by the day it comes"
    assert standing.roll(now=NOW) == 0
    farming.open_day(FRIDAY, by=ADA, now=NOW)
    assert dates(order)[0] == FRIDAY
    assert lines_on(order, FRIDAY) == [("Pearl oyster, 500 g", 1_500)]


def test_a_closed_date_does_not_double_a_day_of_its_own(farm: World) -> None:
    farming.close_day(FRIDAY, reason="market", by=ADA, now=NOW, today=MONDAY)
    order = begin(farm, "FREQ=WEEKLY;BYDAY=TH,FR", on_closed="earlier")
    assert FRIDAY not in order.orders.values_list("standing_on", flat=True)
    why = Event.objects.get(kind="date_left_out", subject=order.public_id).data["why"]
    assert "Thursday 7 May 2026 has a delivery of this standing order already" in why


def test_a_date_wanted_again_after_its_cut_off_takes_a_reason(farm: World) -> None:
    order = begin(farm)
    standing.skip(order.public_id, on=FRIDAY, by=CLEO, now=NOW)
    late = NOW + timedelta(days=3, hours=8)
    with pytest.raises(Conflict, match="closed on"):
        standing.as_usual(order.public_id, on=FRIDAY, by=CLEO, now=late)
    standing.as_usual(order.public_id, on=FRIDAY, by=ADA, now=late, because="they called")
    assert lines_on(order, FRIDAY) == [("Pearl oyster, 500 g", 1_000)]


def test_what_was_cancelled_before_skips_existed_stays_away(farm: World) -> None:
    upgrade = import_module("fulfilment.migrations.0008_shop")
    order = begin(farm)
    gone = order.orders.get(standing_on=FRIDAY)
    Order.objects.filter(pk=gone.pk).update(cancelled_at=NOW, standing_on=None)
    upgrade.name_dates(apps, None)
    upgrade.skip_cancelled(apps, None)
    assert standing.roll(now=NOW) == 0
    standing.as_usual(order.public_id, on=FRIDAY, by=CLEO, now=NOW)
    assert dates(order)[0] == FRIDAY


def test_no_kitchen_is_last_every_night(farm: World) -> None:
    """Three kitchens of one tier want all there is: over three days each is asked first once."""
    kitchens = [
        customers.add_kitchen(
            f"Kitchen {n}", email=f"k{n}@example.org", address={"street": "1 Quay", "town": "Saltby"}, by=ADA, now=NOW
        )
        for n in range(3)
    ]
    for kitchen in kitchens:
        standing.begin(
            kitchen.public_id,
            lines=[Asked(farm.product.public_id, 500)],
            rule="FREQ=DAILY",
            starts_on=MONDAY + timedelta(days=1),
            by=ADA,
            now=NOW,
        )
    firsts = []
    for day in (1, 2, 3):
        before = Order.objects.order_by("-pk").values_list("pk", flat=True).first() or 0
        standing.roll(now=NOW + timedelta(days=day))
        made = Order.objects.filter(pk__gt=before).order_by("pk").first()
        firsts.append(made.kitchen_id if made is not None else None)
    assert len({each for each in firsts if each is not None}) >= 2
    assert len(set(firsts)) == len(firsts)
