"""Out of the farm: rounds leave, parcels are handed over, doors refuse, crates come back, a month is billed."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from fractions import Fraction
from threading import Barrier

import pytest
from django.db import close_old_connections, connection
from hypothesis import given
from hypothesis import strategies as st

from fulfilment.core.problems import Conflict, Invalid, Missing, Unconfirmed
from fulfilment.models import (
    Allocation,
    CrateEntry,
    DeliveryNote,
    Event,
    Hold,
    Kitchen,
    Line,
    Lot,
    Mail,
    Parcel,
    Refusal,
    Round,
    Shipment,
    StockEntry,
    Way,
)
from fulfilment.read import billing
from fulfilment.services import packing
from tests.builders.kitchens import (
    BEN,
    FRIDAY,
    NOW,
    a_batch,
    a_buyer,
    a_farm,
    a_fresh_lot,
    a_kitchen,
    a_line,
    a_product,
    a_strain,
    plan,
)
from tests.builders.kits import a_kit_lot

pytestmark = pytest.mark.django_db

LATER = NOW + timedelta(hours=4)


def packed(*grams: int) -> tuple[Lot, list[Line]]:
    """A round with one kitchen for each of these amounts, all picked."""
    a_farm()
    strain = a_strain()
    lot, product = a_fresh_lot(strain, 20_000), a_product(strain)
    lines = [a_line(a_kitchen(f"Kitchen {n}", postcode=str(10 + n)), product, amount) for n, amount in enumerate(grams)]
    plan(*((line, lot, line.ordered) for line in lines))
    packing.make_pick_lists(FRIDAY, by=BEN, now=NOW)
    for line in lines:
        packing.pick(str(line), lot=lot.public_id, amount=line.ordered, by=BEN, now=NOW, today=FRIDAY)
    return lot, lines


def close(**more: object) -> list[DeliveryNote]:
    packing.close_round(Round.objects.get().public_id, by=BEN, now=NOW, today=FRIDAY, **more)  # type: ignore[arg-type]  # test data
    return list(DeliveryNote.objects.order_by("number"))


def deliver(line: Line, **more: object) -> Shipment:
    return packing.deliver(line.shipment.public_id, by=BEN, now=LATER, today=FRIDAY, **more)  # type: ignore[arg-type]  # test data


# ---- Rounds ---------------------------------------------------------------------------------------------------------


def test_a_round_leaves_with_numbered_notes_in_the_order_of_its_stops() -> None:
    _, lines = packed(1_000, 2_000, 3_000)
    notes = close()
    assert [note.number for note in notes] == [1, 2, 3]
    assert [note.shipment_id for note in notes] == [line.shipment_id for line in lines]
    assert set(Shipment.objects.values_list("state", "sent_at")) == {("sent", NOW)}
    trip = Round.objects.get()
    assert (trip.closed_at, trip.closed_by) == (NOW, BEN)
    assert Event.objects.get(kind="round_closed").data == {
        "sent": [line.shipment.public_id for line in lines], "nothing_packed": [],
    }  # fmt: skip


def test_a_round_leaves_once() -> None:
    packed(1_000)
    close()
    with pytest.raises(Conflict, match="has left: its stops stay as they were driven"):
        close()
    assert DeliveryNote.objects.count() == 1


def test_what_is_short_goes_short_and_is_written_down() -> None:
    lot, (line, whole) = packed(1_000, 500)
    short = a_line(line.order.kitchen, line.product, 2_000)  # type: ignore[arg-type]  # a kitchen's
    plan((line, lot, 1_000), (whole, lot, 500), (short, lot, 2_000))
    packing.make_pick_lists(FRIDAY, by=BEN, now=NOW)
    packing.pick(str(short), lot=lot.public_id, amount=700, by=BEN, now=NOW, today=FRIDAY)
    close()
    said = Event.objects.get(kind="sent", subject=short.shipment.public_id).data["lines"]
    assert said == [{"order": short.order.public_id, "line": short.number, "promised": 2_000, "picked": 700}]
    assert Shipment.objects.get(pk=short.shipment_id).state == "sent"
    assert not Allocation.objects.filter(line=short).exists()


def test_a_stop_with_nothing_packed_stays_for_another_round() -> None:
    lot, (line,) = packed(1_000)
    forgotten = a_line(a_kitchen("The Gull"), line.product, 500)
    plan((line, lot, 1_000), (forgotten, lot, 500))
    packing.make_pick_lists(FRIDAY, by=BEN, now=NOW)
    assert [note.shipment_id for note in close()] == [line.shipment_id]
    assert Event.objects.get(kind="round_closed").data["nothing_packed"] == [forgotten.shipment.public_id]
    packing.make_pick_lists(FRIDAY, by=BEN, now=NOW)
    forgotten.shipment.refresh_from_db()
    assert (forgotten.shipment.state, forgotten.shipment.stop.round.name) == ("placed", "Town 2")
    assert line.shipment.stop.round.name == "Town"


def test_a_cancelled_stop_gets_no_note() -> None:
    _, (stays, gone) = packed(1_000, 500)
    Shipment.objects.filter(pk=gone.shipment_id).update(state="cancelled")
    assert [note.shipment_id for note in close()] == [stays.shipment_id]


def test_a_round_that_is_not_there() -> None:
    with pytest.raises(Missing, match="There is no round"):
        packing.close_round("K7Q2-M4XJ", by=BEN, now=NOW, today=FRIDAY)


def test_nothing_on_hold_leaves_until_its_pick_is_undone() -> None:
    lot, (line,) = packed(1_000)
    Hold.objects.create(batch=lot.batch, reason="smell", placed_at=NOW, placed_by="user:ada")
    with pytest.raises(
        Conflict, match=f"Line {line} holds lot {lot.public_id}, which is on hold: undo that pick"
    ) as told:
        close()
    assert told.value.data["on"] == [f"lot {lot.public_id}"]
    assert Shipment.objects.get().state == "packed"
    assert not DeliveryNote.objects.exists()
    packing.undo_pick(line.picks.get().public_id, by=BEN, now=NOW, today=FRIDAY)
    other = a_fresh_lot(lot.strain, 1_000)
    packing.pick(str(line), lot=other.public_id, amount=1_000, by=BEN, now=NOW, today=FRIDAY)
    assert [note.number for note in close()] == [1]


def test_what_was_packed_in_time_and_stood_past_its_use_by_date_stays_here() -> None:
    a_farm()
    strain = a_strain()
    lot = a_fresh_lot(strain, 5_000, best_before=FRIDAY, hard_stop=True)
    line = a_line(a_kitchen(), a_product(strain), 1_000, way=Way.COLLECTED)
    packing.pick(str(line), lot=lot.public_id, amount=1_000, by=BEN, now=NOW, today=FRIDAY)
    saturday = {"by": BEN, "now": NOW + timedelta(days=1), "today": FRIDAY + timedelta(days=1)}
    with pytest.raises(Conflict, match=f"holds lot {lot.public_id}, which was to be used by Friday 8 May 2026") as told:
        packing.collect(line.shipment.public_id, **saturday)  # type: ignore[arg-type]  # test data
    assert told.value.reason_code == "past_use_by"
    assert Shipment.objects.get().state == "packed"
    packing.undo_pick(line.picks.get().public_id, **saturday)  # type: ignore[arg-type]  # test data
    assert Shipment.objects.get().state == "placed"


def test_a_note_number_that_was_not_written_is_used_again() -> None:
    """A close that fails leaves no gap."""
    lot, _ = packed(1_000)
    hold = Hold.objects.create(lot=lot, reason="smell", placed_at=NOW, placed_by="user:ada")
    with pytest.raises(Conflict):
        close()
    hold.ended_at, hold.ended_by, hold.outcome = NOW, "user:ada", "released"
    hold.save()
    assert [note.number for note in close()] == [1]


@pytest.mark.django_db(transaction=True)
def test_parcels_handed_over_at_the_same_time_are_numbered_without_gap_or_double() -> None:
    a_farm()
    strain = a_strain()
    product = a_product(strain, grade="kit")
    lot = a_kit_lot(a_batch(strain), 6)
    shipments = []
    for name in ("Dai", "Eli", "Fay", "Gus", "Hal", "Ida"):
        line = a_line(a_buyer(name), product, 1)
        packing.pick(str(line), lot=lot.public_id, amount=1, by=BEN, now=NOW, today=FRIDAY)
        shipments.append(line.shipment.public_id)
    together = Barrier(len(shipments))

    def hand(shipment: str) -> None:
        try:
            together.wait(timeout=20)
            packing.hand_parcel(shipment, carrier="Hedgerow Parcels", by=BEN, now=NOW, today=FRIDAY)
        finally:
            connection.close()

    with ThreadPoolExecutor(len(shipments)) as pool:
        list(pool.map(hand, shipments))
    close_old_connections()
    assert sorted(DeliveryNote.objects.values_list("number", flat=True)) == [1, 2, 3, 4, 5, 6]


# ---- Crates ---------------------------------------------------------------------------------------------------------


def test_crates_go_out_with_a_stop_and_come_back() -> None:
    _, (line, other) = packed(1_000, 500)
    close(crates={line.shipment.public_id: 3, other.shipment.public_id: 0})
    kitchen = Kitchen.objects.get(orders=line.order)
    assert kitchen.crates_out == 3
    deliver(line, crates_back=2)
    kitchen.refresh_from_db()
    assert kitchen.crates_out == 1 == sum(CrateEntry.objects.values_list("crates", flat=True))


def test_more_crates_back_than_are_out_are_asked_once() -> None:
    _, (line,) = packed(1_000)
    close(crates={line.shipment.public_id: 1})
    with pytest.raises(Unconfirmed, match="has 1 crates, and 4 come back"):
        deliver(line, crates_back=4)
    assert Shipment.objects.get().state == "sent"
    deliver(line, crates_back=4, confirmed=True)
    assert Kitchen.objects.get().crates_out == -3


@pytest.mark.parametrize(("count", "says"), [(-1, "from 0 to 500"), (501, "from 0 to 500"), (True, "whole number")])
def test_no_such_number_of_crates(count: int, says: str) -> None:
    _, (line,) = packed(1_000)
    with pytest.raises(Invalid, match=says) as told:
        close(crates={line.shipment.public_id: count})
    assert told.value.where == f"crates.{line.shipment.public_id}"
    close()
    with pytest.raises(Invalid, match=says):
        deliver(line, crates_back=count)


def test_no_crates_go_to_a_stop_that_stays_here() -> None:
    lot, (line,) = packed(1_000)
    forgotten = a_line(a_kitchen("The Gull"), line.product, 500)
    plan((line, lot, 1_000), (forgotten, lot, 500))
    packing.make_pick_lists(FRIDAY, by=BEN, now=NOW)
    with pytest.raises(Invalid, match=r"Nothing is picked for shipment .*: no crates go out with it\.") as told:
        close(crates={forgotten.shipment.public_id: 2})
    assert told.value.where == f"crates.{forgotten.shipment.public_id}"
    assert not DeliveryNote.objects.exists()


def test_crates_go_with_the_rounds_own_stops_only() -> None:
    packed(1_000)
    with pytest.raises(Invalid, match="is no open stop of this round"):
        close(crates={"K7Q2-M4XJ": 1})
    assert Round.objects.get().closed_at is None


# ---- Parcels and collections ----------------------------------------------------------------------------------------


def a_parcel() -> Line:
    a_farm()
    strain = a_strain()
    lot = a_kit_lot(a_batch(strain), 3)
    line = a_line(a_buyer(), a_product(strain, grade="kit", price_minor=1900), 2)
    packing.pick(str(line), lot=lot.public_id, amount=2, by=BEN, now=NOW, today=FRIDAY)
    return line


def hand(line: Line, **more: object) -> Parcel:
    wanted = {"carrier": "Hedgerow Parcels", "tracking": "HP1"} | more
    return packing.hand_parcel(line.shipment.public_id, by=BEN, now=NOW, today=FRIDAY, **wanted)  # type: ignore[arg-type]  # test data


def test_a_parcel_is_handed_over_its_kits_are_sent_and_its_buyer_is_told() -> None:
    line = a_parcel()
    parcel = hand(line)
    assert (parcel.carrier, parcel.tracking, parcel.handed_by) == ("Hedgerow Parcels", "HP1", BEN)
    assert set(line.kits.values_list("state", flat=True)) == {"sent"}
    mail = Mail.objects.get(kind="kit_sent")
    assert (mail.buyer, mail.subject) == (line.order.buyer, {"shipment": line.shipment_id})
    assert DeliveryNote.objects.get().shipment_id == line.shipment_id
    assert "HP1" not in str(list(Event.objects.values("data")))


def test_a_parcel_is_handed_over_once() -> None:
    line = a_parcel()
    hand(line)
    with pytest.raises(Conflict, match="is sent already"):
        hand(line)
    assert Mail.objects.filter(kind="kit_sent").count() == 1


def test_a_parcel_needs_a_carrier_and_something_in_it() -> None:
    line = a_parcel()
    with pytest.raises(Invalid, match="must not be empty") as told:
        hand(line, carrier=" ")
    assert told.value.where == "carrier"
    packing.undo_pick(line.picks.get().public_id, by=BEN, now=NOW, today=FRIDAY)
    with pytest.raises(Conflict, match="Nothing of this shipment is picked yet"):
        hand(line)


def test_a_parcel_that_lacks_a_kit_is_asked_about_once() -> None:
    line = a_parcel()
    packing.undo_pick(line.picks.get().public_id, by=BEN, now=NOW, today=FRIDAY)
    lot = line.picks.first().lot  # type: ignore[union-attr]  # there is one
    packing.pick(str(line), lot=lot.public_id, amount=1, by=BEN, now=NOW, today=FRIDAY)
    with pytest.raises(Unconfirmed, match=f"line {line} is due 2 kits and has 1 kit. Confirm") as told:
        hand(line)
    assert told.value.data["lines"] == [{"line": str(line), "due": 2, "picked": 1}]
    assert Shipment.objects.get().state == "placed"
    hand(line, confirmed=True)
    assert Shipment.objects.get().state == "sent"


def test_goods_that_lack_a_line_are_asked_about_once_when_they_are_fetched() -> None:
    a_farm()
    strain = a_strain()
    lot = a_fresh_lot(strain, 5_000)
    line = a_line(a_kitchen(), a_product(strain), 1_000, way=Way.COLLECTED)
    other = a_line(line.order.kitchen, a_product(strain, grade="b"), 500, way=Way.COLLECTED, order=line.order)  # type: ignore[arg-type]  # a kitchen's
    packing.pick(str(line), lot=lot.public_id, amount=970, by=BEN, now=NOW, today=FRIDAY)
    with pytest.raises(Unconfirmed, match=f"Not all of it is packed: line {other} is due 500 g and has nothing"):
        packing.collect(line.shipment.public_id, by=BEN, now=NOW, today=FRIDAY)
    packing.collect(line.shipment.public_id, confirmed=True, by=BEN, now=NOW, today=FRIDAY)
    assert Shipment.objects.get().state == "delivered"


def test_each_shipment_goes_its_own_way() -> None:
    _, (line,) = packed(1_000)
    with pytest.raises(Conflict, match="goes by round, not by carrier"):
        hand(line)
    with pytest.raises(Conflict, match="goes by round: it is not collected"):
        packing.collect(line.shipment.public_id, by=BEN, now=NOW, today=FRIDAY)


def test_a_kit_on_hold_stays_in_the_house() -> None:
    line = a_parcel()
    kit = line.kits.first()
    assert kit is not None
    Hold.objects.create(kit=kit, reason="green spot", placed_at=NOW, placed_by="user:ada")
    with pytest.raises(Conflict, match=f"Line {line} holds kit {kit.public_id}, which is on hold"):
        hand(line)


def test_what_is_collected_is_sent_and_delivered_at_once() -> None:
    a_farm()
    strain = a_strain()
    lot = a_fresh_lot(strain, 5_000)
    line = a_line(a_kitchen(), a_product(strain), 1_000, way=Way.COLLECTED)
    packing.pick(str(line), lot=lot.public_id, amount=1_000, by=BEN, now=NOW, today=FRIDAY)
    packing.collect(line.shipment.public_id, by=BEN, now=NOW, today=FRIDAY)
    shipment = Shipment.objects.get()
    assert (shipment.state, shipment.sent_at, shipment.delivered_at) == ("delivered", NOW, NOW)
    assert shipment.delivery_note.number == 1
    with pytest.raises(Conflict, match="is delivered already"):
        packing.collect(line.shipment.public_id, by=BEN, now=NOW, today=FRIDAY)


# ---- At the door ----------------------------------------------------------------------------------------------------


def test_what_is_refused_is_not_accepted_and_never_comes_back_into_store() -> None:
    lot, (line,) = packed(1_000)
    close()
    deliver(line, refused=[(str(line), 250, "bruised")])
    line.refresh_from_db()
    assert (line.picked, line.refused, line.accepted) == (1_000, 250, 750)
    refusal = Refusal.objects.get()
    assert (refusal.amount, refusal.reason, refusal.at, refusal.by) == (250, "bruised", LATER, BEN)
    lot.refresh_from_db()
    assert lot.quantity == 19_000
    assert set(StockEntry.objects.values_list("kind", flat=True)) == {"harvested", "picked"}
    assert "bruised" not in str(Event.objects.get(kind="delivered").data)


@pytest.mark.parametrize(
    ("amount", "reason", "where", "says"),
    [
        (1_001, "bruised", "refused.0.amount", "Only 1000 of line .* were delivered"),
        (0, "bruised", "refused.0.amount", "at least 1 gram"),
        (100, " ", "refused.0.reason", "sending something back needs a reason"),
    ],
)
def test_a_refusal_that_cannot_be_is_told_and_nothing_is_delivered(
    amount: int, reason: str, where: str, says: str
) -> None:
    _, (line,) = packed(1_000)
    close()
    with pytest.raises((Invalid, Conflict), match=says) as told:
        deliver(line, refused=[(str(line), amount, reason)])
    assert told.value.where == where
    assert Shipment.objects.get().state == "sent"
    assert not Refusal.objects.exists()


def test_two_refusals_of_one_line_add_up() -> None:
    _, (line,) = packed(1_000)
    close()
    with pytest.raises(Conflict, match="Only 300 of line"):
        deliver(line, refused=[(str(line), 700, "bruised"), (str(line), 400, "too open")])
    deliver(line, refused=[(str(line), 700, "bruised"), (str(line), 300, "too open")])
    line.refresh_from_db()
    assert line.accepted == 0


def test_only_the_shipments_own_lines_can_be_refused() -> None:
    _, (line, other) = packed(1_000, 500)
    close()
    with pytest.raises(Invalid, match=f"Line {other} is not of this delivery"):
        deliver(line, refused=[(str(other), 100, "bruised")])


def test_it_arrives_once_and_not_before_it_was_sent() -> None:
    _, (line,) = packed(1_000)
    with pytest.raises(Conflict, match="This shipment is packed; from there it can become cancelled, placed, sent"):
        deliver(line)
    close()
    deliver(line)
    with pytest.raises(Conflict, match="This shipment is delivered; from there it can become nothing more"):
        deliver(line)


# ---- Billing --------------------------------------------------------------------------------------------------------


def test_a_month_bills_what_was_accepted_at_the_price_agreed_then() -> None:
    _, (line,) = packed(2_500)
    close()
    deliver(line, refused=[(str(line), 50, "bruised")])
    Line.objects.filter(pk=line.pk).update(price_minor=1_450)
    kitchen = Kitchen.objects.get()
    bill = billing.bill(kitchen, year=2026, month=5)
    (billed,) = bill.lines
    # 2,450 g at 14.50 a kilo are 35.525: half to the even cent.
    assert (billed.accepted, billed.total.amount, bill.total.amount) == (2_450, 3_552, 3_552)
    assert (billed.delivery_note, billed.on, billed.total.currency) == (1, FRIDAY, "EUR")
    assert not billing.bill(kitchen, year=2026, month=4).lines
    assert not billing.bill(kitchen, year=2026, month=12).lines


def test_what_is_still_on_the_road_or_was_all_refused_is_not_billed() -> None:
    _, (line,) = packed(1_000)
    close()
    kitchen = Kitchen.objects.get()
    assert not billing.bill(kitchen, year=2026, month=5).lines
    deliver(line, refused=[(str(line), 1_000, "too open")])
    assert billing.bill(kitchen, year=2026, month=5).total.amount == 0


def test_a_month_that_is_none() -> None:
    a_farm()
    with pytest.raises(Invalid, match="2026-13 is no month"):
        billing.bill(a_kitchen(), year=2026, month=13)


@given(grams=st.integers(0, 10**7), price=st.integers(0, 10**5))
def test_a_fresh_line_is_rounded_once_half_to_even(grams: int, price: int) -> None:
    """Against ties counted by hand: never further than half a cent off, and at half a cent even."""
    total = billing.cost(grams, price_minor=price, is_kit=False)
    off = abs(Fraction(grams * price, 1000) - total)
    assert off < Fraction(1, 2) or (off == Fraction(1, 2) and total % 2 == 0)


def test_kits_are_billed_by_the_piece() -> None:
    assert billing.cost(3, price_minor=1_900, is_kit=True) == 5_700
