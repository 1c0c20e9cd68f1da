"""From readings and logs over the night to what a grower is told: dates, and why."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from typing import Any

import pytest

from fulfilment.core.forecast import Code, Reason
from fulfilment.models import Crop, Forecast, Room
from fulfilment.read.rooms import expected
from fulfilment.services import farm, growing, nights
from tests.builders.growing import OPENED, PINS, TODAY, Grower, a_grower
from tests.builders.kitchens import NOW
from tests.people import ADA

pytestmark = pytest.mark.django_db

MORNING = datetime(2026, 5, 8, 4, 0, tzinfo=UTC)


@pytest.fixture
def grower() -> Grower:
    return a_grower()


def read(room: Room, celsius: float, *, days: int) -> None:
    """Twice a day on each of the last so many days."""
    for back in range(1, days + 1):
        for hour in (6, 18):
            at = datetime.combine(TODAY - timedelta(days=back), time(hour), tzinfo=UTC)
            growing.log_reading(room.public_id, celsius=celsius, at=at, by=ADA, now=NOW)


def opened(grower: Grower, room: Room, *, days_ago: int, bags: int = 10) -> Crop:
    return growing.open_crop(
        grower.batch(bags).public_id, bags=bags, room=room.public_id, opened_on=TODAY - timedelta(days=days_ago),
        by=ADA, now=NOW, today=TODAY, confirmed=True,
    )  # fmt: skip


def night() -> dict[str, Any]:
    nights.run(TODAY.isoformat(), now=MORNING, scenarios=400)
    return dict(Forecast.objects.latest().outlooks)


def why(crop: Crop) -> str:
    standing = Crop.objects.select_related("batch__strain", "room").get(pk=crop.pk)
    return expected.of_crop(standing, expected.newest(), taken_g=0, held=False, today=TODAY).why


def middle(outlook: dict[str, Any]) -> int:
    return (datetime.fromisoformat(outlook["next_on"][1]).date() - TODAY).days


def test_a_fruiting_room_that_ran_three_degrees_cool_last_week_moves_the_dates_and_says_so(grower: Grower) -> None:
    kept, cool = (
        farm.add_room(name, kind="fruiting", set_point_c=12, by=ADA, now=NOW) for name in ("Cellar", "North cellar")
    )
    read(kept, 12, days=7)
    read(cool, 9, days=7)
    even, late = opened(grower, kept, days_ago=7), opened(grower, cool, days_ago=7)
    outlooks = night()
    found = {crop.pk: outlooks[f"crop:{crop.pk}"] for crop in (even, late)}
    reason = Reason.from_data(found[late.pk]["reason"])
    assert reason is not None
    assert reason.drift is not None
    assert (reason.drift.days, reason.drift.apart_c) == (7, -3)
    assert reason.drift.late_days >= 1.5
    # what is left is drawn given that no pins came yet, so it moves by a little less than what was lost
    moved = middle(found[late.pk]) - middle(found[even.pk])
    assert 1 <= moved <= reason.drift.late_days + 1
    assert why(late).endswith("The room ran 3 °C cool last week: about 2 days later.")
    assert "The room" not in why(even)


def test_a_strain_with_no_history_has_the_handbooks_dates_and_says_so(grower: Grower) -> None:
    crop = opened(grower, grower.light, days_ago=2)
    outlook = night()[f"crop:{crop.pk}"]
    assert outlook["reason"]["data"]["own"] == 0
    assert "no crop of this strain has come so far yet: by the handbook" in why(crop)
    assert 0 < outlook["grams"][0] < outlook["grams"][2], "and its kilos are as wide as reports on grounds are"


def test_the_farms_own_crops_take_the_handbooks_place(grower: Grower) -> None:
    for _ in range(6):
        grower.see(grower.crop(), "pins", on=OPENED + timedelta(days=4))
    young = opened(grower, grower.light, days_ago=2)
    outlook = night()[f"crop:{young.pk}"]
    assert (outlook["reason"]["code"], outlook["reason"]["data"]["own"]) == (Code.OPENED, 6)
    low, high = outlook["reason"]["data"]["takes_days"]
    assert why(young) == (
        f"Opened 2 days ago, no look written down since; your {grower.strain.name} crops take {low}–{high} days at "
        "16 °C."
    )
    assert low <= 4 <= high


def test_what_was_looked_at_and_seen_is_told(grower: Grower) -> None:
    waits, grows, runs = opened(grower, grower.light, days_ago=5), grower.crop(), grower.batch(run=False)
    grower.see(waits, "seen", on=TODAY - timedelta(days=1), note="dry")
    grower.see(grows, "pins", on=PINS)
    grower.see(runs, "run_half", on=TODAY - timedelta(days=20))
    outlooks = night()
    assert "no pins seen by yesterday’s look" in why(waits)
    assert why(grows).startswith("Pins seen 7 days ago; ")
    assert outlooks[f"crop:{grows.pk}"]["delay"]["first_on"] == TODAY.isoformat()
    runs.refresh_from_db()
    told = expected.of_batch(runs, expected.newest(), kits_in_store=0, held=False, today=TODAY)
    assert told.why.startswith("Mixed 35 days ago, half run after 15 days; ")


def test_a_second_flush_counts_from_its_watering(grower: Grower) -> None:
    crop = grower.crop(on=TODAY - timedelta(days=30), confirmed=True)
    grower.see(crop, "pins", on=TODAY - timedelta(days=23))
    grower.harvest(crop, 2_000, on=TODAY - timedelta(days=18), confirmed=True)
    grower.see(crop, "flush_ended", on=TODAY - timedelta(days=16))
    grower.see(crop, "rewatered", on=TODAY - timedelta(days=6))
    night()
    assert why(crop).startswith("First flush picked out 16 days ago, watered 6 days ago, no look written down since; ")
