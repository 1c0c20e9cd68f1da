"""The first morning: the farm is set up, its people are entered, and the paper book of the weeks before is typed in."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from typing import Final

from fulfilment.management.demo import place
from fulfilment.management.demo.growers import start_batch, walk
from fulfilment.management.demo.place import ADA, OFFICE
from fulfilment.management.demo.scene import DELIVERY_WEEKDAYS, Scene
from fulfilment.services import caring, customers, farm, growing, standing
from fulfilment.services.ordering import Asked

ROLL_DAYS: Final = 14
HORIZON_DAYS: Final = 21
"""Shorter than a farm would have it, so that eight weeks are lived in a minute; :func:`look_further` ends that."""


def set_up(scene: Scene, now: datetime, *, scenarios: int) -> None:
    """Farm, strains, products, rooms, suppliers, kitchens with their substitutes, donors, and the care programme."""
    farm.set_up(
        place.FARM,
        zone=scene.zone,
        by=OFFICE,
        now=now,
        delivery_weekdays=DELIVERY_WEEKDAYS,
        cut_off_days=1,
        cut_off_time=time(12),
        night_at=time(2),
        scenarios=scenarios,
        seed=scene.seed,
        mail_from=place.MAIL,
        phone=place.PHONE,
        roll_days=ROLL_DAYS,
        horizon_days=HORIZON_DAYS,
        allergen_wording=place.ALLERGENS,
        currency="GBP",
    )
    caring.lay_programme()
    for key, kind in place.KINDS.items():
        strain = farm.register_strain(
            kind.name,
            growth=key,
            kit=key,
            species=kind.species,
            hardy=kind.hardy,
            cold_wait_days=kind.cold_wait_days,
            kit_weeks=kind.kit_weeks,
            by=OFFICE,
            now=now,
        )
        scene.strains[key] = strain.public_id
        for grade, days in kind.keeps:
            farm.keep(strain.public_id, grade=grade, best_before_days=days, by=OFFICE, now=now)
        for grade, price in kind.prices:
            word = "" if grade == "a" else ", second grade"
            sold = farm.add_product(
                strain.public_id,
                grade=grade,
                pack=500,
                price_minor=price,
                name=f"{kind.name}{word}",
                by=OFFICE,
                now=now,
            )
            scene.products[key, grade] = sold.public_id
        kit = farm.add_product(
            strain.public_id,
            grade="kit",
            pack=1,
            price_minor=kind.kit_price,
            name=f"{kind.name} grow kit",
            by=OFFICE,
            now=now,
        )
        scene.products[key, "kit"] = kit.public_id
    for room in place.ROOMS:
        made = farm.add_room(room.name, kind=room.kind, set_point_c=room.celsius, by=ADA, now=now)
        scene.rooms[room.name] = made.public_id
    for number, name in enumerate((place.SPAWN_FROM, place.GOODS_FROM), start=10):
        supplier = growing.add_supplier(
            name, email=f"orders@supplier{number}.example.org", phone=place.phone(number), by=OFFICE, now=now
        )
        scene.suppliers[name] = supplier.public_id
    for number, house in enumerate(place.HOUSES[: scene.size.kitchens], start=100):
        _kitchen(scene, house, number, now=now)
    for number, name in enumerate(place.CAFES, start=30):
        donor = growing.add_donor(name, phone=place.phone(number), by=OFFICE, now=now)
        scene.donors.append(donor.public_id)


def _kitchen(scene: Scene, house: place.House, number: int, *, now: datetime) -> None:
    kitchen = customers.add_kitchen(
        house.name,
        email=house.email,
        phone=place.phone(number),
        tier=house.tier,
        round_name=house.round_name,
        max_age_days=house.max_age_days,
        chance_pct=house.chance_pct,
        window_from=house.window[0],
        window_to=house.window[1],
        address={"street": house.street, "postcode": house.postcode, "town": place.TOWN},
        by=OFFICE,
        now=now,
    )
    scene.kitchens[house.name] = kitchen.public_id
    if house.instead:
        customers.set_substitutes(
            kitchen.public_id,
            [(scene.strains[a], grade, scene.strains[b], other) for a, grade, b, other in house.instead],
            by=OFFICE,
            now=now,
        )
    if house.gives_grounds:
        donor = growing.add_donor(house.name, kitchen=kitchen.public_id, by=OFFICE, now=now)
        scene.donors.append(donor.public_id)


def type_in_paper_book(scene: Scene, now: datetime) -> None:
    """What was mixed, seen, opened and picked in the weeks before the first day, with the days it really happened."""
    for back in range(scene.size.book_days, 0, -1):
        day = scene.first - timedelta(days=back)
        walk(scene, day, now)
        mix = scene.size.mixes.get(day.weekday())
        if mix is not None:
            start_batch(scene, mix, on=day, now=now)


def begin_standing_orders(scene: Scene, now: datetime) -> None:
    """Kitchens agree on their usual in the farm's first days, to begin once there is something to pick."""
    for house in place.HOUSES[: scene.size.kitchens]:
        begun = standing.begin(
            scene.kitchens[house.name],
            lines=[Asked(scene.products[each.strain, each.grade], each.grams, each.at_least) for each in house.usual],
            rule=house.rule,
            starts_on=scene.first + timedelta(days=2),
            by=OFFICE,
            now=now,
        )
        scene.standing[house.name] = begun.public_id


def look_further(now: datetime, *, scenarios: int) -> None:
    """From the next night on the farm plans as far ahead, and draws as many futures, as a farm does."""
    farm.change_farm(scenarios=scenarios, roll_days=28, horizon_days=35, by=OFFICE, now=now)
