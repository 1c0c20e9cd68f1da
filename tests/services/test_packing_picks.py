"""Ben takes mushrooms from store for a line: exact, short, heavy; what is refused, what is asked, and undoing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import pytest

from fulfilment.core.problems import Conflict, Invalid, Missing, Unconfirmed
from fulfilment.models import (
    Event,
    Hold,
    Job,
    Line,
    Lot,
    Pick,
    PickList,
    Product,
    Shipment,
    StockEntry,
    Strain,
    Substitute,
)
from fulfilment.services import holds, packing
from tests.builders.kitchens import (
    BEN,
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

pytestmark = pytest.mark.django_db


@dataclass(slots=True)
class Store:
    strain: Strain
    product: Product
    lot: Lot
    line: Line


@pytest.fixture
def store() -> Store:
    """5 kg in one lot; Cleo is promised 2 kg of it and tolerates 5 %."""
    a_farm()
    strain = a_strain()
    lot, product = a_fresh_lot(strain, 5_000), a_product(strain)
    line = a_line(a_kitchen(), product, 2_000)
    plan((line, lot, 2_000))
    packing.make_pick_lists(FRIDAY, by=BEN, now=NOW)
    return Store(strain, product, lot, line)


def pick(store: Store, amount: int, *, lot: Lot | None = None, line: Line | None = None, **more: object) -> Pick:
    wanted = {"lot": (lot or store.lot).public_id, "amount": amount} | more
    return packing.pick(str(line or store.line), **({"by": BEN, "now": NOW, "today": FRIDAY} | wanted))  # type: ignore[arg-type]  # test data


def left(lot: Lot) -> int:
    lot.refresh_from_db()
    assert lot.quantity == sum(lot.entries.values_list("quantity", flat=True))
    return lot.quantity


def picked(line: Line) -> int:
    line.refresh_from_db()
    assert line.picked == sum(line.picks.values_list("amount", flat=True))
    return line.picked


# ---- As it is -------------------------------------------------------------------------------------------------------


def test_a_pick_takes_from_the_lot_says_who_and_when_and_packs_the_shipment(store: Store) -> None:
    made = pick(store, 2_000)
    assert (left(store.lot), picked(store.line)) == (3_000, 2_000)
    assert (made.by, made.at, made.entry.kind, made.entry.quantity) == (BEN, NOW, "picked", -2_000)
    shipment = Shipment.objects.get()
    assert (shipment.state, shipment.packed_at) == ("packed", NOW)
    assert PickList.objects.get().done_at == NOW
    assert Job.objects.get(kind="replan").planned < Job.objects.get(kind="replan").wanted
    event = Event.objects.get(kind="picked")
    assert (event.subject, event.kitchen) == (store.line.order.public_id, store.line.order.kitchen)
    assert event.data["lot"] == store.lot.public_id


@pytest.mark.parametrize(("amount", "state"), [(1_900, "packed"), (1_899, "placed"), (2_100, "packed"), (1, "placed")])
def test_short_and_heavy_within_tolerance_are_recorded_as_they_are(store: Store, amount: int, state: str) -> None:
    """5 % of 2,000 g are 100 g: packed from 1,900 g on, unasked up to 2,100 g."""
    pick(store, amount)
    assert (picked(store.line), left(store.lot)) == (amount, 5_000 - amount)
    assert Shipment.objects.get().state == state


def test_two_picks_make_one_line_whole(store: Store) -> None:
    pick(store, 1_200)
    assert Shipment.objects.get().state == "placed"
    pick(store, 800)
    assert Shipment.objects.get().state == "packed"
    assert Line.objects.get(pk=store.line.pk).version == 3


def test_a_shipment_waits_for_its_other_lines(store: Store) -> None:
    other = a_line(store.line.order.kitchen, a_product(store.strain, grade="b"), 500, order=store.line.order)  # type: ignore[arg-type]  # a kitchen's
    plan((other, a_fresh_lot(store.strain, 500, grade="b"), 500), (store.line, store.lot, 2_000))
    packing.make_pick_lists(FRIDAY, by=BEN, now=NOW)
    pick(store, 2_000)
    assert Shipment.objects.get().state == "placed"
    pick(store, 500, line=other, lot=Lot.objects.get(grade="b"))
    assert Shipment.objects.get().state == "packed"


def test_a_line_that_is_due_nothing_asks_for_nothing(store: Store) -> None:
    a_line(store.line.order.kitchen, a_product(store.strain, grade="b"), 500, promised=0, order=store.line.order)  # type: ignore[arg-type]  # a kitchen's
    pick(store, 2_000)
    assert Shipment.objects.get().state == "packed"


# ---- Asked once -----------------------------------------------------------------------------------------------------


def test_above_the_book_weight_it_asks_once_then_corrects_and_picks_together(store: Store) -> None:
    small = a_fresh_lot(store.strain, 1_500)
    with pytest.raises(Unconfirmed) as told:
        pick(store, 2_000, lot=small)
    assert told.value.sentence == (
        f"By the book lot {small.public_id} holds 1500 grams, and 2000 were taken: the book would be corrected by 500. "
        "Confirm, and it is recorded as it is."
    )
    assert told.value.data["questions"] == ["above_book"]
    assert (left(small), picked(store.line)) == (1_500, 0)
    pick(store, 2_000, lot=small, confirmed=True)
    assert list(small.entries.order_by("pk").values_list("kind", "quantity")) == [
        ("harvested", 1_500),
        ("corrected", 500),
        ("picked", -2_000),
    ]
    assert small.entries.get(kind="corrected").reason
    assert left(small) == 0


def test_a_pick_from_an_empty_lot_is_asked_too(store: Store) -> None:
    empty = a_fresh_lot(store.strain, 100)
    pick(store, 100, lot=empty)
    with pytest.raises(Unconfirmed, match="holds 0 grams, and 400 were taken"):
        pick(store, 400, lot=empty)


def test_too_heavy_is_asked_and_says_out_of_whose_promise_it_would_come(store: Store) -> None:
    other = a_line(a_kitchen("The Gull"), store.product, 2_800)
    plan((store.line, store.lot, 2_000), (other, store.lot, 2_800))
    with pytest.raises(Unconfirmed) as told:
        pick(store, 2_500)
    assert told.value.sentence == (
        f"Line {store.line} is due 2000 grams and would have 2500. 300 grams of it would come out of what was "
        f"promised to {other}. Confirm, and it is recorded as it is."
    )
    assert told.value.data["eats"] == [{"line": str(other), "amount": 300}]
    assert "Gull" not in told.value.sentence
    assert picked(store.line) == 0
    pick(store, 2_500, confirmed=True)
    assert picked(store.line) == 2_500


def test_too_heavy_out_of_what_nobody_is_promised_says_so(store: Store) -> None:
    with pytest.raises(Unconfirmed, match=r"would have 2101\. It takes nothing out of another promise from this lot"):
        pick(store, 2_101)


def test_the_last_to_be_served_pays_first_and_what_was_picked_is_out_of_danger(store: Store) -> None:
    first, last = (a_line(a_kitchen(name), store.product, 1_500) for name in ("The Gull", "The Tern"))
    plan((store.line, store.lot, 2_000), (first, store.lot, 1_500), (last, store.lot, 1_500))
    pick(store, 700, line=last)
    with pytest.raises(Unconfirmed) as told:
        pick(store, 3_500)
    # 4,300 g are left and 3,000 - 700 of the others are still owed: 1,500 too much, of it 800 then 700.
    assert told.value.data["eats"] == [{"line": str(last), "amount": 800}, {"line": str(first), "amount": 700}]


def test_a_second_pick_is_measured_with_the_first(store: Store) -> None:
    pick(store, 2_000)
    with pytest.raises(Unconfirmed, match="is due 2000 grams and would have 2500"):
        pick(store, 500)


def test_a_short_week_is_measured_against_what_the_line_is_due_not_what_it_ordered(store: Store) -> None:
    short = a_line(a_kitchen("The Gull"), store.product, 3_000, promised=1_000)
    plan((short, store.lot, 1_000))
    packing.make_pick_lists(FRIDAY, by=BEN, now=NOW)
    with pytest.raises(Unconfirmed, match="is due 1000 grams and would have 3000"):
        pick(store, 3_000, line=short)


def test_older_than_the_kitchen_takes_is_asked(store: Store) -> None:
    old = a_fresh_lot(store.strain, 3_000, harvested_on=FRIDAY - timedelta(days=4))
    with pytest.raises(Unconfirmed, match="takes nothing harvested before Tuesday 5 May 2026") as told:
        pick(store, 2_000, lot=old)
    assert told.value.data["age_days"] == 4
    pick(store, 2_000, lot=a_fresh_lot(store.strain, 2_000, harvested_on=FRIDAY - timedelta(days=3)))


def test_all_questions_are_asked_at_once(store: Store) -> None:
    old = a_fresh_lot(store.strain, 3_000, harvested_on=FRIDAY - timedelta(days=4))
    with pytest.raises(Unconfirmed) as told:
        pick(store, 4_000, lot=old)
    assert told.value.data["questions"] == ["too_much", "above_book", "too_old"]
    pick(store, 4_000, lot=old, confirmed=True)
    assert (picked(store.line), left(old)) == (4_000, 0)


# ---- Refused --------------------------------------------------------------------------------------------------------


def nothing_written(store: Store) -> bool:
    return (
        not Pick.objects.exists()
        and not StockEntry.objects.exclude(kind="harvested").exists()
        and picked(store.line) == 0
    )


@pytest.mark.parametrize(
    ("amount", "says"),
    [
        (0, "at least 1 gram"),
        (-5, "too little"),
        (200_000_000, "too much"),
        (True, "whole number"),
        (1.5, "whole number"),
    ],
)
def test_no_amount_is_no_pick(store: Store, amount: int, says: str) -> None:
    with pytest.raises(Invalid, match=says) as told:
        pick(store, amount, confirmed=True)
    assert told.value.where == "amount"
    assert nothing_written(store)


@pytest.mark.parametrize("name", ["", "K7Q2-M4XJ", "K7Q2-M4XJ/", "K7Q2-M4XJ/x", "K7Q2-M4XJ/¹", "nonsense/1"])
def test_a_line_has_a_name_of_its_own(store: Store, name: str) -> None:
    with pytest.raises(Missing, match="they look like K7Q2-M4XJ/1") as told:
        packing.pick(name, lot=store.lot.public_id, amount=1, by=BEN, now=NOW, today=FRIDAY)
    assert told.value.where == "line"


def test_a_line_or_lot_that_is_not_there(store: Store) -> None:
    order = store.line.order.public_id
    with pytest.raises(Missing, match=f"There is no order line {order}/7"):
        packing.pick(f"{order}/7", lot=store.lot.public_id, amount=1, by=BEN, now=NOW, today=FRIDAY)
    with pytest.raises(Missing, match="There is no lot K7Q2-M4XJ") as told:
        packing.pick(str(store.line), lot="K7Q2-M4XJ", amount=1, by=BEN, now=NOW, today=FRIDAY)
    assert told.value.where == "lot"


def test_an_id_may_be_typed_without_its_dash(store: Store) -> None:
    typed = store.line.order.public_id.replace("-", "").lower()
    packing.pick(f"{typed}/1", lot=store.lot.public_id, amount=2_000, by=BEN, now=NOW, today=FRIDAY)
    assert picked(store.line) == 2_000


@pytest.mark.parametrize("on", ["lot", "batch"])
def test_nothing_is_picked_from_what_is_on_hold_whoever_confirms(store: Store, on: str) -> None:
    held = store.lot if on == "lot" else store.lot.batch
    hold = Hold.objects.create(**{on: held}, reason="smell", placed_at=NOW, placed_by="user:ada")
    with pytest.raises(Conflict, match="is on hold: nothing is picked from it until somebody releases it"):
        pick(store, 2_000, confirmed=True, reason="looks fine")
    assert nothing_written(store)
    Hold.objects.filter(pk=hold.pk).update(ended_at=NOW, ended_by="user:ada", outcome="released")
    pick(store, 2_000)


def test_another_strain_or_grade_is_refused_unless_it_was_agreed(store: Store) -> None:
    pink = a_strain("Pink oyster")
    lot, stems = a_fresh_lot(pink, 3_000), a_fresh_lot(store.strain, 3_000, grade="b")
    for wrong in (lot, stems):
        with pytest.raises(Invalid, match="takes Pearl oyster, a") as told:
            pick(store, 2_000, lot=wrong, confirmed=True)
        assert (told.value.where, told.value.reason_code) == ("lot", "not_accepted")
    assert nothing_written(store)
    kitchen = store.line.order.kitchen
    assert kitchen is not None
    Substitute.objects.create(kitchen=kitchen, strain=store.strain, grade="a", instead_strain=pink, instead_grade="a")
    pick(store, 2_000, lot=lot)
    assert left(lot) == 1_000


def test_past_best_before_needs_a_reason_and_keeps_it(store: Store) -> None:
    old = a_fresh_lot(store.strain, 3_000, best_before=THURSDAY)
    with pytest.raises(Invalid, match=r"past its best-before date, Thursday 7 May 2026.*say why") as told:
        pick(store, 2_000, lot=old, confirmed=True)
    assert (told.value.where, told.value.reason_code) == ("reason", "past_best_before")
    assert nothing_written(store)
    assert pick(store, 2_000, lot=old, reason="firm and dry, looked at each").reason == "firm and dry, looked at each"


def test_on_the_day_of_its_date_a_lot_needs_no_reason(store: Store) -> None:
    pick(store, 2_000, lot=a_fresh_lot(store.strain, 3_000, best_before=FRIDAY))
    assert picked(store.line) == 2_000


def test_past_use_by_is_a_hard_stop(store: Store) -> None:
    lot = a_fresh_lot(store.strain, 3_000, best_before=THURSDAY, hard_stop=True)
    with pytest.raises(Conflict, match=r"past its use-by date.*not picked, whoever asks"):
        pick(store, 2_000, lot=lot, reason="looks fine", confirmed=True)
    assert nothing_written(store)


def test_the_date_that_counts_is_the_day_it_arrives(store: Store) -> None:
    """Packed on Thursday for Friday's door."""
    lot = a_fresh_lot(store.strain, 3_000, harvested_on=THURSDAY, best_before=THURSDAY)
    with pytest.raises(Invalid, match=r"will be past its best-before date, .*7 May 2026, when it arrives on .*8 May"):
        pick(store, 2_000, lot=lot, today=THURSDAY)
    hard = a_fresh_lot(store.strain, 3_000, harvested_on=THURSDAY, best_before=THURSDAY, hard_stop=True)
    with pytest.raises(Conflict, match=r"when it arrives on .*not picked, whoever asks\. Take another lot"):
        pick(store, 2_000, lot=hard, today=THURSDAY, reason="looks fine", confirmed=True)
    assert nothing_written(store)


def test_nothing_is_ever_picked_from_what_was_destroyed(store: Store) -> None:
    placed = holds.hold("lot", store.lot.public_id, reason="cough in the fruiting room", by=BEN, now=NOW)
    holds.destroy(placed.public_id, by=BEN, now=NOW, today=FRIDAY)
    with pytest.raises(Conflict, match="was destroyed: nothing is ever picked from it") as told:
        pick(store, 2_000, confirmed=True)
    assert told.value.reason_code == "destroyed"
    assert left(store.lot) == 0


@pytest.mark.parametrize("state", ["sent", "delivered"])
def test_nothing_is_picked_for_what_has_gone(store: Store, state: str) -> None:
    Shipment.objects.update(state=state)
    with pytest.raises(Conflict, match=f"is already {state}: nothing more can be picked"):
        pick(store, 2_000, confirmed=True)
    assert nothing_written(store)


def test_nothing_is_picked_for_a_cancelled_line(store: Store) -> None:
    Line.objects.filter(pk=store.line.pk).update(cancelled_at=NOW)
    with pytest.raises(Conflict, match="was cancelled: leave its goods in store"):
        pick(store, 2_000)
    assert nothing_written(store)


# ---- Undone ---------------------------------------------------------------------------------------------------------


def undo(made: Pick) -> Pick:
    return packing.undo_pick(made.public_id, reason="wrong crate", by=BEN, now=NOW, today=FRIDAY)


def test_an_undone_pick_is_back_in_store_and_both_stay_to_be_seen(store: Store) -> None:
    made = pick(store, 2_000)
    back = undo(made)
    assert (back.amount, back.reverses, back.entry.kind, back.entry.quantity) == (-2_000, made, "pick_undone", 2_000)
    assert (left(store.lot), picked(store.line)) == (5_000, 0)
    shipment = Shipment.objects.get()
    assert (shipment.state, shipment.packed_at) == ("placed", None)
    assert PickList.objects.get().done_at is None
    assert Event.objects.get(kind="pick_undone").data["pick"] == made.public_id


def test_a_pick_is_undone_once(store: Store) -> None:
    made = pick(store, 2_000)
    back = undo(made)
    with pytest.raises(Conflict, match="undone already"):
        undo(made)
    with pytest.raises(Conflict, match="already undoes a pick"):
        undo(back)
    assert (left(store.lot), picked(store.line)) == (5_000, 0)


def test_picked_undone_and_picked_again(store: Store) -> None:
    undo(pick(store, 2_000))
    pick(store, 1_950)
    assert (left(store.lot), picked(store.line)) == (3_050, 1_950)
    assert Shipment.objects.get().state == "packed"


def test_a_correction_stays_when_its_pick_is_undone(store: Store) -> None:
    small = a_fresh_lot(store.strain, 1_500)
    undo(pick(store, 2_000, lot=small, confirmed=True))
    assert left(small) == 2_000


@pytest.mark.parametrize("state", ["sent", "delivered"])
def test_what_has_left_the_farm_never_comes_back_into_store(store: Store, state: str) -> None:
    made = pick(store, 2_000)
    Shipment.objects.update(state=state)
    with pytest.raises(Conflict, match="Record it as refused at the door instead"):
        undo(made)
    assert left(store.lot) == 3_000


def test_a_pick_that_is_not_there(store: Store) -> None:
    with pytest.raises(Missing, match="There is no pick K7Q2-M4XJ"):
        packing.undo_pick("K7Q2-M4XJ", by=BEN, now=NOW, today=FRIDAY)


def test_an_undone_pick_of_a_held_lot_goes_back_to_it(store: Store) -> None:
    """Putting back is what a hold wants; it stays stopped there."""
    made = pick(store, 2_000)
    Hold.objects.create(lot=store.lot, reason="smell", placed_at=NOW, placed_by="user:ada")
    undo(made)
    assert left(store.lot) == 5_000


def test_a_second_shipment_of_the_same_stop_keeps_a_packed_one_open_to_picks(store: Store) -> None:
    """Cleo orders again after Ben packed: her first shipment cannot be placed twice, so it stays packed when undone."""
    made = pick(store, 2_000)
    kitchen = store.line.order.kitchen
    assert kitchen is not None
    more = a_line(kitchen, store.product, 500)
    assert more.shipment_id != store.line.shipment_id
    undo(made)
    assert Shipment.objects.get(pk=store.line.shipment_id).state == "packed"
    pick(store, 2_000)
    assert picked(store.line) == 2_000


# ---- Kits -----------------------------------------------------------------------------------------------------------


def test_a_buyers_fresh_line_tolerates_nothing(store: Store) -> None:
    line = a_line(a_buyer(), store.product, 500)
    with pytest.raises(Unconfirmed, match="is due 500 grams and would have 501"):
        pick(store, 501, line=line)
