"""Store, holds and sources on the page, and a first batch on an empty farm."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
import time_machine

from fulfilment.models import (
    Batch,
    Crop,
    Donor,
    Hold,
    InputDelivery,
    Intake,
    Kit,
    Lot,
    SpawnDelivery,
    StockEntry,
    Strain,
    Supplier,
)
from fulfilment.read.rooms import sources, store
from fulfilment.read.scope import Actor
from fulfilment.services import farm, growing, holds, kits
from fulfilment.services.ordering import Asked, place
from tests import world
from tests.pages.growing import signed_in, words
from tests.people import ADA
from tests.world import MONDAY, NOW

if TYPE_CHECKING:
    from collections.abc import Iterator

    from django.test import Client
    from pytest_django import DjangoAssertNumQueries

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _monday_morning() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def ada() -> Client:
    return signed_in("ada", "grower")


@pytest.fixture
def ben() -> Client:
    return signed_in("ben", "packing")


# ---- Store ----------------------------------------------------------------------------------------------------------


def test_the_store_shows_the_oldest_date_first_and_marks_what_is_past(ben: Client) -> None:
    made = world.build()
    new = made.harvest(2000)
    old = made.harvest(1500, on=MONDAY - timedelta(days=4))
    Lot.objects.filter(pk=old.pk).update(best_before=MONDAY - timedelta(days=1), ready_on=MONDAY - timedelta(days=4))
    page = ben.get("/store/")
    said = words(page)
    assert said.index(old.public_id) < said.index(new.public_id)
    assert "Best before Sun 3 May past its date" in said
    assert "3.5 kg fresh, 0 kits" in said
    assert "No sealed kits are in store." in said


def test_where_a_lot_goes_is_told_by_name_only_to_who_may_see_orders() -> None:
    made = world.build()
    made.harvest(4000)
    world.plan()
    place(
        [Asked(made.product.public_id, 1500)], kitchen=made.kitchen.public_id, on=MONDAY + timedelta(days=2), by=ADA,
        now=NOW,
    )  # fmt: skip
    world.plan()
    (packer,) = store.on_hand(Actor("user:ben", frozenset({"packing"})), today=MONDAY)
    (grower,) = store.on_hand(Actor("user:ada", frozenset({"grower"})), today=MONDAY)
    assert [(each.amount, each.customer) for each in packer.meant] == [(1500, "The Heron")]
    assert [(each.amount, each.customer, each.order) for each in grower.meant] == [(1500, "", "")]
    assert (packer.planned, packer.free) == (1500, 2500)


@pytest.mark.parametrize("kind", ["wasted", "sample", "own_use", "given_away", "sold_at_gate"])
def test_what_is_taken_out_is_an_entry_once(ben: Client, kind: str) -> None:
    lot = world.build().harvest(2000)
    for _ in range(2):
        answer = ben.post(f"/store/{lot.public_id}/take/", {"kind": kind, "quantity": "300 g", "once": "a"})
        assert (answer.status_code, answer["Location"]) == (303, f"/store/{lot.public_id}/")
    lot.refresh_from_db()
    assert lot.quantity == 1700
    assert StockEntry.objects.get(kind=kind).by == "user:ben"


def test_more_than_is_there_cannot_be_taken(ada: Client) -> None:
    lot = world.build().harvest(2000)
    answer = ada.post(f"/store/{lot.public_id}/take/", {"kind": "wasted", "quantity": "3 kg"})
    assert answer.status_code == 422
    assert f"Lot {lot.public_id} holds 2000 g, so 3000 cannot leave it: take at most 2000" in words(answer)


def test_what_is_past_its_date_goes_out_with_a_reason(ada: Client) -> None:
    lot = world.build().harvest(2000)
    Lot.objects.update(best_before=MONDAY - timedelta(days=1), ready_on=MONDAY - timedelta(days=3))
    answer = ada.post(f"/store/{lot.public_id}/take/", {"kind": "own_use", "quantity": "100"})
    assert "is past its date, Sunday 3 May 2026: say why it goes out all the same." in words(answer)
    typed = {"kind": "own_use", "quantity": "100", "reason": "staff soup, looked at"}
    assert ada.post(f"/store/{lot.public_id}/take/", typed).status_code == 303


def test_drying_and_correcting(ada: Client) -> None:
    lot = world.build().harvest(2000)
    heavier = ada.post(f"/store/{lot.public_id}/dry/", {"counted_g": "2100"})
    assert "drying makes it lighter, not 2100 g" in words(heavier)
    assert ada.post(f"/store/{lot.public_id}/dry/", {"counted_g": "1900"}).status_code == 303
    assert "This field is required." in words(ada.post(f"/store/{lot.public_id}/correct/", {"to_quantity": "1950"}))
    typed = {"to_quantity": "1950", "reason": "scale was off"}
    assert ada.post(f"/store/{lot.public_id}/correct/", typed).status_code == 303
    lot.refresh_from_db()
    assert lot.quantity == 1950
    assert "Corrected · scale was off" in words(ada.get(f"/store/{lot.public_id}/"))


def test_a_harvest_typed_wrong_is_put_right_from_the_crops_page(ada: Client) -> None:
    made = world.build()
    lot = made.harvest(6_000)
    address = f"/store/{lot.public_id}/"
    assert f'href="{address}#harvest"' in ada.get(f"/crops/{made.crop.public_id}/").content.decode()
    asked = ada.post(f"{address}harvest/", {"weighed_g": "60 kg", "reason": "a nought"})
    assert "which no bag can give" in words(asked) or "hardly give more" in words(asked)
    typed = {"weighed_g": "600", "reason": "a nought too many"}
    assert ada.post(f"{address}harvest/", typed).status_code == 303
    lot.refresh_from_db()
    assert lot.quantity == 600
    assert "By the book 600 g weighed, 600 g after trimming." in words(ada.get(address))
    story = words(ada.get(f"/crops/{made.crop.public_id}/"))
    assert "Harvest put right" in story
    assert "-5,400 g weighed, -5,400 g after trimming: a nought too many" in story
    assert ada.post(f"{address}harvest/", {"weighed_g": "0", "reason": "another crop"}).status_code == 303
    assert "By the book nothing of it was harvested." in words(ada.get(address))


def test_kits_are_taken_by_their_numbers(ada: Client) -> None:
    made = world.build(bags=4, kits_wanted=6)
    lot = kits.seal(made.crop.batch.public_id, bags=3, sealed_on=MONDAY, by=ADA, now=NOW, today=MONDAY)
    numbers = list(Kit.objects.order_by("pk").values_list("public_id", flat=True))
    page = words(ada.get(f"/store/{lot.public_id}/"))
    assert "3 kits in store" in page
    assert "Dried out" not in page
    typed = {"kind": "given_away", "quantity": "1", "kits": numbers[2]}
    assert ada.post(f"/store/{lot.public_id}/take/", typed).status_code == 303
    assert Kit.objects.get(public_id=numbers[2]).state == "sent"


def test_the_store_takes_a_fixed_number_of_statements(django_assert_max_num_queries: DjangoAssertNumQueries) -> None:
    made = world.build()
    for grams in (400, 500, 600, 700):
        holds.hold("lot", made.harvest(grams).public_id, reason="look", by=ADA, now=NOW)
    world.plan()
    with django_assert_max_num_queries(6):
        assert len(store.on_hand(Actor("user:ben", frozenset({"packing"})), today=MONDAY)) == 4


# ---- Holds ----------------------------------------------------------------------------------------------------------


def test_a_hold_shows_what_it_would_reach_and_stops_it(ada: Client, ben: Client) -> None:
    made = world.build()
    lot = made.harvest(2000)
    intake = Intake.objects.get()
    said = words(ada.get(f"/hold/?kind=intake&code={intake.public_id}"))
    assert "This reaches" in said
    assert made.crop.public_id in said
    assert f"grade a {lot.public_id} 2 kg in store" in said
    # A packer may stop it too, though where it came from is not a packer's to read.
    assert "This reaches" not in words(ben.get(f"/hold/?kind=intake&code={intake.public_id}"))
    typed = {"kind": "intake", "code": intake.public_id, "reason": "a donor’s warning", "once": "a"}
    for _ in range(2):
        assert ben.post("/hold/", typed).status_code == 303
    hold = Hold.objects.get()
    assert (hold.intake_id, hold.placed_by) == (intake.pk, "user:ben")
    assert f"Intake {intake.public_id} grounds from Corner Café a donor’s warning" in words(ben.get("/holds/"))


@pytest.mark.parametrize("kind", ["spawn_delivery", "input_delivery", "batch", "lot", "kit"])
def test_each_kind_of_thing_can_be_held(ada: Client, kind: str) -> None:
    made = world.build(bags=4, kits_wanted=6)
    lot = made.harvest(800)
    kits.seal(made.crop.batch.public_id, bags=2, sealed_on=MONDAY, by=ADA, now=NOW, today=MONDAY)
    given = growing.log_input(
        Supplier.objects.get().public_id, kind="straw", amount_received=5000, received_on=MONDAY, by=ADA, now=NOW,
        today=MONDAY,
    )  # fmt: skip
    codes = {
        "spawn_delivery": SpawnDelivery.objects.get().public_id,
        "input_delivery": given.public_id,
        "batch": made.crop.batch.public_id,
        "lot": lot.public_id,
        "kit": Kit.objects.order_by("pk")[0].public_id,
    }
    assert "This reaches" in words(ada.get(f"/hold/?kind={kind}&code={codes[kind]}"))
    answer = ada.post("/hold/", {"kind": kind, "code": codes[kind].lower(), "reason": "looks odd"})
    assert answer.status_code == 303
    page = words(ada.get(answer["Location"]))
    assert "on hold looks odd" in page
    assert codes[kind] in page


def test_a_hold_wants_a_thing_and_a_reason(ada: Client) -> None:
    lot = world.build().harvest(2000)
    answer = ada.post("/hold/", {"kind": "lot", "code": "AAAA-AAAA", "reason": "odd"})
    assert answer.status_code == 422
    assert "There is no lot" in words(answer) or "This is not the id of a lot" in words(answer)
    answer = ada.post("/hold/", {"kind": "lot", "code": lot.public_id, "reason": " "})
    assert "This field is required." in words(answer)
    assert not Hold.objects.exists()


def test_a_hold_is_released_by_a_grower_and_not_by_a_packer(ada: Client, ben: Client) -> None:
    lot = world.build().harvest(2000)
    hold = holds.hold("lot", lot.public_id, reason="odd", by=ADA, now=NOW)
    assert "The office or a grower ends a hold." in words(ben.get(f"/holds/{hold.public_id}/"))
    assert ben.post(f"/holds/{hold.public_id}/release/").status_code == 403
    assert ada.post(f"/holds/{hold.public_id}/release/", {"once": "a"}).status_code == 303
    again = ada.post(f"/holds/{hold.public_id}/release/", {"once": "b"})
    assert again.status_code == 422
    assert f"Hold {hold.public_id} is released already" in words(again)
    hold.refresh_from_db()
    assert (hold.outcome, hold.ended_by) == ("released", "user:ada")


def test_destroying_lists_what_goes_and_wants_a_tick(ada: Client) -> None:
    made = world.build(bags=4, kits_wanted=6)
    lot = made.harvest(2000)
    hold = holds.hold("batch", made.crop.batch.public_id, reason="green mould", by=ADA, now=NOW)
    page = words(ada.get(f"/holds/{hold.public_id}/"))
    assert f"{made.crop.public_id} 4 bags, Fruiting room" in page
    assert f"{lot.public_id} 2 kg in store" in page
    untold = ada.post(f"/holds/{hold.public_id}/destroy/")
    assert untold.status_code == 422
    assert "Tick this if it is to go for good." in words(untold)
    assert ada.post(f"/holds/{hold.public_id}/destroy/", {"sure": "on"}).status_code == 303
    lot.refresh_from_db()
    assert lot.quantity == 0
    assert Crop.objects.get().finished_on == MONDAY
    assert "destroyed" in words(ada.get("/holds/"))


def test_a_lot_does_not_stop_the_batch_it_came_from(ada: Client) -> None:
    made = world.build()
    lot = made.harvest(2000)
    assert made.crop.public_id not in words(ada.get(f"/hold/?kind=lot&code={lot.public_id}"))


# ---- Sources and the first batch ------------------------------------------------------------------------------------


def empty_farm() -> tuple[Strain, str]:
    farm.set_up("Tide Mill Mushrooms", zone="Europe/London", by=ADA, now=NOW)
    strain = farm.register_strain("Pearl oyster", growth="pearl", kit="pearl", by=ADA, now=NOW)
    for grade in farm.grades_of(strain):
        farm.keep(strain.public_id, grade=grade, best_before_days=7, by=ADA, now=NOW)
    room = farm.add_room("Dark room", kind="incubation", set_point_c=24, by=ADA, now=NOW)
    return strain, room.public_id


def test_from_nothing_to_a_first_batch(ada: Client) -> None:
    strain, room = empty_farm()
    assert "No grounds are logged yet" in words(ada.get("/sources/"))
    grounds = {
        "donor": "new", "new_donor": "Corner Café", "collected_on": "2026-05-03", "grams": "60 kg",
        "hours_since_brewing": "10", "accepted": "yes",
    }  # fmt: skip
    assert ada.post("/sources/intake/", grounds)["Location"] == "/sources/"
    spawn = {
        "supplier": "new", "new_supplier": "Spawn works", "strain": strain.public_id, "received_on": "2026-05-02",
        "grams": "10000", "supplier_lot": "L 12", "allergens": "rye",
    }  # fmt: skip
    assert ada.post("/sources/spawn/", spawn).status_code == 303
    supplier = Supplier.objects.get()
    bags = {"supplier": supplier.public_id, "kind": "bags", "received_on": "2026-05-01", "amount": "500"}
    assert ada.post("/sources/input/", bags).status_code == 303
    said = words(ada.get("/sources/"))
    assert "60 kg of 60 kg left" in said
    assert "500 of 500 left" in said
    assert "supplier’s lot L 12; rye" in said

    form = ada.get("/batches/new/").content.decode()
    intake, delivery = Intake.objects.get(), SpawnDelivery.objects.get()
    # What there is one of is filled in whole; the figures of a bag are common ones.
    assert f'name="intakes-{intake.public_id}" value="60000"' in form
    assert f'name="spawn-{delivery.public_id}" value="10000"' in form
    assert 'name="wet_g_per_bag" value="3000"' in form
    typed = {
        "strain": strain.public_id, "room": room, "mixed_on": "2026-05-04", "bags": "20", "wet_g_per_bag": "3 kg",
        "dry_g_per_bag": "1000", "spawn_pct": "15", "kits_wanted": "4", f"intakes-{intake.public_id}": "58 kg",
        f"spawn-{delivery.public_id}": "9000", f"inputs-{InputDelivery.objects.get().public_id}": "20", "once": "a",
    }  # fmt: skip
    for _ in range(2):
        answer = ada.post("/batches/new/", typed)
        assert answer.status_code == 303
    batch = Batch.objects.get()
    assert answer["Location"] == f"/batches/{batch.public_id}/"
    assert (batch.bags, batch.kits_wanted, batch.wet_g_per_bag) == (20, 4, 3000)
    said = words(ada.get(f"/batches/{batch.public_id}/"))
    assert "Bags from Spawn works" in said
    assert "20 pieces" in said
    assert "2 kg of 60 kg left" in words(ada.get("/sources/"))


def mixed(strain: Strain, room: str, **more: str) -> dict[str, str]:
    return {
        "strain": strain.public_id, "room": room, "mixed_on": "2026-05-04", "bags": "20", "wet_g_per_bag": "3000",
        "dry_g_per_bag": "1000", "spawn_pct": "15", "kits_wanted": "0", **more,
    }  # fmt: skip


def test_a_batch_that_cannot_be_is_refused_beside_its_field(ada: Client) -> None:
    strain, room = empty_farm()
    said = words(ada.get("/batches/new/"))
    assert "No grounds are left to use. Log grounds you collected" in said
    assert "No spawn is left to use. Log spawn you received" in said
    answer = ada.post("/batches/new/", mixed(strain, room))
    assert answer.status_code == 422
    assert "Say which grounds went into the bags: every bag must be traced back." in words(answer)
    donor = growing.add_donor("Corner Café", by=ADA, now=NOW)
    intake = growing.log_intake(
        donor.public_id, grams=5000, collected_on=MONDAY, hours_since_brewing=5, by=ADA, now=NOW, today=MONDAY
    )
    supplier = growing.add_supplier("Spawn works", by=ADA, now=NOW)
    spawn = growing.log_spawn(
        supplier.public_id, strain=strain.public_id, grams=9000, received_on=MONDAY, by=ADA, now=NOW, today=MONDAY
    )
    went = {f"intakes-{intake.public_id}": "9 kg", f"spawn-{spawn.public_id}": "1000"}
    much = ada.post("/batches/new/", mixed(strain, room, **went))
    assert f"Of intake {intake.public_id} 5000 of 5000 are left, so 9000 cannot have gone in." in words(much)
    went[f"intakes-{intake.public_id}"] = "5000"
    asked = ada.post("/batches/new/", mixed(strain, room, **went))
    assert "20 bags of 1000 g hold 20 kg of dry substrate, but only 6 kg" in words(asked)
    dry = ada.post("/batches/new/", mixed(strain, room, **went, wet_g_per_bag="900"))
    assert "A bag of 900 g cannot hold 1000 g of dry substrate and water too" in words(dry)
    tomorrow = ada.post("/batches/new/", mixed(strain, room, **went) | {"mixed_on": "2026-05-05"})
    assert "Tuesday 5 May 2026 has not come yet" in words(tomorrow)
    holds.hold("intake", intake.public_id, reason="a cleaner got in", by=ADA, now=NOW)
    # It was on the form when that was opened: told, not dropped.
    held = ada.post("/batches/new/", mixed(strain, room, **went))
    assert f"Intake {intake.public_id} is held (a cleaner got in): use another, or have it released." in words(held)
    assert f"intakes-{intake.public_id}" not in ada.get("/batches/new/").content.decode()
    assert not Batch.objects.exists()


def test_grounds_are_refused_with_a_reason(ada: Client) -> None:
    empty_farm()
    growing.add_donor("Corner Café", by=ADA, now=NOW)
    donor = Donor.objects.get().public_id
    typed = {
        "donor": donor, "collected_on": "2026-05-04", "grams": "8000", "hours_since_brewing": "40", "accepted": "no",
    }  # fmt: skip
    answer = ada.post("/sources/intake/", typed)
    assert "Say why: refusing grounds needs a reason." in words(answer)
    assert ada.post("/sources/intake/", typed | {"refused_because": "smells sour"}).status_code == 303
    assert "refused: smells sour" in words(ada.get("/sources/"))
    assert not [each for each in sources.intakes() if each.usable]


@pytest.mark.parametrize(
    ("what", "typed", "sentence"),
    [
        ("intake", {"donor": "new", "grams": "8000"}, "Write the name of who it came from."),
        ("intake", {"donor": "new", "new_donor": "Café", "grams": "8000", "collected_on": "2026-05-05"},
         "Tuesday 5 May 2026 has not come yet"),
        ("spawn", {"supplier": "new", "new_supplier": "spawn works"}, "There is a supplier of that name already."),
        ("input", {"supplier": "new", "new_supplier": "Barrow", "kind": "bags", "amount": "2 kg"},
         "Bags are counted: give their number, such as 500."),
        ("donor", {"name": "Café", "email": "café"}, "This is no mail address: it must look like name@example.org."),
        ("supplier", {"name": "Spawn works"}, "There is a supplier of that name already."),
    ],
)  # fmt: skip
def test_what_came_in_is_looked_at_before_it_is_written(
    ada: Client, what: str, typed: dict[str, str], sentence: str
) -> None:
    strain, _ = empty_farm()
    growing.add_supplier("Spawn works", by=ADA, now=NOW)
    usual = {
        "collected_on": "2026-05-04", "received_on": "2026-05-04", "hours_since_brewing": "5", "accepted": "yes",
        "strain": strain.public_id, "grams": "5000",
    }  # fmt: skip
    answer = ada.post(f"/sources/{what}/", usual | typed)
    assert answer.status_code == 422
    assert sentence in words(answer)
    assert not Intake.objects.exists()
    assert not Donor.objects.exists()


def test_donors_and_suppliers_are_added_with_how_to_reach_them(ada: Client) -> None:
    empty_farm()
    assert ada.post("/sources/donor/", {"name": "Corner Café", "phone": "01632 960001"}).status_code == 303
    assert ada.post("/sources/supplier/", {"name": "Spawn works"}).status_code == 303
    said = words(ada.get("/sources/"))
    assert "01632 960001" in said
    assert "nobody to call in a recall" in said


def test_the_next_batch_begins_with_the_last_ones_figures(ada: Client) -> None:
    world.build()
    form = ada.get("/batches/new/").content.decode()
    assert 'name="wet_g_per_bag" value="2700"' in form
    assert 'name="bags" value="40"' in form


def test_sources_take_a_fixed_number_of_statements(django_assert_max_num_queries: DjangoAssertNumQueries) -> None:
    made = world.build()
    for day in (3, 5, 8):
        world.open_bags(made.strain, Batch.objects.all()[0].room, made.room, bags=3, opened_days_ago=day)
    with django_assert_max_num_queries(8):
        assert len(sources.sources().intakes) == 4
