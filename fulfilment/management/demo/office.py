"""Olive's day: orders by telephone, changes and skips of the usual, kit orders from the web shop."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Final

from fulfilment.management.demo import place
from fulfilment.management.demo.place import OFFICE
from fulfilment.management.demo.scene import Scene, next_delivery
from fulfilment.models import Order, StandingOrder
from fulfilment.services import customers, ordering, standing
from fulfilment.services.ordering import Asked

HOLIDAY: Final = 30
"""The day on which one kitchen says that it will be closed for a week."""
GIFTS: Final = (3, 11, 17)
"""Which of the kit orders are gifts."""
LAST_KITS_BEFORE_END: Final = 0


def orders(scene: Scene, on: date, now: datetime, *, days: int) -> None:
    """Late morning: whatever the telephone brings."""
    _close_the_books(on, now)
    if scene.nth(on) < 6:
        return
    if scene.chance(0.35):
        _one_off(scene, on, now)
    if scene.chance(0.15):
        _amend(scene, on, now)
    if scene.chance(0.25):
        _change_usual(scene, on, now)
    if scene.nth(on) == HOLIDAY:
        _pause(scene, on, now)
    due = scene.size.kit_orders * (scene.nth(on) - 6) // max(1, days - 6 - LAST_KITS_BEFORE_END)
    while scene.kit_orders_placed < min(due, scene.size.kit_orders):
        if not _kits(scene, on, now):
            break


def _close_the_books(on: date, now: datetime) -> None:
    """What could not go out on its day at all is taken off the books, with the reason."""
    left = Order.objects.filter(
        on__lt=on,
        cancelled_at__isnull=True,
        lines__cancelled_at__isnull=True,
        lines__shipment__state="placed",
        lines__picked=0,
    ).exclude(lines__picked__gt=0)
    for order in left.distinct().order_by("pk"):
        ordering.cancel(order.public_id, because="nothing came in time", by=OFFICE, now=now)


def _one_off(scene: Scene, on: date, now: datetime) -> None:
    """Something extra for a feast; now and then staff promise it knowingly below the asked chance."""
    rng = scene.rng
    house = rng.choice(place.HOUSES[: scene.size.kitchens])
    kind, grade = rng.choice((("pearl", "a"), ("pearl", "a"), ("golden", "a"), ("pink", "a"), ("pearl", "b")))
    lines = [Asked(scene.products[kind, grade], 500 * rng.randint(1, 3))]
    if rng.random() < 0.3:
        other = "golden" if kind != "golden" else "pearl"
        lines.append(Asked(scene.products[other, "a"], 500))
    order = ordering.place(
        lines,
        kitchen=scene.kitchens[house.name],
        on=next_delivery(on, after=rng.randint(2, 9)),
        by=OFFICE,
        now=now,
        reference=f"phone {on:%d%m}",
        below_chance=rng.random() < 0.1,
    )
    scene.on_placed(order, now)


def _amend(scene: Scene, on: date, now: datetime) -> None:
    """Another amount, or nothing after all, of an order that can still be changed."""
    open_ones = Order.objects.filter(
        kitchen__isnull=False, standing_order__isnull=True, cancelled_at__isnull=True, on__gt=on + timedelta(days=1)
    ).order_by("pk")
    order = scene.rng.choice([*open_ones]) if open_ones else None
    if order is None:
        return
    if scene.chance(0.2):
        ordering.cancel(order.public_id, because="the feast is off", by=OFFICE, now=now)
        return
    line = order.lines.filter(cancelled_at__isnull=True).order_by("number").first()
    if line is not None:
        to = max(500, line.ordered + scene.rng.choice((-500, 500, 1000)))
        if to != line.ordered:
            ordering.change_line(order.public_id, number=line.number, to=to, by=OFFICE, now=now)
            order.refresh_from_db()
            scene.on_placed(order, now)


def _change_usual(scene: Scene, on: date, now: datetime) -> None:
    """A kitchen skips one of its dates, or wants more or less of its first product that day."""
    house = scene.rng.choice(sorted(scene.standing))
    usual = StandingOrder.objects.get(public_id=scene.standing[house])
    dates = [
        day
        for day in standing.coming(usual, first=on + timedelta(days=2), last=on + timedelta(days=24))
        if (house, day) not in scene.spoken_for
    ]
    if not dates:
        return
    day = scene.rng.choice(dates[:4])
    scene.spoken_for.add((house, day))
    by = f"kitchen:{scene.kitchens[house]}"
    if scene.chance(0.4):
        standing.skip(usual.public_id, on=day, by=by, now=now)
        return
    first = usual.lines.order_by("pk").select_related("product").first()
    if first is not None:
        wanted = max(first.product.pack, first.amount + first.product.pack * scene.rng.choice((-1, 1, 2)))
        standing.change(usual.public_id, on=day, amounts={first.product.public_id: wanted}, by=by, now=now)


def _pause(scene: Scene, on: date, now: datetime) -> None:
    house = max(scene.standing)
    first = on + timedelta(days=9)
    last = first + timedelta(days=6)
    usual = StandingOrder.objects.get(public_id=scene.standing[house])
    if not any((house, day) in scene.spoken_for for day in standing.coming(usual, first=first, last=last)):
        standing.pause(usual.public_id, first=first, last=last, by=f"kitchen:{scene.kitchens[house]}", now=now)
    scene.spoken_for |= {(house, first + timedelta(days=i)) for i in range(7)}


# ---- Kits -----------------------------------------------------------------------------------------------------------


def _kits(scene: Scene, on: date, now: datetime) -> bool:
    """A buyer orders kits for the first day on which they can all be promised; False while there are none."""
    rng, number = scene.rng, scene.kit_orders_placed
    pieces = rng.choices((1, 2, 3), (0.75, 0.2, 0.05))[0]
    buyer = _buyer(scene, place.BUYERS[number % len(place.BUYERS)], number, now)
    kinds = sorted(place.KINDS, key=lambda kind: (rng.random() * (0.5 if kind == "pearl" else 1.0), kind))
    soon = next_delivery(on, after=2)
    for kind in kinds:
        wanted = [Asked(scene.products[kind, "kit"], pieces)]
        (offer,) = ordering.check(wanted, buyer=buyer, on=soon, now=now)
        day = soon if offer.answer.amount == pieces else offer.answer.first_full_on
        if day is not None:
            gift = number in GIFTS
            order = ordering.place(
                wanted,
                buyer=buyer,
                on=day,
                gift=gift,
                greeting="Something to watch grow" if gift else "",
                by="shop",
                way="collected" if number % 9 == 5 else "",
                now=now,
            )
            scene.kit_orders_placed += 1
            scene.on_placed(order, now)
            return True
    return False


def _buyer(scene: Scene, name: str, number: int, now: datetime) -> str:
    if name not in scene.buyers:
        street = scene.rng.choice(place.STREETS)
        made = customers.add_buyer(
            name,
            email=place.buyer_email(name),
            zone=scene.zone,
            phone=place.phone(200 + number),
            address={
                "street": f"{scene.rng.randint(1, 80)} {street}",
                "postcode": f"OM{3 + number % 6} 1",
                "town": place.TOWN,
            },
            by="shop",
            now=now,
        )
        scene.buyers[name] = made.public_id
    return scene.buyers[name]
