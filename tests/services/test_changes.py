"""What was set up once is put right later: strains, rooms, buyers, addresses, donors, suppliers."""

from __future__ import annotations

from datetime import timedelta

import pytest

from fulfilment.core.growth import PEARL
from fulfilment.core.problems import Conflict, Invalid, Missing
from fulfilment.models import Event, Job, Strain
from fulfilment.services import customers, farm, growing
from tests import world
from tests.people import ADA
from tests.world import NOW

pytestmark = pytest.mark.django_db
LATER = NOW + timedelta(minutes=5)


@pytest.fixture
def ours() -> world.World:
    return world.build()


def test_a_strain_changed_is_planned_anew_and_an_event(ours: world.World) -> None:
    Job.objects.update(planned=1, wanted=1)
    changed = farm.change_strain(
        ours.strain.public_id, growth={**PEARL.as_data(), "efficiency_pct": 70}, hardy=False, by=ADA, now=LATER
    )
    assert (changed.growth["efficiency_pct"], changed.hardy, changed.version) == (70, False, 2)
    event = Event.objects.get(kind="strain_changed")
    assert (event.subject, event.data) == (changed.public_id, {"fields": ["growth", "hardy"]})
    assert Job.objects.get(kind="replan").wanted == 2


def test_a_strain_that_stays_as_it_is_leaves_no_trace(ours: world.World) -> None:
    farm.change_strain(ours.strain.public_id, growth="pearl", kit="pearl", kit_weeks=8, by=ADA, now=LATER)
    assert Strain.objects.get().version == 1
    assert not Event.objects.filter(kind="strain_changed").exists()


def test_a_growth_profile_goes_on_naming_the_grades_in_use(ours: world.World) -> None:
    with pytest.raises(Conflict, match="kept and sold as grade b") as told:
        farm.change_strain(ours.strain.public_id, growth={**PEARL.as_data(), "grades": [["a", 1.0]]}, by=ADA, now=LATER)
    assert told.value.where == "growth"
    with pytest.raises(Invalid, match="sum to") as wrong:
        farm.change_strain(
            ours.strain.public_id, growth={**PEARL.as_data(), "flush_shares": [1, 1, 1]}, by=ADA, now=LATER
        )
    assert wrong.value.where == "growth.flush_shares"


def test_a_room_is_renamed_but_not_as_another(ours: world.World) -> None:
    assert farm.rename_room(ours.room.public_id, name="Green room", by=ADA, now=LATER).name == "Green room"
    with pytest.raises(Conflict, match="There is a room dark room already"):
        farm.rename_room(ours.room.public_id, name="dark room", by=ADA, now=LATER)
    assert Event.objects.filter(kind="room_renamed").count() == 1


def test_a_buyer_who_holds_a_kit_is_one_person(ours: world.World) -> None:
    holder = customers.holder_of(ours.buyer, now=NOW)
    customers.change_buyer(
        ours.buyer.public_id, name="Dai R.", email="dai.r@EXAMPLE.org", zone="Europe/Oslo", phone="01632 960112",
        by=ADA, now=LATER,
    )  # fmt: skip
    holder.refresh_from_db()
    assert (holder.name, holder.email, holder.zone) == ("Dai R.", "dai.r@example.org", "Europe/Oslo")
    assert holder.link_version == 2
    event = Event.objects.get(kind="buyer_changed")
    assert event.data == {"fields": ["email", "name", "phone", "zone"]}
    assert "dai" not in str(event.data).lower()
    with pytest.raises(Invalid, match="no mail address"):
        customers.change_buyer(ours.buyer.public_id, email="nobody", by=ADA, now=LATER)
    ours.buyer.erased_at = NOW
    ours.buyer.save()
    with pytest.raises(Missing):
        customers.change_buyer(ours.buyer.public_id, name="Dai", by=ADA, now=LATER)


def test_an_address_is_put_right_for_what_is_placed_too(ours: world.World) -> None:
    address = ours.kitchen.addresses.get()
    changed = customers.change_address(address.pk, {"street": "2 Quay", "town": "Saltby"}, by=ADA, now=LATER)
    assert (changed.pk, changed.street, changed.name) == (address.pk, "2 Quay", address.name)
    assert Event.objects.get(kind="address_changed").data == {"address": address.pk}
    with pytest.raises(Invalid, match="needs a street"):
        customers.change_address(address.pk, {"street": "", "town": "Saltby"}, by=ADA, now=LATER)
    with pytest.raises(Missing):
        customers.change_address(987_654, {"street": "2 Quay", "town": "Saltby"}, by=ADA, now=LATER)


def test_donors_and_suppliers_are_corrected(ours: world.World) -> None:
    donor = growing.add_donor("Café Kerb", kitchen=ours.kitchen.public_id, by=ADA, now=NOW)
    other = growing.add_donor("Café Lane", by=ADA, now=NOW)
    with pytest.raises(Conflict, match="donor already"):
        growing.change_donor(other.public_id, kitchen=ours.kitchen.public_id, by=ADA, now=LATER)
    growing.change_donor(donor.public_id, kitchen="", email="kerb@example.org", by=ADA, now=LATER)
    donor.refresh_from_db()
    assert (donor.kitchen, donor.email) == (None, "kerb@example.org")
    growing.change_donor(donor.public_id, name="Café Kerb", by=ADA, now=LATER)
    assert Event.objects.filter(kind="donor_changed").count() == 1

    first = growing.add_supplier("Hay and Co", by=ADA, now=NOW)
    growing.add_supplier("Straw and Co", by=ADA, now=NOW)
    with pytest.raises(Conflict, match="of that name"):
        growing.change_supplier(first.public_id, name="straw and co", by=ADA, now=LATER)
    assert growing.change_supplier(first.public_id, phone="01632 960113", by=ADA, now=LATER).phone == "01632 960113"
