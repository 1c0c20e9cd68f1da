"""Cleo's standing order: begun once, rolled every night, changed for a date, paused, ended."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from fulfilment.core.problems import Conflict, Invalid, Missing
from fulfilment.models import Event, Order, StandingOrder
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
