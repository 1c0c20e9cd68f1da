"""What changes between the moment a plan reads and the moment it is saved is not written, and is planned again.

Each case does something in the middle of the run, as another worker or a person would.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from unittest.mock import patch

import pytest

from fulfilment.core import allocation
from fulfilment.models import Allocation, Farm, Line, Lot, Shipment
from fulfilment.read.orders import why
from fulfilment.services import holds, jobs, ordering, planning, stock
from fulfilment.services.planning import allotting
from tests.builders.doubts import NOON, TUESDAY, in_store
from tests.builders.kitchens import THURSDAY, a_farm, a_kitchen, a_line, a_product, a_strain
from tests.people import BEN

pytestmark = pytest.mark.django_db

LATER = NOON + timedelta(hours=1)


@pytest.fixture
def line() -> Line:
    """1 kg ordered and promised for Friday; 1.5 kg lie in store and nothing else ever comes."""
    a_farm()
    Farm.objects.update(scenarios=50, horizon_days=7)
    strain = a_strain()
    in_store(strain, 1_500)
    made = a_line(a_kitchen(), a_product(strain), 1_000)
    Shipment.objects.update(cut_off_at=NOON + timedelta(days=2))
    return made


def hold_it(line: Line) -> None:
    holds.hold("lot", Lot.objects.get().public_id, reason="smells of beer", by=BEN, now=NOON)


def empty_it(line: Line) -> None:
    stock.waste(Lot.objects.get().public_id, quantity=1_500, reason="wet", by=BEN, now=NOON, today=TUESDAY)


def use_half(line: Line) -> None:
    stock.waste(Lot.objects.get().public_id, quantity=1_000, reason="wet", by=BEN, now=NOON, today=TUESDAY)


def cancel_it(line: Line) -> None:
    ordering.cancel(line.order.public_id, by=BEN, now=NOON)


def raise_it(line: Line) -> None:
    ordering.change_line(line.order.public_id, number=1, to=1_500, by=BEN, now=NOON)


def lower_it(line: Line) -> None:
    ordering.change_line(line.order.public_id, number=1, to=500, by=BEN, now=NOON)


MEANWHILE: dict[str, tuple[Callable[[Line], None], int, int]] = {
    "the lot is put on hold": (hold_it, 0, 0),
    "the lot is emptied": (empty_it, 0, 0),
    "the lot is used in part": (use_half, 0, 500),
    "the line is cancelled": (cancel_it, 0, 0),
    "the line is raised": (raise_it, 0, 1_500),
    "the line is lowered": (lower_it, 0, 500),
}
"""What happens → grams that the run writes for the line, grams that the next one does."""


@pytest.mark.parametrize("case", MEANWHILE)
def test_what_changed_during_the_run_is_not_written_and_is_planned_again(line: Line, case: str) -> None:
    happens, at_once, then = MEANWHILE[case]

    def allocate(*args: object, **named: object) -> allocation.Plan:
        made = allocation.allocate(*args, **named)  # type: ignore[arg-type]  # passed on
        happens(line)
        return made

    with patch.object(allotting, "allocate", allocate):
        planning.allot(today=TUESDAY, now=NOON, cause="test")
    assert given(line) == at_once
    assert jobs.waits("replan")
    planning.allot(today=TUESDAY, now=LATER, cause="test")
    line.refresh_from_db()
    assert (given(line), line.allocated) == (then, then)


def given(line: Line) -> int:
    return sum(row.amount for row in Allocation.objects.filter(line=line))


def test_a_lot_past_its_day_supplies_nothing_and_the_reason_is_true(line: Line) -> None:
    planning.allot(today=TUESDAY, now=NOON, cause="test")
    assert given(line) == 1_000
    Lot.objects.update(best_before=THURSDAY)
    planning.allot(today=TUESDAY, now=LATER, cause="test")
    line.refresh_from_db()
    assert (given(line), line.allocated, line.account["there"]) == (0, 0, 0)
    assert why.account(line.account, staff=False) == "Part of what was set aside for you cannot be sent."
