"""The invented farm with eight weeks behind it, made by living them through the services."""

from __future__ import annotations

import gc
import os
import secrets
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING, Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.db import transaction

from fulfilment.core.calendar import farm_day
from fulfilment.management.demo import place
from fulfilment.management.demo.setting import look_further
from fulfilment.management.demo.world import World
from fulfilment.models import Farm
from fulfilment.services import people

if TYPE_CHECKING:
    from collections.abc import Mapping

    from django.core.management.base import CommandParser

DAYS = 56
SCENARIOS_WHILE_BUILDING = 100
SCENARIOS = 1000
KITCHEN = "The Copper Ladle"
STAFF = {"olive": "office", "ada": "grower", "ben": "packing"}
CHEF = "cleo"


class Command(BaseCommand):
    help = "Fill an empty database with an invented farm and eight weeks of its history."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--if-empty", action="store_true", help="do nothing where there is a farm already")
        parser.add_argument("--days", type=int, default=DAYS, help=f"days of history (default {DAYS})")
        parser.add_argument("--seed", type=int, default=7, help="another seed is another history (default 7)")
        parser.add_argument("--zone", default="Etc/UTC", help="the farm's time zone by its IANA name")

    def handle(self, *, if_empty: bool, days: int, seed: int, zone: str, **_: Any) -> None:
        if Farm.objects.exists():
            if not if_empty:
                raise CommandError("There is a farm in this database already: the invented one needs an empty one.")
            return
        if days < 1:
            raise CommandError("A history has at least one day.")
        today = farm_day(datetime.now(UTC), zone)
        world = World(
            first=today - timedelta(days=days), days=days, zone=zone, seed=seed, scenarios=SCENARIOS_WHILE_BUILDING
        )
        begun = perf_counter()
        # Eight weeks make millions of short-lived rows and hardly a cycle: looking for them seldom saves a tenth.
        gc.set_threshold(100_000, 20, 100)
        # One transaction: a build that is broken off leaves the database as empty as it was.
        with transaction.atomic():
            for number, day in enumerate(world.each_day(), start=1):
                for hour in world.hours(day):
                    hour.do()
                if number == days:
                    loss = world.lose_a_crop(day)
                    loss.do()
                    look_further(loss.now, scenarios=SCENARIOS)
                if number % 7 == 0 or number == days:
                    self.stdout.write(f"  {number} of {days} days lived, {perf_counter() - begun:.1f} s")
                    self.stdout.flush()
            logins = _let_in(world.scene.kitchens[KITCHEN], now=datetime.now(UTC))
        _write_down(logins)
        self.stdout.write(f"The invented farm stands. Sign in as one of these (kept in {_note()}):")
        for name, (whom, password) in logins.items():
            self.stdout.write(f"  {name.ljust(6)} {password}   {whom}")


def _let_in(kitchen: str, *, now: datetime) -> dict[str, tuple[str, str]]:
    """The invented people's logins, by name: what each is, and a password of its own on every installation."""
    logins: dict[str, tuple[str, str]] = {}
    for name, role in STAFF.items():
        password = secrets.token_urlsafe(9)
        people.add_user(
            name, password=password, roles=[role], administrator=role == people.OFFICE, by=place.OFFICE, now=now
        )
        logins[name] = (role, password)
    password = secrets.token_urlsafe(9)
    people.add_user(CHEF, password=password, kitchen=kitchen, by=place.OFFICE, now=now)
    logins[CHEF] = (f"kitchen {KITCHEN}", password)
    return logins


def _note() -> Path:
    return Path(settings.VAR_DIR) / "demo_login.txt"


def _write_down(logins: Mapping[str, tuple[str, str]]) -> None:
    with open(os.open(_note(), os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as note:
        note.writelines(f"{name} {password} {whom}\n" for name, (whom, password) in logins.items())
