"""The office writes down who orders and on what terms."""

from __future__ import annotations

from datetime import UTC, datetime, time

import pytest

from fulfilment.core.problems import Invalid, Missing
from fulfilment.models import Address, Buyer, Event, Holder, Job, Kitchen, Substitute
from fulfilment.services import customers
from tests.builders.kitchens import a_buyer, a_farm, a_kitchen, a_product, a_strain

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)
OFFICE = "user:olu"
QUAY = customers.Place(street="1 Quay", town="Saltby", postcode="OM1 1")


def add(name: str = "The Heron", email: str = "heron@example.org", **terms: object) -> Kitchen:
    return customers.add_kitchen(name, email=email, address=QUAY, by=OFFICE, now=NOW, **terms)  # type: ignore[arg-type]  # bad terms too


def test_a_kitchen_comes_with_its_first_address_and_the_usual_terms() -> None:
    kitchen = add(email="chef@EXAMPLE.org", tier=1, delivery_weekdays=[4, 1, 1])
    kitchen.refresh_from_db()
    assert (kitchen.email, kitchen.tier, kitchen.delivery_weekdays) == ("chef@example.org", 1, [1, 4])
    assert (kitchen.chance_pct, kitchen.window_from) == (90, time(9, 0))
    assert Address.objects.get(kitchen=kitchen).name == "The Heron"
    event = Event.objects.get(kind="kitchen_added")
    assert (event.subject, event.by, event.at) == (kitchen.public_id, OFFICE, NOW)
    assert "heron" not in str(event.data).lower()


@pytest.mark.parametrize(
    ("given", "where", "says"),
    [
        ({"email": "heron@example.org\nBcc: eve@example.org"}, "email", "one line"),
        ({"email": "heron"}, "email", "name@example.org"),
        ({"email": ""}, "email", "must not be empty"),
        ({"name": "  "}, "name", "must not be empty"),
        ({"name": "The\x00Heron"}, "name", "without line breaks or control signs"),
        ({"name": "x" * 121}, "name", "at most 120"),
        ({"tier": 6}, "tier", "from 1 to 5"),
        ({"tier": True}, "tier", "from 1 to 5"),
        ({"chance_pct": 100}, "chance_pct", "from 50 to 99"),
        ({"max_age_days": 0}, "max_age_days", "from 1 to 14"),
        ({"tolerance_pct": 26}, "tolerance_pct", "from 0 to 25"),
        ({"delivery_weekdays": [1, 7]}, "delivery_weekdays.1", "Monday 0"),
        ({"window_from": time(12), "window_to": time(12)}, "window_to", "give a later end"),
        ({"round_name": ""}, "round_name", "must not be empty"),
    ],
)
def test_terms_that_cannot_be_are_told_and_nothing_is_kept(given: dict[str, object], where: str, says: str) -> None:
    with pytest.raises(Invalid, match=says) as told:
        add(**given)  # type: ignore[arg-type]  # bad on purpose
    assert told.value.where == where
    assert not Kitchen.objects.exists()
    assert not Event.objects.exists()


@pytest.mark.parametrize(
    ("change", "where", "says"),
    [
        ({"street": ""}, "address.street", "needs a street"),
        ({"town": ""}, "address.town", "needs a town"),
        ({"country": "Germany"}, "address.country", "at most 2"),
        ({"country": "1A"}, "address.country", "two letters"),
        ({"latitude": 52.0}, "address.latitude", "together or not at all"),
        ({"latitude": 95.0, "longitude": 1.0}, "address.latitude", "-90 to 90"),
        ({"instructions": "ring\ntwice"}, "address.instructions", "one line"),
    ],
)
def test_an_address_that_cannot_be_is_told(change: dict[str, object], where: str, says: str) -> None:
    with pytest.raises(Invalid, match=says) as told:
        customers.add_kitchen("The Heron", email="h@example.org", address={**QUAY, **change}, by=OFFICE, now=NOW)  # type: ignore[typeddict-item]  # bad on purpose
    assert told.value.where == where
    assert not Kitchen.objects.exists()


def test_another_mail_address_ends_the_links_sent_to_the_old_one() -> None:
    kitchen = add()
    changed = customers.change_kitchen(kitchen.public_id, email="new@example.org", by=OFFICE, now=NOW)
    assert changed.link_version == 2
    assert Event.objects.get(kind="kitchen_changed").data == {"fields": ["email"]}


def test_a_change_that_changes_nothing_writes_nothing() -> None:
    kitchen = add()
    same = customers.change_kitchen(kitchen.public_id, tier=kitchen.tier, name=kitchen.name, by=OFFICE, now=NOW)
    assert same.version == 1
    assert not Event.objects.filter(kind="kitchen_changed").exists()


def test_another_tier_is_planned_for_and_another_phone_number_is_not() -> None:
    kitchen = add()
    customers.change_kitchen(kitchen.public_id, phone="01632 960001", by=OFFICE, now=NOW)
    assert not Job.objects.exists()
    customers.change_kitchen(kitchen.public_id, tier=1, by=OFFICE, now=NOW)
    assert Job.objects.get().kind == "replan"


def test_half_of_a_window_is_checked_against_the_half_that_stays() -> None:
    kitchen = add(window_from=time(9), window_to=time(11))
    with pytest.raises(Invalid, match="ends at 11:00"):
        customers.change_kitchen(kitchen.public_id, window_from=time(11), by=OFFICE, now=NOW)


def test_revoked_links_stop_working() -> None:
    kitchen = add()
    assert customers.revoke_links(kitchen.public_id, by=OFFICE, now=NOW).link_version == 2


def test_a_stranger_is_not_there() -> None:
    with pytest.raises(Missing, match="There is no kitchen K7Q2-M4XJ"):
        customers.change_kitchen("K7Q2-M4XJ", tier=1, by=OFFICE, now=NOW)
    with pytest.raises(Missing, match="ids look like"):
        customers.change_kitchen("the heron", tier=1, by=OFFICE, now=NOW)


def test_a_second_address_belongs_to_one_of_the_two() -> None:
    kitchen, buyer = a_kitchen(), a_buyer()
    customers.add_address(QUAY, kitchen=kitchen.public_id, by=OFFICE, now=NOW)
    customers.add_address(QUAY, buyer=buyer.public_id, by=OFFICE, now=NOW)
    assert (kitchen.addresses.count(), buyer.addresses.count()) == (2, 2)
    for both in ({}, {"kitchen": kitchen.public_id, "buyer": buyer.public_id}):
        with pytest.raises(Invalid, match="name one of the two"):
            customers.add_address(QUAY, **both, by=OFFICE, now=NOW)


def test_an_erased_buyer_is_not_there() -> None:
    buyer = a_buyer()
    Buyer.objects.filter(pk=buyer.pk).update(erased_at=NOW)
    with pytest.raises(Missing):
        customers.add_address(QUAY, buyer=buyer.public_id, by=OFFICE, now=NOW)


# ---- Substitutes ----------------------------------------------------------------------------------------------------


def test_substitutes_keep_their_order_and_replace_the_old_ones() -> None:
    kitchen, pearl, pink = a_kitchen(), a_strain(), a_strain("Pink oyster")
    first = [(pearl.public_id, "a", pink.public_id, "a"), (pearl.public_id, "a", pearl.public_id, "b")]
    customers.set_substitutes(kitchen.public_id, first, by=OFFICE, now=NOW)
    stored = list(Substitute.objects.order_by("position").values_list("instead_strain", "instead_grade"))
    assert stored == [(pink.pk, "a"), (pearl.pk, "b")]
    customers.set_substitutes(kitchen.public_id, first[1:], by=OFFICE, now=NOW)
    assert Substitute.objects.get().instead_grade == "b"
    assert Job.objects.get().wanted == 2


def test_two_strains_may_stand_in_for_each_other() -> None:
    kitchen, pearl, pink = a_kitchen(), a_strain(), a_strain("Pink oyster")
    pairs = [(pearl.public_id, "a", pink.public_id, "a"), (pink.public_id, "a", pearl.public_id, "a")]
    assert len(customers.set_substitutes(kitchen.public_id, pairs, by=OFFICE, now=NOW)) == 2


def test_what_cannot_stand_in_is_told_and_the_old_ones_stay() -> None:
    kitchen, pearl, pink = a_kitchen(), a_strain(), a_strain("Pink oyster")
    good = (pearl.public_id, "a", pink.public_id, "a")
    customers.set_substitutes(kitchen.public_id, [good], by=OFFICE, now=NOW)
    bad: list[tuple[list[tuple[str, str, str, str]], str, str]] = [
        ([good, (pearl.public_id, "a", pearl.public_id, "a")], "substitutes.1", "cannot stand in for itself"),
        ([good, good], "substitutes.1", "named twice"),
        ([(pearl.public_id, "kit", pink.public_id, "a")], "substitutes.0.grade", "A kit has no substitute"),
        ([(pearl.public_id, "a", pink.public_id, "kit")], "substitutes.0.instead_grade", "A kit has no substitute"),
        ([(pearl.public_id, "z", pink.public_id, "a")], "substitutes.0.grade", "has no grade 'z': it has a, b"),
    ]
    for pairs, where, says in bad:
        with pytest.raises(Invalid, match=says) as told:
            customers.set_substitutes(kitchen.public_id, pairs, by=OFFICE, now=NOW)
        assert told.value.where == where
    with pytest.raises(Missing, match="There is no strain"):
        customers.set_substitutes(kitchen.public_id, [("K7Q2-M4XJ", "a", pink.public_id, "a")], by=OFFICE, now=NOW)
    assert Substitute.objects.get().instead_strain == pink


# ---- Buyers and holders ---------------------------------------------------------------------------------------------


def test_a_buyer_has_a_clock_of_their_own() -> None:
    buyer = customers.add_buyer(
        "Dai", email="dai@example.org", zone="Pacific/Auckland", address=QUAY, by="key:shop", now=NOW
    )
    assert (buyer.zone, buyer.addresses.count()) == ("Pacific/Auckland", 1)
    with pytest.raises(Invalid, match="no time zone 'Saltby'") as told:
        customers.add_buyer("Dai", email="dai@example.org", zone="Saltby", by="key:shop", now=NOW)
    assert told.value.where == "zone"
    assert Buyer.objects.count() == 1


def test_a_buyer_is_one_holder_however_often_it_is_asked() -> None:
    a_farm()
    buyer = a_buyer()
    one, other = customers.holder_of(buyer, now=NOW), customers.holder_of(buyer, now=NOW)
    assert one == other == Holder.objects.get()
    assert (one.email, one.zone, one.buyer) == (buyer.email, buyer.zone, buyer)


def test_a_grade_known_from_a_product_only_can_be_named() -> None:
    kitchen, pearl = a_kitchen(), a_strain()
    a_product(pearl, grade="stems")
    pairs = [(pearl.public_id, "a", pearl.public_id, "stems")]
    assert customers.set_substitutes(kitchen.public_id, pairs, by=OFFICE, now=NOW)[0].instead_grade == "stems"
