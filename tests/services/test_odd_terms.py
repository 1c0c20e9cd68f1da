"""Terms that are odd and allowed: substitutes in a circle, of what nobody grows, none at all; a tier of its own."""

from __future__ import annotations

from datetime import time, timedelta

import pytest

from fulfilment.core.problems import Invalid, Problem
from fulfilment.models import Allocation, Farm, Kitchen, Line, Product, Shipment, Strain
from fulfilment.services import customers, ordering, planning
from fulfilment.services.ordering import Asked
from tests.builders.doubts import NOON, TUESDAY, in_store
from tests.builders.kitchens import FRIDAY, a_farm, a_kitchen, a_line, a_product, a_strain
from tests.people import ADA

pytestmark = pytest.mark.django_db

STRAINS = ("Pearl oyster", "Pink oyster", "Grey oyster")


@pytest.fixture
def products() -> dict[str, Product]:
    a_farm()
    Farm.objects.update(scenarios=50, horizon_days=7)
    return {name.split()[0].lower(): a_product(a_strain(name)) for name in STRAINS}


def accepts(kitchen: Kitchen, products: dict[str, Product], *pairs: str) -> None:
    """``pearl>pink``: pink instead of pearl."""
    ids = [
        (products[one].strain.public_id, "a", products[other].strain.public_id, "a")
        for one, _, other in (pair.partition(">") for pair in pairs)
    ]
    customers.set_substitutes(kitchen.public_id, ids, by=ADA, now=NOON)


def given() -> dict[str, int]:
    """Strain of what comes → grams of all lines."""
    found: dict[str, int] = {}
    for row in Allocation.objects.select_related("strain"):
        name = row.strain.name.split()[0].lower()
        found[name] = found.get(name, 0) + row.amount
    return found


CIRCLES: dict[str, tuple[tuple[str, ...], dict[str, int], dict[str, int]]] = {
    "none": ((), {"pearl": 500, "pink": 1_000}, {"pearl": 500}),
    "one way": (("pearl>pink",), {"pearl": 500, "pink": 1_000}, {"pearl": 500, "pink": 500}),
    "both ways": (("pearl>pink", "pink>pearl"), {"pearl": 500, "pink": 1_000}, {"pearl": 500, "pink": 500}),
    "a chain is no leave for its end": (("pearl>pink", "pink>grey"), {"grey": 1_000}, {}),
    "a circle of three": (("pearl>pink", "pink>grey", "grey>pearl"), {"pink": 500, "grey": 500}, {"pink": 500}),
    "of what is not there": (("pearl>grey",), {"pearl": 500}, {"pearl": 500}),
}
"""What 1 kg of pearl may become → grams in store by strain → grams that come."""


@pytest.mark.parametrize("case", CIRCLES)
def test_substitutes_in_circles_and_of_nothing(products: dict[str, Product], case: str) -> None:
    pairs, store, comes = CIRCLES[case]
    kitchen = a_kitchen()
    accepts(kitchen, products, *pairs)
    for name, grams in store.items():
        in_store(products[name].strain, grams)
    planning.publish(today=TUESDAY, now=NOON)
    order = ordering.place(
        [Asked(products["pearl"].public_id, 1_000)], kitchen=kitchen.public_id, on=FRIDAY, by=ADA, now=NOON
    )
    assert planning.allot(today=TUESDAY, now=NOON, cause="test") is not None, "the plan passes its audit"
    line = order.lines.get()
    assert given() == comes
    assert line.allocated == line.promised == sum(comes.values())
    assert line.account["code"]


def test_a_strain_that_is_no_longer_sold_stops_no_order(products: dict[str, Product]) -> None:
    kitchen = a_kitchen()
    accepts(kitchen, products, "pearl>pink")
    Product.objects.filter(pk=products["pink"].pk).update(active=False)
    in_store(products["pearl"].strain, 500)
    planning.publish(today=TUESDAY, now=NOON)
    order = ordering.place(
        [Asked(products["pearl"].public_id, 1_000)], kitchen=kitchen.public_id, on=FRIDAY, by=ADA, now=NOON
    )
    assert order.lines.get().promised == 500


REFUSED = {
    "itself": (("a", "a"), "substitute_of_itself", "cannot stand in for itself: name another strain or grade"),
    "a kit": (("a", "kit"), "no_kits", "A kit has no substitute: only fresh mushrooms do."),
    "instead of a kit": (("kit", "a"), "no_kits", "A kit has no substitute: only fresh mushrooms do."),
    "an unknown grade": (("a", "z"), "unknown_grade", "has no grade 'z': it has a, b."),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_stand_in_is_refused_and_the_old_ones_stay(products: dict[str, Product], case: str) -> None:
    (grade, instead), code, sentence = REFUSED[case]
    kitchen, strain = a_kitchen(), Strain.objects.get(name="Pearl oyster").public_id
    accepts(kitchen, products, "pearl>pink")
    with pytest.raises(Invalid) as told:
        customers.set_substitutes(kitchen.public_id, [(strain, grade, strain, instead)], by=ADA, now=NOON)
    assert told.value.reason_code == code
    assert sentence in told.value.sentence
    assert kitchen.substitutes.count() == 1


def test_a_tier_of_its_own_shares_by_the_farms_one_rule(products: dict[str, Product]) -> None:
    """Rules are the farm's, not a tier's: two kitchens of tier 3 share pro rata what tier 1 leaves."""
    first, *thirds = (a_kitchen(name, postcode=str(n), tier=tier) for n, (name, tier) in enumerate(
        (("The Heron", 1), ("The Gull", 3), ("The Rook", 3))
    ))  # fmt: skip
    in_store(products["pearl"].strain, 4_000)
    for kitchen, grams in ((first, 1_000), (thirds[0], 4_000), (thirds[1], 2_000)):
        a_line(kitchen, products["pearl"], grams, promised=0)
    Shipment.objects.update(cut_off_at=NOON + timedelta(days=2))
    planning.allot(today=TUESDAY, now=NOON, cause="test")
    assert [line.allocated for line in Line.objects.order_by("pk")] == [1_000, 2_000, 1_000]
    assert {str(line.account["rule"]) for line in Line.objects.filter(order__kitchen__in=thirds)} == {"pro_rata"}


NUMBERS = {
    "tier": (0, -1, 6, 99, 2**31, 2**63, 1e308, 2.0, True, "3", None),
    "max_age_days": (0, -1, 15, 365, 2**63, 0.5, True, "7"),
    "chance_pct": (0, 49, 100, 101, -90, 2**63, 90.0, "90"),
    "tolerance_pct": (-1, 26, 100, 2**63, 0.5, True),
}


@pytest.mark.parametrize(("field", "value"), [(field, value) for field in NUMBERS for value in NUMBERS[field]])
def test_a_kitchens_numbers_out_of_their_bounds(products: dict[str, Product], field: str, value: object) -> None:
    kitchen = a_kitchen()
    before = Kitchen.objects.values().get()
    with pytest.raises(Problem, match="This must be a whole number from") as told:
        customers.change_kitchen(kitchen.public_id, by=ADA, now=NOON, **{field: value})  # type: ignore[arg-type]
    assert (told.value.where, told.value.reason_code) == (field, "out_of_range")
    assert Kitchen.objects.values().get() == before


@pytest.mark.parametrize(("begins", "ends"), [(time(12), time(9)), (time(9), time(9)), (time(23, 59), time(0))])
def test_a_delivery_window_that_ends_before_it_begins(products: dict[str, Product], begins: time, ends: time) -> None:
    kitchen = a_kitchen()
    before = Kitchen.objects.values().get()
    with pytest.raises(Invalid, match=r"which is not after it begins at .*: give a later end") as told:
        customers.change_kitchen(kitchen.public_id, window_from=begins, window_to=ends, by=ADA, now=NOON)
    assert (told.value.reason_code, told.value.where) == ("window_closed", "window_to")
    assert Kitchen.objects.values().get() == before


def test_a_kitchen_that_wants_it_fresher_than_it_keeps_or_older(products: dict[str, Product]) -> None:
    """One day old at most means Thursday's harvest for Friday; fourteen reach no further than the strain keeps."""
    in_store(products["pearl"].strain, 500)
    planning.publish(today=TUESDAY, now=NOON)
    for days, promised in ((1, 0), (14, 500)):
        kitchen = a_kitchen(f"The {days}", postcode=str(days), max_age_days=days)
        (offer,) = ordering.check(
            [Asked(products["pearl"].public_id, 500)], kitchen=kitchen.public_id, on=FRIDAY, now=NOON
        )
        assert offer.answer.amount == promised


AMOUNTS = {
    "none": (0, 0, "0 grams is too little"),
    "less than none": (-500, 0, "-500 grams is too little"),
    "half a pack": (250, 0, "comes in packs of 500 g: order 500 g, not 250 g"),
    "a column's end": (2**31, 0, "is too much: at most 100000000 grams"),
    "more than a column": (2**63, 0, "is too much: at most 100000000 grams"),
    "no whole number": (0.5, 0, "This must be a whole number of grams."),
    "a huge float": (1e308, 0, "This must be a whole number of grams."),
    "nothing with a sign": (-0.0, 0, "This must be a whole number of grams."),
    "true": (True, 0, "This must be a whole number of grams."),
    "a text": ("1e3", 0, "This must be a whole number of grams."),
    "a minimum above it": (500, 1_000, "The least that is taken, 1000 grams, is more than the 500 grams that are"),
    "a minimum below none": (500, -1, "-1 grams is too little"),
    "half a minimum": (500, 0.5, "This must be a whole number of grams."),
    "a minimum beyond": (500, 2**63, "is too much: at most 100000000 grams"),
}


@pytest.mark.parametrize("case", AMOUNTS)
def test_an_amount_that_cannot_be_is_the_same_problem_wherever_it_is_asked(
    products: dict[str, Product], case: str
) -> None:
    wanted, least, sentence = AMOUNTS[case]
    kitchen, product = a_kitchen(), products["pearl"]
    planning.publish(today=TUESDAY, now=NOON)
    placed = ordering.place([Asked(product.public_id, 500)], kitchen=kitchen.public_id, on=FRIDAY, by=ADA, now=NOON)
    before = Line.objects.values().get()
    asked = [Asked(product.public_id, wanted, least)]  # type: ignore[arg-type]  # as a careless caller would
    for ask in (
        lambda: ordering.check(asked, kitchen=kitchen.public_id, on=FRIDAY, now=NOON),
        lambda: ordering.place(asked, kitchen=kitchen.public_id, on=FRIDAY, by=ADA, now=NOON),
        lambda: ordering.set_lines(placed.public_id, asked, by=ADA, now=NOON),
    ):
        with pytest.raises(Problem) as told:
            ask()
        assert sentence in told.value.sentence
        assert told.value.where == f"lines.0.{'amount' if wanted != 500 else 'at_least'}"
    assert Line.objects.values().get() == before
