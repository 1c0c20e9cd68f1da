"""Ada's day: readings, what is seen on bags, harvests, opening, sealing, mixing; sometimes written down a day late."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from typing import Final, TypeVar

from fulfilment.core.problems import Conflict, Unconfirmed
from fulfilment.management.demo import place, truth
from fulfilment.management.demo.place import ADA
from fulfilment.management.demo.scene import DRY_G, SPAWN_G, SPAWN_PCT, WET_G, Bags, Fruiting, Mix, Scene
from fulfilment.models import Batch, Lot
from fulfilment.services import growing, holds, kits, stock

MOULD_NIGHT: Final = 18
"""The day on which one pearl batch turns out to be mouldy before it was opened."""
LOT_HELD: Final = 24
INTAKE_HELD: Final = 33
REFUSED: Final = ("Older than a day and warm", "Smells sour", "Milk and sugar in it", "Paper filters and rubbish in it")

Made = TypeVar("Made")


def look(scene: Scene, on: date, now: datetime) -> None:
    """Early morning: rooms are read, bags and crops looked at, ripe mushrooms picked, old lots thrown away."""
    walk(scene, on, now)
    _tidy_store(scene, on, now)
    _holds(scene, on, now)


def walk(scene: Scene, on: date, now: datetime) -> None:
    """Through the rooms, on a day that is today or stands in the paper book."""
    _read_rooms(scene, on, now)
    for bags in scene.batches:
        _look_at_bags(scene, bags, on, now)
    for crop, day in scene.late_harvests:
        _harvest(scene, crop, day, on, now)
    scene.late_harvests.clear()
    for crop in scene.crops:
        if not crop.finished:
            _look_at_crop(scene, crop, on, now)


def mix(scene: Scene, on: date, now: datetime) -> None:
    """Afternoon: some grounds are sent back at the door, and on some weekdays bags are mixed."""
    if scene.chance(0.12):
        _refuse(scene, on, now)
    planned = scene.size.mixes.get(on.weekday())
    if planned is not None:
        start_batch(scene, planned, on=on, now=now)


def lose_a_crop(scene: Scene, on: date, now: datetime) -> str:
    """Flies in the fullest bay: half of a crop that was about to be picked is thrown away, and a short week begins."""
    coming = [
        (sum(grams for day, grams in crop.flush.picks if day > on) * crop.alive, crop)
        for crop in scene.crops
        if crop.kind == "pearl" and not crop.finished and crop.alive > 1
    ]
    if not coming:
        return ""
    _, crop = max(coming, key=lambda pair: (pair[0], pair[1].id))
    gone = (crop.alive + 1) // 2
    growing.log_observation(
        kind="bags_lost", crop=crop.id, bags=gone, cause="flies", seen_on=on, by=ADA, now=now, today=on
    )
    crop.alive -= gone
    return crop.id


# ---- What comes in --------------------------------------------------------------------------------------------------


def receive(scene: Scene, kind: str, *, on: date, now: datetime, grams: int) -> None:
    """Spawn of a strain, and once the goods that last: straw, lime, bags."""
    today = scene.today(on)
    came = growing.log_spawn(
        scene.suppliers[place.SPAWN_FROM],
        strain=scene.strains[kind],
        grams=grams,
        received_on=on,
        supplier_lot=f"TM-{on:%y%j}",
        allergens="rye, millet",
        by=ADA,
        now=now,
        today=today,
    )
    scene.spawn.setdefault(kind, []).append((came.public_id, grams))
    if not scene.inputs:
        for what, pieces in (("straw", 600_000), ("bags", 5_000), ("lime", 50_000)):
            goods = growing.log_input(
                scene.suppliers[place.GOODS_FROM],
                kind=what,
                amount_received=pieces,
                received_on=on,
                allergens="wheat" if what == "straw" else "",
                by=ADA,
                now=now,
                today=today,
            )
            scene.inputs[what] = goods.public_id


def start_batch(scene: Scene, planned: Mix, *, on: date, now: datetime) -> None:
    """Grounds of a few donors and spawn are mixed into bags, and from then on the truth runs its course."""
    today = scene.today(on)
    rng, bags = scene.rng, planned.bags
    grounds = []
    donors = rng.sample(scene.donors, k=min(len(scene.donors), rng.choice((2, 3, 3))))
    for donor in donors:
        grams = 100 * round(bags * 3_050 / len(donors) * rng.uniform(0.95, 1.15) / 100)
        intake = growing.log_intake(
            donor, grams=grams, collected_on=on, hours_since_brewing=rng.randint(3, 22), by=ADA, now=now, today=today
        )
        grounds.append((intake.public_id, grams))
    if sum(left for _, left in scene.spawn.get(planned.kind, [])) < bags * SPAWN_G:
        receive(scene, planned.kind, on=on, now=now, grams=30_000)
    batch = growing.mix_batch(
        scene.strains[planned.kind],
        mixed_on=on,
        bags=bags,
        dry_g_per_bag=DRY_G,
        wet_g_per_bag=WET_G,
        spawn_pct=SPAWN_PCT,
        room=scene.rooms[place.DARK],
        intakes=grounds,
        spawn=_spawn(scene, planned.kind, bags * SPAWN_G),
        inputs=[(scene.inputs["straw"], bags * 300), (scene.inputs["bags"], bags), (scene.inputs["lime"], bags * 20)],
        heat_treatment="65 °C for 8 hours" if rng.random() < 0.3 else "none: fresh grounds",
        recipe="grounds 8 : straw 1",
        kits_wanted=planned.kits,
        by=ADA,
        now=now,
        today=today,
    )
    dark = truth.run(scene.natures[planned.kind], mixed_on=on, bags=bags, rng=rng)
    late = rng.choices((0, 1, 2), (0.75, 0.2, 0.05))[0]
    scene.batches.append(Bags(batch.public_id, planned.kind, on, bags, dark, late))


def _spawn(scene: Scene, kind: str, grams: int) -> list[tuple[str, int]]:
    """The oldest spawn first."""
    taken = []
    left = scene.spawn[kind]
    while grams and left:
        delivery, there = left[0]
        used = min(there, grams)
        taken.append((delivery, used))
        grams -= used
        left[0] = (delivery, there - used)
        if not left[0][1]:
            left.pop(0)
    return taken


def _refuse(scene: Scene, on: date, now: datetime) -> None:
    growing.log_intake(
        scene.rng.choice(scene.donors),
        grams=100 * scene.rng.randint(40, 120),
        collected_on=on,
        hours_since_brewing=scene.rng.randint(26, 60),
        accepted=False,
        refused_because=scene.rng.choice(REFUSED),
        by=ADA,
        now=now,
        today=on,
    )


# ---- In the dark ----------------------------------------------------------------------------------------------------


def _read_rooms(scene: Scene, on: date, now: datetime) -> None:
    warm_spell = 1.5 if 28 <= scene.nth(on) < 31 else 0.0
    for room in place.ROOMS:
        off = scene.rng.gauss(0.0, 0.5) + (warm_spell if room.kind == "fruiting" else 0.0)
        growing.log_reading(
            scene.rooms[room.name], celsius=round(room.celsius + off, 1), at=scene.at(on, time(6)), by=ADA, now=now
        )


def _look_at_bags(scene: Scene, bags: Bags, on: date, now: datetime) -> None:
    if bags.opened:
        return
    dark = bags.dark
    for day, count in sorted(dark.lost.items()):
        if day <= on and f"lost {day}" not in bags.logged:
            bags.logged.add(f"lost {day}")
            _lose_bags(scene, bags, count, day, on, now, cause=scene.rng.choice(("mould", "mould", "wet")))
    if scene.nth(on) == MOULD_NIGHT and bags is _to_be_mouldy(scene, on):
        _lose_bags(scene, bags, bags.bags * 2 // 5, on, on, now, cause="mould")
    for kind, day in (("run_quarter", dark.quarter_on), ("run_half", dark.half_on), ("run_full", dark.full_on)):
        if kind not in bags.logged and day + timedelta(days=bags.late) <= on:
            bags.logged.add(kind)
            growing.log_observation(kind=kind, batch=bags.id, seen_on=day, by=ADA, now=now, today=scene.today(on))
    if "run_full" in bags.logged:
        _use_bags(scene, bags, on, now)


def _to_be_mouldy(scene: Scene, on: date) -> Bags | None:
    """The pearl batch nearest to being grown through."""
    running = [bags for bags in scene.batches if bags.kind == "pearl" and bags.dark.full_on > on]
    return min(running, key=lambda bags: bags.dark.full_on, default=None)


def _lose_bags(scene: Scene, bags: Bags, count: int, seen: date, on: date, now: datetime, *, cause: str) -> None:
    left = Batch.objects.get(public_id=bags.id).bags_left
    if min(count, left) > 0:
        growing.log_observation(
            kind="bags_lost",
            batch=bags.id,
            bags=min(count, left),
            cause=cause,
            seen_on=seen,
            by=ADA,
            now=now,
            today=scene.today(on),
        )


def _use_bags(scene: Scene, bags: Bags, on: date, now: datetime) -> None:
    """Grown-through bags: those meant as kits are sealed, the others opened on the day that the plan proposes."""
    row = Batch.objects.get(public_id=bags.id)
    try:
        to_seal = min(row.kit_quota - stock.in_store(row), row.bags_left)
        if to_seal > 0:
            kits.seal(bags.id, bags=to_seal, sealed_on=on, by=ADA, now=now, today=scene.today(on))
            row.refresh_from_db()
        if row.opens_on is not None and row.opens_on > on:
            return
        if row.bags_left:
            _open(scene, bags, row.bags_left, on, now)
        bags.opened = True
    except Conflict as problem:
        if problem.code not in ("held", "on_hold"):
            raise


def _open(scene: Scene, bags: Bags, count: int, on: date, now: datetime) -> None:
    crop = _sure(
        lambda confirmed: growing.open_crop(
            bags.id,
            bags=count,
            room=scene.rooms[place.FRUITS_IN[bags.kind]],
            opened_on=on,
            by=ADA,
            now=now,
            today=scene.today(on),
            confirmed=confirmed,
        )
    )
    nature = scene.natures[bags.kind]
    effect = bags.dark.effect * scene.rng.lognormvariate(0, nature.yield_spread * 0.7)
    scene.crops.append(
        Fruiting(
            crop.public_id,
            bags.kind,
            count,
            count,
            effect,
            1,
            truth.fruit(nature, flush=1, begun_on=on, bags=count, dry_g=DRY_G, effect=effect, rng=scene.rng),
            late=scene.rng.choices((0, 1, 99), (0.75, 0.15, 0.1))[0],
            last_flush=2 if scene.chance(0.3) else 3,
        )
    )


# ---- In the light ---------------------------------------------------------------------------------------------------


def _look_at_crop(scene: Scene, crop: Fruiting, on: date, now: datetime) -> None:
    if crop.alive and scene.chance(0.003):
        growing.log_observation(
            kind="bags_lost", crop=crop.id, bags=1, cause="flies", seen_on=on, by=ADA, now=now, today=scene.today(on)
        )
        crop.alive -= 1
    if crop.alive <= 0:
        crop.finished = True
        return
    if crop.water_on is not None:
        if crop.water_on <= on:
            _water(scene, crop, on, now)
        return
    flush = crop.flush
    if not crop.pins_logged and flush.pins_on + timedelta(days=crop.late) <= on:
        crop.pins_logged = True
        growing.log_observation(
            kind="pins", crop=crop.id, seen_on=flush.pins_on, by=ADA, now=now, today=scene.today(on)
        )
    if any(day == on for day, _ in flush.picks):
        if scene.chance(0.04) and on != flush.picks[-1][0]:
            scene.late_harvests.append((crop, on))
        else:
            _harvest(scene, crop, on, on, now)


def _harvest(scene: Scene, crop: Fruiting, day: date, on: date, now: datetime) -> None:
    """What is ripe is cut, sorted, weighed, trimmed; the last of a flush says so."""
    if crop.alive <= 0:
        return
    grams = dict(crop.flush.picks)[day]
    last = day == crop.flush.picks[-1][0]
    weights = truth.sort(scene.natures[crop.kind], grams * crop.alive // crop.bags, rng=scene.rng)
    if weights:
        grades = [
            growing.Weighed(grade=each.grade, weighed_g=each.weighed_g, trimmed_g=each.trimmed_g) for each in weights
        ]
        scene.harvested_g += sum(each.trimmed_g for each in weights)
        _sure(
            lambda confirmed: growing.log_harvest(
                crop.id,
                harvested_on=day,
                grades=grades,
                flush_ended=last,
                by=ADA,
                now=now,
                today=scene.today(on),
                confirmed=confirmed,
            )
        )
    if not last:
        return
    if not weights:
        growing.log_observation(kind="flush_ended", crop=crop.id, seen_on=on, by=ADA, now=now, today=scene.today(on))
    if crop.number == truth.LAST_FLUSH:
        crop.finished = True
    elif crop.number == crop.last_flush:
        growing.log_observation(
            kind="finished",
            crop=crop.id,
            seen_on=on,
            by=ADA,
            now=now,
            today=scene.today(on),
            note="spent, to the compost",
        )
        crop.finished = True
    else:
        nature = scene.natures[crop.kind]
        rest = max(5, round(nature.resting * scene.rng.lognormvariate(0, nature.stage_spread)))
        crop.water_on = on + timedelta(days=rest)


def _water(scene: Scene, crop: Fruiting, on: date, now: datetime) -> None:
    growing.log_observation(kind="rewatered", crop=crop.id, seen_on=on, by=ADA, now=now, today=scene.today(on))
    crop.number += 1
    crop.water_on = None
    crop.pins_logged = False
    crop.flush = truth.fruit(
        scene.natures[crop.kind],
        flush=crop.number,
        begun_on=on,
        bags=crop.bags,
        dry_g=DRY_G,
        effect=crop.effect,
        rng=scene.rng,
    )


# ---- In store -------------------------------------------------------------------------------------------------------


def _tidy_store(scene: Scene, on: date, now: datetime) -> None:
    """What is past its date is thrown away, what stands a while dries out, on Saturdays some is sold at the gate."""
    for lot in Lot.objects.filter(kind=Lot.Kind.FRESH, quantity__gt=0).order_by("pk"):
        if lot.best_before < on:
            stock.waste(lot.public_id, quantity=lot.quantity, reason="past its date", by=ADA, now=now, today=on)
        elif lot.ready_on < on - timedelta(days=1) and lot.quantity > 200 and scene.chance(0.4):
            stock.dry_out(lot.public_id, lost_g=max(1, lot.quantity // 60), by=ADA, now=now)
        elif on.weekday() == 5 and lot.quantity > 600:
            try:
                stock.take(lot.public_id, kind="sold_at_gate", quantity=lot.quantity // 4, by=ADA, now=now, today=on)
            except Unconfirmed:
                continue  # it is planned for somebody's order: nobody at the gate gets it


def _holds(scene: Scene, on: date, now: datetime) -> None:
    for until, hold in list(scene.held):
        if until <= on:
            holds.release(hold, by=ADA, now=now)
            scene.held.remove((until, hold))
    if scene.nth(on) == LOT_HELD:
        lot = Lot.objects.filter(kind=Lot.Kind.FRESH, quantity__gt=0).order_by("-pk").first()
        if lot is not None:
            made = holds.hold("lot", lot.public_id, reason="Label washed off, to be checked", by=ADA, now=now)
            scene.held.append((on + timedelta(days=1), made.public_id))
    if scene.nth(on) == INTAKE_HELD:
        newest = Batch.objects.order_by("-pk").first()
        used = newest.from_intakes.order_by("pk").first() if newest is not None else None
        if used is not None:
            made = holds.hold(
                "intake", used.intake.public_id, reason="Donor says a cleaner may have got in", by=ADA, now=now
            )
            scene.held.append((on + timedelta(days=2), made.public_id))


def _sure(ask: Callable[[bool], Made]) -> Made:
    """Asked whether it is right, it is: it was on the scale."""
    try:
        return ask(False)
    except Unconfirmed:
        return ask(True)
