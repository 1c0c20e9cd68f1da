"""Ben's lists: what is on them, in which order, and what changes when the plan does."""

from __future__ import annotations

from datetime import timedelta

import pytest

from fulfilment.core.problems import Conflict, Invalid
from fulfilment.models import DeliveryNote, Donor, Event, Line, PickList, PickRow, Round, Shipment, Stop, Way
from fulfilment.read import packing as read_packing
from fulfilment.services import packing
from tests.builders.kitchens import (
    BEN,
    FRIDAY,
    NOW,
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

LATER = NOW + timedelta(minutes=5)


def make() -> list[PickList]:
    return packing.make_pick_lists(FRIDAY, by=BEN, now=NOW)


def rows() -> list[tuple[str, str, int]]:
    return [
        (str(row.line), row.lot.public_id if row.lot else "", row.amount)
        for row in PickRow.objects.order_by("pick_list", "position").select_related("line__order", "lot")
    ]


def test_each_round_has_a_list_and_so_have_the_days_parcels_and_collections() -> None:
    a_farm()
    strain = a_strain()
    product, kit = a_product(strain), a_product(strain, grade="kit")
    lot = a_fresh_lot(strain, 9_000)
    town = a_line(a_kitchen(), product, 2_000)
    coast = a_line(a_kitchen("The Gull", round_name="Coast"), product, 1_000)
    fetched = a_line(a_kitchen("The Tern"), product, 500, way=Way.COLLECTED)
    parcel = a_line(a_buyer(), kit, 1)
    plan((town, lot, 2_000), (coast, lot, 1_000), (fetched, lot, 500))
    lists = make()
    assert sorted((each.way, each.round.name if each.round else "") for each in lists) == [
        ("carrier", ""),
        ("collected", ""),
        ("round", "Coast"),
        ("round", "Town"),
    ]
    assert sorted(rows()) == sorted([(str(line), lot.public_id, line.ordered) for line in (town, coast, fetched)])
    assert not parcel.pick_rows.exists()


def test_stops_come_by_postcode_and_name_and_donors_give_grounds() -> None:
    a_farm()
    product = a_product(a_strain())
    far, near, beside = (
        a_kitchen("Far", postcode="30"),
        a_kitchen("Near", postcode="10"),
        a_kitchen("Also", postcode="10"),
    )
    Donor.objects.create(name="Near", kitchen=near)
    for kitchen in (far, near, beside):
        a_line(kitchen, product, 500)
    make()
    stops = Stop.objects.order_by("position").select_related("shipment__kitchen")
    assert [(stop.shipment.kitchen.name, stop.collects_grounds) for stop in stops if stop.shipment.kitchen] == [
        ("Also", False),
        ("Near", True),
        ("Far", False),
    ]


def test_an_order_of_stops_by_hand_is_kept_and_new_stops_come_last() -> None:
    a_farm()
    product = a_product(a_strain())
    first, second = (a_line(a_kitchen(name, postcode=code), product, 500) for name, code in (("A", "10"), ("B", "20")))
    make()
    trip = Round.objects.get()
    packing.order_stops(trip.public_id, [second.shipment.public_id, first.shipment.public_id], by=BEN, now=NOW)
    third = a_line(a_kitchen("C", postcode="05"), product, 500)
    make()
    assert list(trip.stops.order_by("position").values_list("shipment", flat=True)) == [
        second.shipment_id,
        first.shipment_id,
        third.shipment_id,
    ]
    with pytest.raises(Invalid, match="has 3 stops: name the shipment of each of them once"):
        packing.order_stops(trip.public_id, [second.shipment.public_id], by=BEN, now=NOW)


def test_asked_again_it_writes_nothing() -> None:
    a_farm()
    strain = a_strain()
    lot = a_fresh_lot(strain, 9_000)
    line = a_line(a_kitchen(), a_product(strain), 2_000)
    plan((line, lot, 2_000))
    make()
    before = (list(PickRow.objects.values()), list(Stop.objects.values()), list(PickList.objects.values()))
    make()
    assert before == (list(PickRow.objects.values()), list(Stop.objects.values()), list(PickList.objects.values()))
    assert Event.objects.filter(kind="pick_lists_made").count() == 1


def test_only_what_differs_is_written_when_the_plan_moves_a_line_to_another_lot() -> None:
    a_farm()
    strain = a_strain()
    old, new = a_fresh_lot(strain, 3_000), a_fresh_lot(strain, 3_000)
    product = a_product(strain)
    stays, moves = (
        a_line(a_kitchen("A", postcode="10"), product, 1_000),
        a_line(a_kitchen("B", postcode="20"), product, 1_000),
    )
    plan((stays, old, 1_000), (moves, old, 1_000))
    make()
    kept = PickRow.objects.get(line=stays).pk
    plan((stays, old, 1_000), (moves, new, 1_000))
    make()
    assert PickRow.objects.get(line=stays).pk == kept
    assert rows() == [(str(stays), old.public_id, 1_000), (str(moves), new.public_id, 1_000)]
    assert Event.objects.filter(kind="pick_lists_made").latest("pk").data == {
        "lists": 1, "rows_added": 1, "rows_changed": 0, "rows_gone": 1,
    }  # fmt: skip


def test_a_coming_harvest_has_no_lot_until_it_is_logged() -> None:
    a_farm()
    strain = a_strain()
    line = a_line(a_kitchen(), a_product(strain), 1_000)
    plan((line, None, 1_000))
    make()
    assert rows() == [(str(line), "", 1_000)]
    lot = a_fresh_lot(strain, 1_000)
    plan((line, lot, 1_000))
    make()
    assert rows() == [(str(line), lot.public_id, 1_000)]


def test_a_picked_row_stays_until_a_later_plan_says_what_is_still_to_come() -> None:
    a_farm()
    strain = a_strain()
    first, second = a_fresh_lot(strain, 3_000), a_fresh_lot(strain, 3_000)
    line = a_line(a_kitchen(), a_product(strain), 3_000)
    plan((line, first, 3_000))
    make()
    packing.pick(str(line), lot=first.public_id, amount=2_000, by=BEN, now=NOW, today=FRIDAY)
    make()
    assert rows() == [(str(line), first.public_id, 3_000)]
    plan((line, second, 1_000), made_at=LATER)
    make()
    assert rows() == [(str(line), first.public_id, 2_000), (str(line), second.public_id, 1_000)]


def test_more_of_the_same_lot_after_a_pick_is_added_to_its_row() -> None:
    a_farm()
    strain = a_strain()
    lot = a_fresh_lot(strain, 9_000)
    line = a_line(a_kitchen(), a_product(strain), 2_000)
    plan((line, lot, 2_000))
    make()
    packing.pick(str(line), lot=lot.public_id, amount=2_000, by=BEN, now=NOW, today=FRIDAY)
    assert Shipment.objects.get().state == "packed"
    Line.objects.filter(pk=line.pk).update(ordered=3_000, promised=3_000)
    plan((line, lot, 1_000), made_at=LATER)
    make()
    assert rows() == [(str(line), lot.public_id, 3_000)]
    assert Shipment.objects.get().state == "placed"
    assert PickList.objects.get().done_at is None


def test_a_cancelled_line_leaves_the_list_and_a_cancelled_shipment_its_stop() -> None:
    a_farm()
    strain = a_strain()
    lot = a_fresh_lot(strain, 9_000)
    product = a_product(strain)
    line, other = (a_line(a_kitchen(name), product, 1_000) for name in ("A", "B"))
    plan((line, lot, 1_000), (other, lot, 1_000))
    make()
    Line.objects.filter(pk=line.pk).update(cancelled_at=NOW)
    Shipment.objects.filter(pk=line.shipment_id).update(state="cancelled")
    make()
    assert rows() == [(str(other), lot.public_id, 1_000)]
    assert Stop.objects.get().shipment_id == other.shipment_id


def test_a_shipment_that_comes_after_its_round_has_left_goes_on_a_second_one() -> None:
    a_farm()
    strain = a_strain()
    lot, product = a_fresh_lot(strain, 9_000), a_product(strain)
    line = a_line(a_kitchen("A"), product, 1_000)
    plan((line, lot, 1_000))
    make()
    packing.pick(str(line), lot=lot.public_id, amount=1_000, by=BEN, now=NOW, today=FRIDAY)
    first = Round.objects.get()
    packing.close_round(first.public_id, by=BEN, now=NOW, today=FRIDAY)
    late = a_line(a_kitchen("B"), product, 1_000)
    plan((late, lot, 1_000))
    make()
    assert late.shipment.stop.round.name == "Town 2"
    assert DeliveryNote.objects.count() == 1
    with pytest.raises(Conflict, match="has left: its stops stay as they were driven"):
        packing.order_stops(first.public_id, [line.shipment.public_id], by=BEN, now=NOW)


def test_another_kitchen_joins_the_open_round() -> None:
    a_farm()
    product = a_product(a_strain())
    a_line(a_kitchen("B", postcode="20"), product, 500)
    make()
    a_line(a_kitchen("A", postcode="10"), product, 500)
    make()
    assert Round.objects.count() == 1
    assert [stop.shipment.address.name for stop in Stop.objects.order_by("position")] == ["A", "B"]


def test_the_page_shows_stops_rows_and_what_was_taken(django_assert_max_num_queries: object) -> None:
    a_farm()
    strain = a_strain()
    lot = a_fresh_lot(strain, 9_000)
    line = a_line(a_kitchen(), a_product(strain), 2_000)
    plan((line, lot, 2_000))
    make()
    made = packing.pick(str(line), lot=lot.public_id, amount=1_500, by=BEN, now=NOW, today=FRIDAY)
    gone = packing.pick(str(line), lot=lot.public_id, amount=400, by=BEN, now=NOW, today=FRIDAY)
    packing.undo_pick(gone.public_id, by=BEN, now=NOW, today=FRIDAY)
    with django_assert_max_num_queries(10):  # type: ignore[operator]  # the plugin's fixture
        (page,) = read_packing.pick_lists(FRIDAY)
    (stop,) = page.stops
    (view,) = stop.lines
    (row,) = view.rows
    assert (page.round_name, page.done, stop.name, stop.state) == ("Town", False, "The Heron", "placed")
    assert (row.lot, row.amount, row.picked, row.left, row.on_hold) == (lot.public_id, 2_000, 1_500, 500, False)
    assert (view.due, view.picked) == (2_000, 1_500)
    assert [(pick.pick, pick.amount) for pick in view.picks] == [(made.public_id, 1_500)]
