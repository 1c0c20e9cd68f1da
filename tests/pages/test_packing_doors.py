"""Out of the house on the page: rounds closed, parcels, collections, doors, crates, papers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
import time_machine

from fulfilment.models import (
    CrateEntry,
    DeliveryNote,
    Farm,
    Kitchen,
    Line,
    Parcel,
    PickList,
    Refusal,
    Round,
    Shipment,
    SpawnDelivery,
    Supplier,
    Way,
)
from fulfilment.models.growing import BatchSpawn
from fulfilment.services import packing
from tests.builders.kitchens import BEN, FRIDAY, NOW, a_farm
from tests.pages.packing import Friday, friday, kits_to_send, signed_in, words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from django.test import Client

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _friday_morning() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def ben() -> Client:
    return signed_in()


def packed(*, other: bool = True) -> Friday:
    day = friday()
    for line in (day.line, day.other) if other else (day.line,):
        packing.pick(str(line), lot=day.lot.public_id, amount=line.ordered, by=BEN, now=NOW, today=FRIDAY)
    return day


def left() -> Friday:
    day = packed()
    packing.close_round(
        Round.objects.get().public_id, crates={day.line.shipment.public_id: 3}, by=BEN, now=NOW, today=FRIDAY
    )
    return day


# ---- Closing --------------------------------------------------------------------------------------------------------


def test_a_packed_round_leaves_with_crates(ben: Client) -> None:
    day = packed()
    said = words(ben.get(day.address("close/")))
    assert "Crates out to The Heron" in said
    assert "Close the round all the same?" not in said
    sent = {"once": "c", f"crates.{day.line.shipment.public_id}": "3"}
    for _ in range(2):
        assert ben.post(day.address("close/"), sent).headers["Location"] == "/packing/"
    assert [note.number for note in DeliveryNote.objects.order_by("number")] == [1, 2]
    assert Kitchen.objects.get(name="The Heron").crates_out == 3
    said = words(ben.get("/packing/"))
    assert "Town has left." in said
    assert "round closed" in said
    assert "The Heron Town, Fri 8 May · note 1 out" in said


def test_what_is_not_packed_is_listed_and_asked(ben: Client) -> None:
    day = packed(other=False)
    packing.undo_pick(day.line.picks.get().public_id, reason="x", by=BEN, now=NOW, today=FRIDAY)
    packing.pick(str(day.line), lot=day.lot.public_id, amount=400, by=BEN, now=NOW, today=FRIDAY)
    asked = words(ben.get(day.address("close/")))
    assert "1 line is not packed in full and would go short." in asked
    assert "Nothing is packed for The Gull: it would stay here for another round." in asked
    assert "goes short" in asked
    assert "stays here" in asked
    refused = ben.post(day.address("close/"), {"once": "c"})
    assert refused.status_code == 422
    assert Round.objects.get().closed_at is None
    ben.post(day.address("close/"), {"once": "c", "confirmed": "on"})
    assert Round.objects.get().closed_at == NOW
    assert Shipment.objects.get(pk=day.other.shipment_id).state == "placed"


def test_crates_that_cannot_be_are_told_beside_their_field(ben: Client) -> None:
    day = packed()
    answer = ben.post(day.address("close/"), {"once": "c", f"crates.{day.line.shipment.public_id}": "501"})
    assert answer.status_code == 422
    assert "This must be a whole number from 0 to 500 (crates)." in words(answer)


def test_parcels_are_no_round(ben: Client) -> None:
    a_farm()
    kits_to_send()
    answer = ben.get(f"/packing/{PickList.objects.get().public_id}/close/")
    assert answer.status_code == 404
    assert "leave one by one" in words(answer)


# ---- Parcels and collections ----------------------------------------------------------------------------------------


def test_a_parcel_is_handed_to_its_carrier(ben: Client) -> None:
    a_farm()
    lot, line = kits_to_send(1)
    address = f"/packing/parcels/{line.shipment.public_id}/"
    early = ben.post(address, {"once": "a", "carrier": "Hedgerow Parcels"})
    assert "Nothing of this shipment is picked yet: pick it first." in words(early)
    packing.pick(str(line), lot=lot.public_id, amount=1, by=BEN, now=NOW, today=FRIDAY)
    assert "Parcels to hand over Dai" in words(ben.get("/packing/"))
    assert "This field is required" in words(ben.post(address, {"once": "b", "carrier": ""}))
    for _ in range(2):
        assert ben.post(address, {"once": "c", "carrier": "Hedgerow Parcels", "tracking": "HP 12"}).status_code == 302
    parcel = Parcel.objects.get()
    assert (parcel.carrier, parcel.tracking) == ("Hedgerow Parcels", "HP 12")
    assert "With a carrier Dai Hedgerow Parcels since Fri 8 May, 07:00 · note 1" in words(ben.get("/packing/"))


def test_a_short_parcel_is_asked_once(ben: Client) -> None:
    a_farm()
    lot, line = kits_to_send(2)
    packing.pick(str(line), lot=lot.public_id, amount=1, by=BEN, now=NOW, today=FRIDAY)
    address = f"/packing/parcels/{line.shipment.public_id}/"
    asked = ben.post(address, {"once": "a", "carrier": "Hedgerow Parcels"})
    assert asked.status_code == 422
    assert f"Not all of it is packed: line {line} is due 2 kits and has 1 kit." in words(asked)
    assert ben.post(address, {"once": "a", "carrier": "Hedgerow Parcels", "confirmed": "on"}).status_code == 302


def test_a_collection_is_settled_in_one(ben: Client) -> None:
    a_farm()
    lot, line = kits_to_send(1, way=Way.COLLECTED)
    packing.pick(str(line), lot=lot.public_id, amount=1, by=BEN, now=NOW, today=FRIDAY)
    assert "To be collected here Dai Fri 8 May packed" in words(ben.get("/packing/"))
    address = f"/packing/collections/{line.shipment.public_id}/"
    assert "It is collected" in words(ben.get(f"/packing/{PickList.objects.get().public_id}/"))
    for _ in range(2):
        assert ben.post(address, {"once": "a"}).status_code == 302
    assert Shipment.objects.get().state == "delivered"
    assert "It has left" in words(ben.get(address))


# ---- Doors ----------------------------------------------------------------------------------------------------------


def test_delivered_as_it_was(ben: Client) -> None:
    day = left()
    address = f"/packing/doors/{day.line.shipment.public_id}/"
    said = words(ben.get(address))
    assert "Pearl oyster, a: 1 kg" in said
    assert "It has 3 now." in said
    for _ in range(2):
        assert ben.post(address, {"once": "d", "crates_back": "2"}).status_code == 302
    assert Shipment.objects.get(pk=day.line.shipment_id).state == "delivered"
    assert Kitchen.objects.get(name="The Heron").crates_out == 1
    assert "Settled Fri 8 May, 07:00, 2 crates back." in words(ben.get(address))


def test_what_is_refused_has_its_amount_and_reason(ben: Client) -> None:
    day = left()
    address = f"/packing/doors/{day.line.shipment.public_id}/"
    for sent, sentence in (
        ({"amount_0": "200"}, "Say why: sending something back needs a reason."),
        ({"reason_0": "wet"}, "Say how much was sent back, or leave the reason empty."),
        ({"amount_0": "1200", "reason_0": "wet"}, "Only 1000 of line"),
        ({"crates_back": "9"}, "By the book this kitchen has 3 crates, and 9 come back."),
    ):
        answer = ben.post(address, {"once": "d"} | sent)
        assert answer.status_code == 422
        assert sentence in words(answer)
        assert not Refusal.objects.exists()
    ben.post(address, {"once": "d", "amount_0": "200", "reason_0": "wet"})
    refusal = Refusal.objects.get()
    assert (refusal.amount, refusal.reason) == (200, "wet")
    assert Line.objects.get(pk=day.line.pk).accepted == 800
    assert "200 g sent back: wet" in words(ben.get(address))


def test_what_has_not_left_is_not_settled(ben: Client) -> None:
    day = packed()
    address = f"/packing/doors/{day.line.shipment.public_id}/"
    assert "It has not left yet" in words(ben.get(address))
    assert ben.post(address, {"once": "d"}).status_code == 422
    assert ben.get("/packing/doors/K7Q2-M4XJ/").status_code == 404


# ---- Crates ---------------------------------------------------------------------------------------------------------


def test_crates_come_back_at_the_gate(ben: Client) -> None:
    day = left()
    heron = Kitchen.objects.get(name="The Heron")
    assert "The Heron 3 crates" in words(ben.get("/packing/crates/"))
    sent = {"once": "a", "kitchen": heron.public_id, "back": "2"}
    for _ in range(2):
        assert ben.post("/packing/crates/", sent).status_code == 302
    heron.refresh_from_db()
    assert heron.crates_out == 1
    asked = ben.post("/packing/crates/", {**sent, "once": "b", "back": "5"})
    assert "By the book this kitchen has 1 crates, and 5 come back." in words(asked)
    ben.post("/packing/crates/", {**sent, "once": "b", "back": "5", "confirmed": "on"})
    assert CrateEntry.objects.filter(crates=-5).exists()
    unknown = ben.post("/packing/crates/", {**sent, "once": "c", "kitchen": day.lot.public_id})
    assert "Choose one of the kitchens." in words(unknown)


# ---- Papers ---------------------------------------------------------------------------------------------------------


def with_allergens(day: Friday) -> None:
    Farm.objects.update(allergen_wording="Wheat bran and rye grain.")
    spawn = SpawnDelivery.objects.create(
        supplier=Supplier.objects.create(name="Spawn works"), strain=day.lot.strain, grams=9_000, received_on=FRIDAY,
        allergens="rye", logged_by="user:ada",
    )  # fmt: skip
    BatchSpawn.objects.create(batch=day.lot.batch, spawn_delivery=spawn, grams=900)


def test_the_paper_has_boxes_lots_amounts_and_cautions(ben: Client) -> None:
    day = friday()
    with_allergens(day)
    said = words(ben.get(day.address("paper/")))
    assert "Tide Mill Mushrooms Pick list Town Friday 8 May 2026" in said
    assert "1. The Heron Saltby" in said
    assert f"☐ to do {day.lot.public_id} Pearl oyster, a" in said
    assert "Weighed Initials" in said
    assert "Allergens: Wheat bran and rye grain. What the bags were mixed of was delivered with: rye." in said
    assert "cook through" in said
    packing.pick(str(day.line), lot=day.lot.public_id, amount=980, by=BEN, now=NOW, today=FRIDAY)
    assert "☒ done" in words(ben.get(day.address("paper/")))
    assert "980 g ben" in words(ben.get(day.address("paper/")))


def test_the_delivery_note_names_lots_dates_and_weights(ben: Client) -> None:
    day = left()
    with_allergens(day)
    said = words(ben.get("/packing/notes/1/"))
    assert "Tide Mill Mushrooms" in said
    assert "Delivery note 1 Friday 8 May 2026" in said
    assert "To The Heron 1 Quay 11 Saltby" in said
    assert f"{day.lot.public_id} harvested Thu 7 May best before Tue 12 May 1 kg" in said
    assert "3 crates with it" in said
    assert "cook through, steaming hot all through" in said
    assert "keep cold" in said
    assert "EUR" not in said
    assert ben.get("/packing/notes/99/").status_code == 404


def test_the_note_of_a_gift_has_its_greeting_kits_and_no_price(ben: Client) -> None:
    a_farm()
    lot, line = kits_to_send(1)
    line.order.gift, line.order.greeting = True, "Happy picking"
    line.order.save()
    packing.pick(str(line), lot=lot.public_id, amount=1, by=BEN, now=NOW, today=FRIDAY)
    packing.hand_parcel(
        line.shipment.public_id, carrier="Hedgerow Parcels", tracking="HP 12", by=BEN, now=NOW, today=FRIDAY
    )
    said = words(ben.get("/packing/notes/1/"))
    assert "“Happy picking”" in said
    assert f"Kit numbers {line.kits.get().public_id}" in said
    assert "Hedgerow Parcels, HP 12" in said
    assert "14.50" not in said
    assert "Pink kits stay between 12 and 25 °C." in said
