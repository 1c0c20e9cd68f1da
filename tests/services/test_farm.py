"""Ada sets the farm up: its row, closed days, strains, how long they keep, products and rooms."""

from __future__ import annotations

from datetime import time, timedelta

import pytest

from fulfilment.core.care import PEARL as PEARL_KIT
from fulfilment.core.growth import PEARL
from fulfilment.core.problems import Conflict, Invalid, Missing, Problem, Unconfirmed
from fulfilment.models import Book, ClosedDay, Event, Farm, Job, Product, Strain
from fulfilment.services import farm, standing
from fulfilment.services.ordering import Asked
from tests.builders.growing import TODAY, a_grower
from tests.builders.kitchens import FRIDAY, NOW, a_kitchen, a_line, a_product
from tests.people import ADA

pytestmark = pytest.mark.django_db


def refused(problem: pytest.ExceptionInfo[Problem]) -> tuple[str, str]:
    return problem.value.where, problem.value.sentence


# ---- The farm's row -------------------------------------------------------------------------------------------------


def test_a_farm_is_set_up_once_and_given_back_when_asked_again() -> None:
    first = farm.set_up("Tide Mill", zone="Europe/Berlin", currency="CHF", cut_off_time=time(10), by=ADA, now=NOW)
    again = farm.set_up("Another", zone="Etc/UTC", by=ADA, now=NOW)
    assert (first.pk, again.name, again.currency, again.cut_off_time) == (1, "Tide Mill", "CHF", time(10))
    assert Farm.objects.count() == 1
    assert Event.objects.filter(kind="farm_set_up").count() == 1


@pytest.mark.parametrize(
    ("terms", "where", "sentence"),
    [
        ({"zone": "Europe/Atlantis"}, "zone", "There is no time zone"),
        ({"name": ""}, "name", "This must not be empty."),
        ({"name": "Tide\nMill"}, "name", "This must be one line"),
        ({"name": "Tide\0Mill"}, "name", "This must be one line"),
        ({"name": "x" * 121}, "name", "This is too long"),
        ({"currency": "euro"}, "currency", "A currency is three capital letters (ISO 4217), such as EUR."),
        ({"delivery_weekdays": []}, "delivery_weekdays", "At least one weekday must have deliveries"),
        ({"delivery_weekdays": [7]}, "delivery_weekdays.0", "This must be a whole number from 0 to 6"),
        ({"holiday_country": "ZZ"}, "holiday_country", "No public holidays are known for the country 'ZZ'"),
        ({"cut_off_days": 15}, "cut_off_days", "This must be a whole number from 0 to 14"),
        ({"scenarios": 10}, "scenarios", "This must be a whole number from 50 to 10000"),
        ({"sharing_rule": "loudest_first"}, "sharing_rule", "This must be one of: pro_rata"),
        ({"mail_from": "farm@example.org\nBcc: eve@example.org"}, "mail_from", "This must be one line"),
        ({"mail_from": "farm"}, "mail_from", "This is no mail address"),
    ],
)
def test_terms_that_cannot_be_are_refused_and_nothing_changes(
    terms: dict[str, object], where: str, sentence: str
) -> None:
    before = a_grower().farm
    with pytest.raises(Invalid) as problem:
        farm.change_farm(by=ADA, now=NOW, **terms)  # type: ignore[arg-type]  # wrong on purpose
    at, said = refused(problem)
    assert at == where
    assert said.startswith(sentence)
    assert Farm.objects.values().get() == Farm.objects.filter(pk=before.pk).values().get()
    assert not Event.objects.filter(kind="farm_changed").exists()


def test_a_change_is_told_with_its_names_and_asks_for_a_replan() -> None:
    a_grower()
    Job.objects.all().delete()
    changed = farm.change_farm(by=ADA, now=NOW, cut_off_days=2, zone="Europe/Berlin")
    assert (changed.cut_off_days, changed.version) == (2, 2)
    assert Event.objects.get(kind="farm_changed").data == {"changed": ["cut_off_days"]}
    assert Job.objects.get(kind="replan").wanted == 1


def test_nothing_can_be_changed_before_there_is_a_farm() -> None:
    with pytest.raises(Missing, match="There is no farm yet"):
        farm.change_farm(by=ADA, now=NOW, cut_off_days=2)


def test_closing_a_day_with_deliveries_is_asked_once() -> None:
    grower = a_grower()
    line = a_line(a_kitchen(), a_product(grower.strain), 1_000, on=FRIDAY)
    with pytest.raises(Unconfirmed) as problem:
        farm.close_day(FRIDAY, by=ADA, now=NOW, today=TODAY)
    order = line.order.public_id
    assert problem.value.sentence == (
        f"Friday 8 May 2026 has orders. Placed for it, and to be moved or cancelled by hand: {order}. Confirm to close "
        "the day all the same."
    )
    assert problem.value.data == {"placed": 1, "orders": [order], "standing_orders": []}
    closed = farm.close_day(FRIDAY, reason="Flood", by=ADA, now=NOW, today=TODAY, confirmed=True)
    assert farm.close_day(FRIDAY, by=ADA, now=NOW, today=TODAY) == closed
    farm.open_day(FRIDAY, by=ADA, now=NOW)
    assert not ClosedDay.objects.exists()


def test_closing_a_day_says_which_standing_orders_leave_it_out() -> None:
    """Those whose order for the day is made already are orders; skipped ones lose nothing."""
    grower = a_grower()
    wanted = [Asked(a_product(grower.strain).public_id, 500)]
    weekly = "FREQ=WEEKLY;BYDAY=FR"
    begun = [
        standing.begin(a_kitchen(name).public_id, lines=wanted, rule=weekly, starts_on=TODAY, by=ADA, now=NOW)
        for name in ("The Heron", "The Gull", "The Tern")
    ]
    farther = FRIDAY + timedelta(weeks=10)
    standing.skip(begun[1].public_id, on=farther, by=ADA, now=NOW)
    standing.end(begun[2].public_id, last_on=FRIDAY + timedelta(weeks=1), by=ADA, now=NOW)
    with pytest.raises(
        Unconfirmed, match=f"Standing orders that leave it out or move it: {begun[0].public_id}. Confirm"
    ) as told:
        farm.close_day(farther, by=ADA, now=NOW, today=TODAY)
    assert told.value.data == {"placed": 0, "orders": [], "standing_orders": [begun[0].public_id]}
    with pytest.raises(Unconfirmed) as told:
        farm.close_day(FRIDAY + timedelta(weeks=1), by=ADA, now=NOW, today=TODAY)
    assert told.value.data["placed"] == 3
    assert told.value.data["standing_orders"] == []
    farm.close_day(farther - timedelta(days=5), by=ADA, now=NOW, today=TODAY)
    closed = farm.close_day(FRIDAY, by=ADA, now=NOW, today=TODAY)
    assert closed.on == FRIDAY, "its cut-off is past: no order will be made for it"


def test_only_days_to_come_are_closed_and_only_closed_ones_opened() -> None:
    a_grower()
    with pytest.raises(Invalid, match="is over: close a day to come"):
        farm.close_day(TODAY - timedelta(days=1), by=ADA, now=NOW, today=TODAY)
    with pytest.raises(Conflict, match="is not a day that the farm closed"):
        farm.open_day(TODAY, by=ADA, now=NOW)


# ---- Strains and products -------------------------------------------------------------------------------------------


def test_a_strain_takes_known_profiles_or_its_own_and_keeps_them_whole() -> None:
    a_grower()
    own = PEARL.as_data() | {"efficiency_pct": 72}
    strain = farm.register_strain("King pearl", growth=own, kit=PEARL_KIT.as_data(), by=ADA, now=NOW)
    stored = Strain.objects.get(pk=strain.pk)
    assert stored.growth["efficiency_pct"] == 72
    assert farm.grades_of(stored) == ["a", "b"]


@pytest.mark.parametrize(
    ("changes", "where", "sentence"),
    [
        ({"name": "pearl OYSTER"}, "name", "There is a strain pearl OYSTER already"),
        ({"growth": "portobello"}, "growth", "This must be one of: pearl, pink, golden."),
        ({"growth": PEARL.as_data() | {"efficiency_pct": 900}}, "growth.efficiency_pct", "Efficiency must be above 0"),
        ({"growth": {"efficiency_pct": 60}}, "growth", "colonising, "),
        ({"kit": "portobello"}, "kit", "This must be one of: pearl, pink, golden."),
        ({"kit_weeks": 0}, "kit_weeks", "This must be a whole number from 1 to 26"),
        ({"cold_wait_days": 400}, "cold_wait_days", "This must be a whole number from 0 to 60"),
    ],
)
def test_a_strain_that_cannot_be_is_refused(changes: dict[str, object], where: str, sentence: str) -> None:
    a_grower()
    wanted: dict[str, object] = {"name": "Grey", "growth": "pearl", "kit": "pearl", **changes}
    with pytest.raises(Problem) as problem:
        farm.register_strain(by=ADA, now=NOW, **wanted)  # type: ignore[arg-type]  # wrong on purpose
    at, said = refused(problem)
    assert at == where
    assert said.startswith(sentence)
    assert Strain.objects.count() == 1


def test_keeping_makes_a_book_and_a_product_of_kits_makes_theirs() -> None:
    grower = a_grower()
    assert sorted(Book.objects.values_list("grade", flat=True)) == ["a", "b"]
    farm.add_product(grower.strain.public_id, grade="kit", pack=1, price_minor=1900, name="Kit", by=ADA, now=NOW)
    assert Book.objects.filter(strain=grower.strain, grade="kit").count() == 1
    farm.keep(grower.strain.public_id, grade="a", best_before_days=6, use_by=True, by=ADA, now=NOW)
    kept = grower.strain.keeping.get(grade="a")
    assert (kept.best_before_days, kept.use_by) == (6, True)
    assert Book.objects.count() == 3


@pytest.mark.parametrize(
    ("grade", "days", "where", "sentence"),
    [
        ("kit", 5, "grade", "Kits keep as many weeks as their strain says"),
        ("c", 5, "grade", "Pearl oyster has no grade 'c': it is sorted into a, b."),
        ("a", 0, "best_before_days", "This must be a whole number from 1 to 30"),
    ],
)
def test_how_long_a_grade_keeps_is_looked_at(grade: str, days: int, where: str, sentence: str) -> None:
    grower = a_grower()
    with pytest.raises(Invalid) as problem:
        farm.keep(grower.strain.public_id, grade=grade, best_before_days=days, by=ADA, now=NOW)
    at, said = refused(problem)
    assert at == where
    assert said.startswith(sentence)


@pytest.mark.parametrize(
    ("changes", "where", "sentence"),
    [
        ({"grade": "kit", "pack": 2}, "pack", "A kit is sold by the piece: its pack is 1."),
        ({"pack": 0}, "pack", "0 grams is too little"),
        ({"price_minor": -1}, "price_minor", "-1 minor units is too little"),
        ({"grade": "c"}, "grade", "Pearl oyster has no grade 'c'"),
        ({"strain_id": "AAAA-AAAA"}, "strain", "This is not the id of a strain"),
        ({"name": " "}, "name", "This must not be empty."),
        ({"pack": 500}, "pack", "Pearl oyster a is sold in packs of 500 already: change that product."),
    ],
)
def test_a_product_that_cannot_be_is_refused(changes: dict[str, object], where: str, sentence: str) -> None:
    grower = a_grower()
    farm.add_product(grower.strain.public_id, grade="a", pack=500, price_minor=1400, name="A", by=ADA, now=NOW)
    wanted: dict[str, object] = {
        "strain_id": grower.strain.public_id, "grade": "a", "pack": 250, "price_minor": 1400, "name": "Small",
        **changes,
    }  # fmt: skip
    with pytest.raises(Problem) as problem:
        farm.add_product(by=ADA, now=NOW, **wanted)  # type: ignore[arg-type]  # wrong on purpose
    at, said = refused(problem)
    assert at == where
    assert said.startswith(sentence)
    assert Product.objects.count() == 1


def test_a_product_waits_until_somebody_says_how_long_it_keeps() -> None:
    a_grower()
    pink = farm.register_strain("Pink oyster", growth="pink", kit="pink", by=ADA, now=NOW)
    with pytest.raises(Conflict, match="Nobody has said how long grade a of Pink oyster keeps"):
        farm.add_product(pink.public_id, grade="a", pack=500, price_minor=1, name="P", by=ADA, now=NOW)


def test_a_product_changes_its_price_for_lines_to_come() -> None:
    grower = a_grower()
    product = farm.add_product(
        grower.strain.public_id, grade="a", pack=500, price_minor=1400, name="A", by=ADA, now=NOW
    )
    line = a_line(a_kitchen(), product, 1_000)
    farm.change_product(product.public_id, price_minor=1600, active=False, by=ADA, now=NOW)
    product.refresh_from_db()
    line.refresh_from_db()
    assert (product.price_minor, product.active, product.version) == (1600, False, 2)
    assert line.price_minor == 1400


# ---- Rooms ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "kind", "celsius", "where", "sentence"),
    [
        ("Cellar", "sauna", 20, "kind", "This must be one of: incubation, fruiting, cold."),
        ("Cellar", "cold", 200, "set_point_c", "200 °C cannot be: between -10 and 50 °C."),
        ("Cellar", "cold", float("nan"), "set_point_c", "This must be a number of degrees Celsius."),
        ("dark ROOM", "cold", 4, "name", "There is a room dark ROOM already"),
    ],
)
def test_a_room_that_cannot_be_is_refused(name: str, kind: str, celsius: float, where: str, sentence: str) -> None:
    a_grower()
    with pytest.raises(Problem) as problem:
        farm.add_room(name, kind=kind, set_point_c=celsius, by=ADA, now=NOW)
    at, said = refused(problem)
    assert at == where
    assert said.startswith(sentence)


def test_another_set_point_is_stored_in_tenths_and_replanned() -> None:
    grower = a_grower()
    Job.objects.all().delete()
    assert farm.set_room(grower.light.public_id, set_point_c=17.5, by=ADA, now=NOW).set_point_tenths == 175
    assert Job.objects.filter(kind="replan").exists()
