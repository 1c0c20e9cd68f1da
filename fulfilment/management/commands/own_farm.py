"""A farm of one's own: asked once for what nothing works without, the rest has a default and can be changed later."""

from __future__ import annotations

import os
import secrets
import sys
from datetime import UTC, datetime, time
from getpass import getpass
from typing import TYPE_CHECKING, Any, Final

from django.contrib.auth import get_user_model
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError
from django.db import transaction

from fulfilment.core.calendar.days import WEEKDAYS
from fulfilment.core.problems import Problem
from fulfilment.models import Farm
from fulfilment.services import caring, farm

if TYPE_CHECKING:
    from django.core.management.base import CommandParser

DEFAULTS: Final = {
    "name": "Our farm",
    "zone": "Etc/UTC",
    "delivery_days": "Mon,Tue,Wed,Thu,Fri",
    "cut_off": "1 day before at 12:00",
    "user": "office",
}
QUESTIONS: Final = {
    "name": "What is the farm called?",
    "zone": "In which time zone is it, by its IANA name?",
    "delivery_days": "On which weekdays does it deliver?",
    "cut_off": "Until when can an order be changed?",
    "user": "Who is the first office user (a login name)?",
}


class Command(BaseCommand):
    help = (
        "Set up an empty farm: name, zone, delivery days, cut-off, first office user. Asks where there is a terminal."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--if-empty", action="store_true", help="do nothing where there is a farm already")
        for name, default in DEFAULTS.items():
            parser.add_argument(
                f"--{name.replace('_', '-')}", dest=name, help=f"also FARM_{name.upper()} (default: {default})"
            )

    def handle(self, *, if_empty: bool, **given: Any) -> None:
        if Farm.objects.exists():
            if not if_empty:
                raise CommandError("There is a farm in this database already: change it on its pages.")
            return
        now = datetime.now(UTC)
        said = {name: self._ask(name, given.get(name)) for name in DEFAULTS}
        days, at = cut_off(said["cut_off"])
        password, shown = self._password(said["user"])
        try:
            with transaction.atomic():
                farm.set_up(
                    said["name"],
                    zone=said["zone"],
                    delivery_weekdays=weekdays(said["delivery_days"]),
                    cut_off_days=days,
                    cut_off_time=at,
                    by=f"user:{said['user']}",
                    now=now,
                )
                caring.lay_programme()
                get_user_model().objects.create_superuser(said["user"], password=password)
        except Problem as problem:
            raise CommandError(problem.sentence) from problem
        self.stdout.write(f"{said['name']} is set up. Next: rooms, strains, products and kitchens, on its pages.")
        if shown:
            self.stdout.write(f"Log in as {said['user']} with the password {password} and change it.")

    def _ask(self, name: str, option: str | None) -> str:
        """The option, else the environment, else a person at the terminal, else the default."""
        given = option or os.environ.get(f"FARM_{name.upper()}", "")
        if given or not sys.stdin.isatty():
            return given or DEFAULTS[name]
        return input(f"{QUESTIONS[name]} [{DEFAULTS[name]}] ").strip() or DEFAULTS[name]

    def _password(self, user: str) -> tuple[str, bool]:
        """The first user's password, and whether it was made up and has to be shown."""
        path = os.environ.get("FARM_PASSWORD_FILE", "")
        given = os.environ.get("FARM_PASSWORD", "")
        if path:
            with open(path) as secret:
                given = secret.read().strip()
        if not given and sys.stdin.isatty():
            given = getpass(f"A password for {user} (empty: one is made up): ")
        if not given:
            return secrets.token_urlsafe(12), True
        try:
            validate_password(given)
        except ValidationError as error:
            raise CommandError(" ".join(error.messages)) from error
        return given, False


def weekdays(text: str) -> list[int]:
    """``Mon, wed,Friday`` as numbers, Monday 0."""
    found = []
    for word in text.replace(" ", ",").split(","):
        if not word:
            continue
        places = [
            place for place, name in enumerate(WEEKDAYS) if len(word) > 1 and name.lower().startswith(word.lower())
        ]
        if len(places) != 1:
            raise CommandError(f"{word!r} is no weekday: write them as Mon,Wed,Fri.")
        found += places
    return found


def cut_off(text: str) -> tuple[int, time]:
    """``1 day before at 12:00``, ``2 12:00`` or ``the same day at 05:00`` as days before and local time."""
    words = text.replace("same", "0").split()
    numbers = [word for word in words if word.isdigit()]
    clocks = [word for word in words if ":" in word]
    if len(numbers) != 1 or len(clocks) != 1:
        raise CommandError(f"{text!r} is no cut-off: write it as '1 day before at 12:00'.")
    try:
        return int(numbers[0]), time.fromisoformat(clocks[0].zfill(5))
    except ValueError as error:
        raise CommandError(f"{clocks[0]!r} is no time of day: write it as 12:00.") from error
