"""The people with a kit on their window sill: they start late, forget to say so, are given one, have trouble."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Final

from fulfilment.management.demo import place
from fulfilment.management.demo.scene import Holding, Scene
from fulfilment.models import Kit
from fulfilment.services import kits

SILENT: Final = 0.2
TROUBLED: Final = 4
"""The how manieth kit sent turns mouldy."""
WARMTHS: Final = ("cool", "normal", "normal", "normal", "warm")


def report(scene: Scene, on: date, now: datetime) -> None:
    """Evening: what holders tell of their kits."""
    for kit in Kit.objects.filter(state="sent").select_related("holder", "line__order").order_by("pk"):
        if kit.public_id not in scene.holdings:
            scene.holdings[kit.public_id] = Holding(kit.public_id, _course(scene, kit, on))
    for holding in scene.holdings.values():
        while holding.steps and holding.steps[0][0] <= on:
            day, kind = holding.steps.pop(0)
            _do(scene, holding, kind, day, now)


def _course(scene: Scene, kit: Kit, sent_on: date) -> list[tuple[date, str]]:
    """What will happen with a kit, and when; truth of its own, a few days off any profile."""
    rng = scene.rng
    started = sent_on + timedelta(days=rng.randint(2, 6))
    pins = started + timedelta(days=rng.randint(5, 10))
    ripe = pins + timedelta(days=rng.randint(4, 7))
    done = ripe + timedelta(days=rng.randint(1, 3))
    watered = done + timedelta(days=rng.randint(8, 12))
    again = watered + timedelta(days=rng.randint(5, 9))
    steps = [
        (started, "started"),
        (pins, "pins"),
        (ripe, "harvested_first"),
        (done, "harvested_all"),
        (watered, "rewatered"),
    ]
    steps.append((again, "pins"))
    gift = kit.line is not None and kit.line.order.gift
    if len(scene.holdings) == TROUBLED:
        steps = [(started, "started"), (started + timedelta(days=6), "trouble")]
    elif rng.random() < SILENT and not gift:
        steps = []
    elif rng.random() < 0.3:
        steps = [step for step in steps if step[1] != "pins"]
    if gift:
        steps.insert(0, (sent_on + timedelta(days=1), "join"))
    elif rng.random() < 0.25:
        steps.insert(0, (sent_on + timedelta(days=1), "room"))
    return sorted(steps, key=lambda step: step[0])


def _do(scene: Scene, holding: Holding, kind: str, day: date, now: datetime) -> None:
    kit = Kit.objects.select_related("holder").get(public_id=holding.kit)
    by = f"holder:{kit.holder.public_id}" if kit.holder is not None else "staff"
    if kind == "join":
        name, email = place.RECEIVER
        kits.join(kit.joining_code, email=email, name=name, zone=scene.zone, warmth="normal", now=now)
    elif kind == "room":
        kits.set_room(kit.public_id, warmth=scene.rng.choice(WARMTHS), by=by, now=now)
    elif kind == "trouble":
        kits.record(
            kit.public_id, kind="trouble", on=day, trouble="mould", note="green spots at the cut", by=by, now=now
        )
    elif kit.state not in ("finished", "replaced"):
        kits.record(kit.public_id, kind=kind, on=day, by=by, now=now)
