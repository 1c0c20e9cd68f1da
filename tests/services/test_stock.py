"""What happens to lots in store, and what the database itself refuses to let happen to them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from functools import partial

import pytest
from django.db import DatabaseError, connection, transaction
from django.db.models import F, Sum
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from fulfilment.core.problems import Conflict, Invalid, Problem, Unconfirmed
from fulfilment.models import Batch, Event, Job, Kit, KitEvent, Lot, Observation, StockEntry, Strain
from fulfilment.services import farm, holds, packing, stock
from tests.builders.growing import TODAY, Grower, a_grower
from tests.builders.kitchens import NOW, a_buyer, a_kitchen, a_line, a_product, plan
from tests.builders.kits import a_kit_lot
from tests.people import ADA, BEN

pytestmark = pytest.mark.django_db


@dataclass(slots=True)
class Store:
    grower: Grower
    lot: Lot

    @property
    def strain(self) -> Strain:
        return self.grower.strain


@pytest.fixture
def store() -> Store:
    """A lot of one kilo, picked today."""
    grower = a_grower()
    return Store(grower, grower.harvest(grower.crop(), 1_000, trimmed_g=1_000))


def left(lot: Lot) -> int:
    return Lot.objects.values_list("quantity", flat=True).get(pk=lot.pk)


def said(problem: pytest.ExceptionInfo[Problem]) -> tuple[str, str]:
    return problem.value.where, problem.value.sentence


take = partial(stock.take, by=ADA, now=NOW, today=TODAY)
waste = partial(stock.waste, by=ADA, now=NOW, today=TODAY)
dry_out = partial(stock.dry_out, by=ADA, now=NOW)
correct = partial(stock.correct, by=ADA, now=NOW)


# ---- What leaves ----------------------------------------------------------------------------------------------------


def test_what_leaves_is_an_entry_an_event_and_a_wish_to_plan_anew(store: Store) -> None:
    Job.objects.all().delete()
    before = Lot.objects.get(pk=store.lot.pk).version
    entry = waste(store.lot.public_id, quantity=120, reason="bruised")
    assert (entry.kind, entry.quantity, entry.reason, entry.by) == ("wasted", -120, "bruised", ADA)
    lot = Lot.objects.get(pk=store.lot.pk)
    assert (lot.quantity, lot.version) == (880, before + 1)
    event = Event.objects.get(kind="lot_wasted")
    assert event.data == {"entry": entry.pk, "kind": "wasted", "quantity": -120, "left": 880}
    assert Job.objects.get().kind == "replan"


@pytest.mark.parametrize("kind", ["sample", "own_use", "given_away", "sold_at_gate"])
def test_each_way_of_taking_is_its_own_kind_of_entry(store: Store, kind: str) -> None:
    assert take(store.lot.public_id, kind=kind, quantity=50).kind == kind
    assert left(store.lot) == 950


def test_nothing_leaves_that_is_not_there(store: Store) -> None:
    code = store.lot.public_id
    with pytest.raises(Conflict) as problem:
        waste(code, quantity=1_001)
    assert said(problem) == (
        "quantity",
        f"Lot {code} holds 1000 g, so 1001 cannot leave it: take at most 1000, or correct the lot first.",
    )
    waste(code, quantity=1_000)
    with pytest.raises(Conflict, match=rf"Lot {code} is empty: take from another lot, or correct this one first"):
        take(code, kind="sample", quantity=1)
    assert left(store.lot) == 0


@pytest.mark.parametrize(
    ("act", "where", "sentence"),
    [
        (partial(waste, quantity=0), "quantity", "0 g is too little: at least 1 g."),
        (partial(waste, quantity=-5), "quantity", "-5 g is too little"),
        (partial(waste, quantity=5, reason="a\nb"), "reason", "This must be one line"),
        (partial(waste, quantity=1, kits=["K7Q2-M4XJ"]), "kits", "Fresh mushrooms have no numbers"),
        (partial(take, kind="picked", quantity=5), "kind", "This must be one of: sample, own_use, given_away, sold_at"),
        (partial(dry_out), "lost_g", "Give either the grams lost or the weight counted now, one of the two."),
        (partial(dry_out, lost_g=1, counted_g=1), "lost_g", "Give either the grams lost or the weight counted now"),
        (partial(dry_out, counted_g=1_000), "counted_g", "Lot "),
        (partial(dry_out, lost_g=0), "lost_g", "0 grams is too little"),
        (partial(correct, to_quantity=900, reason=" "), "reason", "Say why: correcting a lot needs a reason."),
        (partial(correct, to_quantity=-1, reason="x"), "to_quantity", "-1 grams is too little"),
        (partial(correct, to_quantity=1_000, reason="x"), "to_quantity", "Lot "),
    ],
)
def test_what_cannot_be_is_refused_and_the_lot_is_whole(
    store: Store, act: Callable[[str], StockEntry], where: str, sentence: str
) -> None:
    with pytest.raises(Invalid) as problem:
        act(store.lot.public_id)
    at, sentence_said = said(problem)
    assert at == where
    assert sentence_said.startswith(sentence)
    assert left(store.lot) == 1_000
    assert StockEntry.objects.count() == 1


def test_mushrooms_dry_out_by_grams_or_to_a_weight(store: Store) -> None:
    dry_out(store.lot.public_id, lost_g=30)
    assert dry_out(store.lot.public_id, counted_g=900).quantity == -70
    assert left(store.lot) == 900


def test_a_wrong_book_is_corrected_up_and_down_with_a_reason(store: Store) -> None:
    assert correct(store.lot.public_id, to_quantity=1_250, reason="second crate found").quantity == 250
    assert correct(store.lot.public_id, to_quantity=0, reason="crate is gone").quantity == -1_250
    assert left(store.lot) == 0


def test_what_the_plan_meant_for_an_order_is_asked_about_once(store: Store) -> None:
    line = a_line(a_kitchen(), a_product(store.strain), 800)
    plan((line, store.lot, 800))
    with pytest.raises(Unconfirmed, match="Only 200 g of lot .* are not planned for an order"):  # noqa: RUF043 - a code
        take(store.lot.public_id, kind="sold_at_gate", quantity=300)
    take(store.lot.public_id, kind="sold_at_gate", quantity=200)
    take(store.lot.public_id, kind="sold_at_gate", quantity=100, confirmed=True)
    assert left(store.lot) == 700


def test_what_is_picked_is_no_longer_planned(store: Store) -> None:
    line = a_line(a_kitchen(), a_product(store.strain), 800)
    plan((line, store.lot, 800))
    packing.pick(str(line), lot=store.lot.public_id, amount=800, by=BEN, now=NOW, today=TODAY)
    take(store.lot.public_id, kind="own_use", quantity=200)
    assert left(store.lot) == 0


def test_a_plan_made_after_a_pick_means_what_is_still_to_come(store: Store) -> None:
    line = a_line(a_kitchen(), a_product(store.strain), 900)
    plan((line, store.lot, 900))
    packing.pick(str(line), lot=store.lot.public_id, amount=500, by=BEN, now=NOW, today=TODAY)
    plan((line, store.lot, 400), made_at=NOW + timedelta(minutes=1))
    with pytest.raises(Unconfirmed, match="Only 100 g of lot"):
        take(store.lot.public_id, kind="sold_at_gate", quantity=200)
    assert left(store.lot) == 500


def test_nobody_eats_of_a_held_lot_but_a_sample_can_be_sent_in(store: Store) -> None:
    holds.hold("lot", store.lot.public_id, reason="odd smell", by=ADA, now=NOW)
    with pytest.raises(Conflict, match=r"is held \(odd smell\): nobody may eat of it until a person releases it"):
        take(store.lot.public_id, kind="given_away", quantity=10)
    take(store.lot.public_id, kind="sample", quantity=100)
    waste(store.lot.public_id, quantity=100)
    assert left(store.lot) == 800


def test_past_best_before_needs_a_reason_and_past_use_by_is_the_end(store: Store) -> None:
    later = store.lot.best_before + timedelta(days=1)
    with pytest.raises(Invalid, match="is past its date, Wednesday 13 May 2026: say why it goes out all the same"):
        take(store.lot.public_id, kind="own_use", quantity=10, today=later)
    take(store.lot.public_id, kind="own_use", quantity=10, today=store.lot.best_before)
    take(store.lot.public_id, kind="own_use", quantity=10, today=later, reason="looked at and cooked well")
    Lot.objects.filter(pk=store.lot.pk).update(hard_stop=True)
    with pytest.raises(Conflict, match="was to be used by Wednesday 13 May 2026: it can only be thrown away"):
        take(store.lot.public_id, kind="own_use", quantity=10, today=later, reason="still fine")
    waste(store.lot.public_id, quantity=980)


# ---- Kits -----------------------------------------------------------------------------------------------------------


@pytest.fixture
def kits(store: Store) -> Lot:
    """Five sealed kits of a batch with a quota of eight."""
    farm.add_product(store.strain.public_id, grade="kit", pack=1, price_minor=1900, name="Kit", by=ADA, now=NOW)
    batch = store.grower.batch(20)
    Batch.objects.filter(pk=batch.pk).update(kit_quota=8)
    return a_kit_lot(batch, 5)


def test_thrown_away_kits_are_finished_and_count_no_more(kits: Lot) -> None:
    named = kits.kits.order_by("-pk")[0]
    waste(kits.public_id, quantity=1, kits=[named.public_id.lower()], reason="torn")
    waste(kits.public_id, quantity=2)
    named.refresh_from_db()
    assert (named.state, named.finished_on) == ("finished", TODAY)
    assert list(kits.kits.order_by("pk").values_list("state", flat=True)) == [
        "finished", "finished", "sealed", "sealed", "finished",
    ]  # fmt: skip
    kits.batch.refresh_from_db()
    assert (left(kits), kits.batch.kit_quota) == (2, 5)
    assert KitEvent.objects.filter(kind="finished").count() == 3


def test_a_kit_sold_at_the_gate_can_be_joined_like_any_other(kits: Lot) -> None:
    take(kits.public_id, kind="sold_at_gate", quantity=1)
    kit = kits.kits.order_by("pk")[0]
    assert kit.state == "sent"
    assert list(kit.events.order_by("pk").values_list("kind", flat=True)) == ["sealed", "sold", "sent"]


def test_kits_are_named_once_and_out_of_this_lot(kits: Lot) -> None:
    first, second = kits.kits.order_by("pk")[:2]
    for names in ([first.public_id], [first.public_id, first.public_id], [first.public_id, "K7Q2-M4XJ"]):
        with pytest.raises(Invalid, match="2 kits were to be taken and 1 of the numbers are kits in lot"):
            waste(kits.public_id, quantity=2, kits=names)
    assert left(kits) == 5
    waste(kits.public_id, quantity=2, kits=[first.public_id, second.public_id])
    assert left(kits) == 3


def test_a_kit_picked_for_an_order_is_not_taken(kits: Lot) -> None:
    line = a_line(a_buyer(), kits.strain.products.get(grade="kit"), 4)
    packing.pick(str(line), lot=kits.public_id, amount=4, by=BEN, now=NOW, today=TODAY)
    with pytest.raises(Conflict, match="holds 1 kits, so 2 cannot leave it"):
        take(kits.public_id, kind="given_away", quantity=2)
    sold = Kit.objects.filter(line=line).first()
    assert sold is not None
    with pytest.raises(Invalid, match="1 kits were to be taken and 0 of the numbers are kits in lot"):
        take(kits.public_id, kind="given_away", quantity=1, kits=[sold.public_id])


def test_kits_are_neither_weighed_nor_counted_anew(kits: Lot) -> None:
    with pytest.raises(Invalid, match="Kits are counted, not weighed"):
        dry_out(kits.public_id, lost_g=1)
    with pytest.raises(Invalid, match="Kits are numbered bags: throw away the missing ones by their numbers"):
        correct(kits.public_id, to_quantity=4, reason="one is missing")


# ---- What the database itself refuses -------------------------------------------------------------------------------


def sql(statement: str, *values: int) -> None:
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement, values)


def test_a_lot_below_zero_is_refused_by_the_table_itself(store: Store) -> None:
    with pytest.raises(DatabaseError, match="lot_quantity_not_negative"), transaction.atomic():
        StockEntry.objects.create(lot=store.lot, kind="wasted", quantity=-1_001, at=NOW, by=ADA)
    assert left(store.lot) == 1_000
    assert StockEntry.objects.count() == 1


@pytest.mark.parametrize("quantity", ["quantity + 1", "0", "-1", "999"])
def test_a_quantity_that_is_not_the_sum_of_the_entries_is_refused(store: Store, quantity: str) -> None:
    with pytest.raises(DatabaseError, match="sum of its entries"):
        sql(f"UPDATE fulfilment_lot SET quantity = {quantity} WHERE id = %s", store.lot.pk)
    with pytest.raises(DatabaseError, match="sum of its entries"), transaction.atomic():
        Lot.objects.filter(pk=store.lot.pk).update(quantity=F("quantity") - 1)
    assert left(store.lot) == 1_000


def test_a_lot_begins_with_nothing(store: Store) -> None:
    lot = Lot.objects.get(pk=store.lot.pk)
    with pytest.raises(DatabaseError, match="a lot starts at zero"), transaction.atomic():
        Lot.objects.create(
            kind="kits", strain=lot.strain, grade="kit", batch=lot.batch, ready_on=TODAY, best_before=TODAY,
            quantity=5, made_at=NOW,
        )  # fmt: skip


def test_saving_a_lot_read_before_somebody_took_from_it_is_refused(store: Store) -> None:
    stale = Lot.objects.get(pk=store.lot.pk)
    waste(store.lot.public_id, quantity=100)
    with pytest.raises(DatabaseError, match="sum of its entries"), transaction.atomic():
        stale.save()
    assert left(store.lot) == 900


@pytest.mark.parametrize(
    ("kind", "quantity", "reason", "constraint"),
    [
        ("wasted", 5, "", "stock_entry_sign_fits_kind"),
        ("harvested", -5, "", "stock_entry_sign_fits_kind"),
        ("invented", 5, "", "stock_entry_sign_fits_kind"),
        ("corrected", 5, "", "stock_entry_correction_has_reason"),
        ("corrected", 0, "x", "stock_entry_moves_something"),
    ],
)
def test_an_entry_that_makes_no_sense_is_refused_by_the_table(
    store: Store, kind: str, quantity: int, reason: str, constraint: str
) -> None:
    with pytest.raises(DatabaseError, match=constraint), transaction.atomic():
        StockEntry.objects.create(lot=store.lot, kind=kind, quantity=quantity, at=NOW, by=ADA, reason=reason)


@pytest.mark.parametrize(
    ("table", "column"),
    [("stockentry", "quantity"), ("harvest", "weighed_g"), ("observation", "note"), ("event", "kind")],
)
def test_what_is_written_down_is_neither_changed_nor_taken_away(store: Store, table: str, column: str) -> None:
    with pytest.raises(DatabaseError, match="append-only"):
        sql(f"UPDATE fulfilment_{table} SET {column} = {column}")
    with pytest.raises(DatabaseError, match="append-only"):
        sql(f"DELETE FROM fulfilment_{table}")
    for rows in (StockEntry.objects.all(), Observation.objects.all(), Event.objects.all()):
        with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
            rows.delete()
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        StockEntry.objects.update(quantity=F("quantity") + 1)
    assert left(store.lot) == 1_000


class TestLedger(TestCase):
    """Whatever is asked in whatever order, a lot is the sum of its entries and never below zero."""

    @settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
    @given(
        steps=st.lists(
            st.tuples(st.sampled_from(["waste", "take", "dry", "count", "correct"]), st.integers(-50, 1_200)),
            max_size=8,
        )
    )
    def test_a_lot_is_the_sum_of_its_entries(self, steps: list[tuple[str, int]]) -> None:
        grower = a_grower()
        lot = grower.harvest(grower.crop(), 1_000, trimmed_g=1_000)
        book = 1_000
        for step, amount in steps:
            acts: dict[str, tuple[Callable[[], StockEntry], int]] = {
                "waste": (partial(waste, lot.public_id, quantity=amount), book - amount),
                "take": (partial(take, lot.public_id, kind="sample", quantity=amount), book - amount),
                "dry": (partial(dry_out, lot.public_id, lost_g=amount), book - amount),
                "count": (partial(dry_out, lot.public_id, counted_g=amount), amount),
                "correct": (partial(correct, lot.public_id, to_quantity=amount, reason="counted"), amount),
            }
            act, after = acts[step]
            possible = after >= 0 and (step == "correct" or after < book) and after != book
            try:
                act()
            except Problem:
                assert not possible
            else:
                assert possible
                book = after
            assert left(lot) == book
            assert lot.entries.aggregate(sum=Sum("quantity"))["sum"] == book
