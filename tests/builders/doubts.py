"""A line of Cleo's that has become doubtful: 2 kg promised for Friday, of which 500 g are held since Tuesday noon."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from fulfilment.models import Batch, Crop, Farm, Line, Lot, Product, Shipment, Strain, Substitute
from fulfilment.services import doubts, freezing, holds, planning
from tests.builders.kitchens import FRIDAY, a_farm, a_fresh_lot, a_kitchen, a_line, a_product, a_strain
from tests.people import BEN

TUESDAY = FRIDAY - timedelta(days=3)
NOON = datetime(2026, 5, 5, 10, 0, tzinfo=UTC)
"""Tuesday noon on the farm's clock."""
CUT_OFF = datetime(2026, 5, 7, 10, 0, tzinfo=UTC)


def plan(now: datetime) -> None:
    """As a worker does it."""
    planning.replan(now=now)
    freezing.follow_plan(now=now)
    doubts.follow_plan(now=now)


def in_store(strain: Strain, grams: int) -> Lot:
    """A lot that keeps until Friday, of a crop that gives no more."""
    lot = a_fresh_lot(strain, grams, harvested_on=TUESDAY)
    Batch.objects.update(bags_opened=40)
    Crop.objects.update(finished_on=TUESDAY, stage="finished")
    return lot


def a_doubtful_line(*, pink_g: int = 250, sure_g: int = 1_500) -> Line:
    """The line; ``pink_g`` of the substitute that Cleo accepts lie in store, in packs too small for the plan."""
    a_farm()
    Farm.objects.update(scenarios=50, horizon_days=7)
    strain, kitchen = a_strain(), a_kitchen()
    pink = a_product(a_strain("Pink oyster", tender=True))
    Product.objects.filter(pk=pink.pk).update(pack=250, name="Pink oyster")
    Substitute.objects.create(
        kitchen=kitchen, strain=strain, grade="a", instead_strain=pink.strain, instead_grade="a", position=1
    )
    if sure_g:
        in_store(strain, sure_g)
    held = in_store(strain, 2_000 - sure_g)
    if pink_g:
        in_store(pink.strain, pink_g)
    line = a_line(kitchen, a_product(strain), 2_000)
    Shipment.objects.update(cut_off_at=CUT_OFF)
    holds.hold("lot", held.public_id, reason="smells of beer", by=BEN, now=NOON)
    plan(NOON)
    line.refresh_from_db()
    return line
