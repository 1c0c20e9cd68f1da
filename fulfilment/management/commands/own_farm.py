"""A farm of one's own: asked once for what nothing works without, the rest has a default and can be changed later."""

from __future__ import annotations

import os
import secrets
import sys
from datetime import UTC, datetime, time
from getpass import getpass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple
from zoneinfo import available_timezones

from django.contrib.auth.models import User
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError
from django.db import transaction

from fulfilment.core.calendar import FarmCalendar
from fulfilment.core.calendar.days import WEEKDAYS
from fulfilment.core.problems import Problem
from fulfilment.models import Farm
from fulfilment.read.farm import today
from fulfilment.read.first_steps import first_steps
from fulfilment.services import caring, farm, given, people
from fulfilment.services.first_steps import confirm_delivery_days

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from django.core.management.base import CommandParser


class Question(NamedTuple):
    """What is asked at a terminal, what an empty answer means, and what reads the answer (or says what is wrong)."""

    words: str
    default: str
    read: Callable[[str], object]


def _name(text: str) -> str:
    return given.text(text, where="name", at_most=120)


def zone_named(text: str) -> str:
    """An IANA name, or the town in it where only one zone has it: ``London`` is Europe/London."""
    town = text.strip().title().replace(" ", "_")
    named = [name for name in available_timezones() if name.count("/") == 1 and name.endswith(f"/{town}")]
    return given.zone(named[0] if len(named) == 1 else text)


def _country(text: str) -> str:
    """Two letters whose public holidays are known, or nothing."""
    letters = "" if text.lower() in ("", "none", "no", "-") else text.upper()
    FarmCalendar(zone="Etc/UTC", country=letters)
    return letters


def _currency(text: str) -> str:
    code = text.upper()
    if len(code) != 3 or not code.isascii() or not code.isalpha():
        raise CommandError(f"{text!r} is no currency: write its three letters (ISO 4217), such as EUR.")
    return code


def weekdays(text: str) -> list[int]:
    """``Mon, wed,Friday`` as numbers, Monday 0."""
    found = []
    for word in text.replace("&", " ").replace(",", " ").split():
        if word.lower() == "and":
            continue
        places = [
            place for place, name in enumerate(WEEKDAYS) if len(word) > 1 and name.lower().startswith(word.lower())
        ]
        if len(places) != 1:
            raise CommandError(f"{word!r} is no weekday: write them as Mon,Wed,Fri.")
        found += places
    if not found:
        raise CommandError("At least one weekday must have deliveries: write them as Mon,Wed,Fri.")
    return found


def cut_off(text: str) -> tuple[int, time]:
    """``1 day before at 12:00``, ``2 12:00``, ``noon the day before`` or ``the same day at 05:00`` as days before and
    local time.
    """
    words = text.lower().replace("same", "0").replace("noon", "12:00").split()
    if "the day before" in text.lower() and not any(word.isdigit() for word in words):
        words.append("1")
    numbers = [word for word in words if word.isdigit()]
    clocks = [word for word in words if ":" in word]
    if len(numbers) != 1 or len(clocks) != 1:
        raise CommandError(f"{text!r} is no cut-off: write it as '1 day before at 12:00'.")
    try:
        return int(numbers[0]), time.fromisoformat(clocks[0].zfill(5))
    except ValueError as error:
        raise CommandError(f"{clocks[0]!r} is no time of day: write it as 12:00.") from error


QUESTIONS: Final[Mapping[str, Question]] = {
    "name": Question("What is the farm called?", "Our farm", _name),
    "zone": Question("In which time zone is it, by its IANA name (Europe/Berlin)?", "Etc/UTC", zone_named),
    "country": Question(
        "Whose public holidays have no deliveries? Two letters of a country (DE), or none:", "none", _country
    ),
    "currency": Question("In which currency are the prices?", "EUR", _currency),
    "delivery_days": Question("On which weekdays does it deliver?", "Mon,Tue,Wed,Thu,Fri", weekdays),
    "cut_off": Question(
        "Until when can an order be changed, counted from its delivery?", "1 day before at 12:00", cut_off
    ),
    "user": Question("Who is the first office user (a login name, one word)?", "office", people.login_name),
}


class Command(BaseCommand):
    help = (
        "Set up an empty farm: name, zone, holidays, currency, delivery days, cut-off, first office user. Asks where "
        "there is a terminal."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--if-empty", action="store_true", help="do nothing where there is a farm already")
        for name, question in QUESTIONS.items():
            parser.add_argument(
                f"--{name.replace('_', '-')}",
                dest=name,
                help=f"also FARM_{name.upper()} (default: {question.default})",
            )

    def handle(self, *, if_empty: bool, **options: Any) -> None:
        if Farm.objects.exists():
            if not if_empty:
                raise CommandError("There is a farm in this database already: change it on its pages.")
            return
        try:
            self._set_up(options)
        except Problem as problem:
            raise CommandError(problem.sentence) from problem
        except (KeyboardInterrupt, EOFError) as error:
            raise CommandError("Broken off: nothing was written. Start again when you like.") from error

    def _set_up(self, options: Mapping[str, Any]) -> None:
        if _at_terminal():
            self.stdout.write("A few questions; an empty answer takes what stands in [brackets], and all but the time")
            self.stdout.write("zone is easily changed later.")
        said: dict[str, Any] = {name: self._ask(name, options.get(name)) for name in QUESTIONS}
        user = said["user"]
        password, shown = self._password(user)
        now = datetime.now(UTC)
        by = f"user:{user}"
        days, at = said["cut_off"]
        with transaction.atomic():
            farm.set_up(
                said["name"],
                zone=said["zone"],
                holiday_country=said["country"],
                currency=said["currency"],
                delivery_weekdays=said["delivery_days"],
                cut_off_days=days,
                cut_off_time=at,
                by=by,
                now=now,
            )
            if any(_given(name, options.get(name)) for name in ("delivery_days", "cut_off")) or _at_terminal():
                confirm_delivery_days(by=by, now=now)
            caring.lay_programme()
            people.add_user(user, password=password, roles=[people.OFFICE], administrator=True, by=by, now=now)
        self.stdout.write(f"{said['name']} is set up. What comes next, in this order:")
        for step in first_steps(today=today(now), now=now):
            if not step.done:
                self.stdout.write(f"  - {step.title}")
        if shown:
            self.stdout.write(f"Sign in as {user} with the password {password} and change it.")
        else:
            self.stdout.write(f"Sign in as {user} with the password you gave.")

    def _ask(self, name: str, option: str | None) -> object:
        """The option, else the environment, else a person at the terminal (again until it can be read), else the
        default.
        """
        question = QUESTIONS[name]
        text = _given(name, option)
        if text or not _at_terminal():
            return question.read(text or question.default)
        default = (_zone_of_this_machine() or question.default) if name == "zone" else question.default
        while True:
            try:
                return question.read(input(f"{question.words} [{default}] ").strip() or default)
            except CommandError as error:
                self.stderr.write(str(error))
            except Problem as problem:
                self.stderr.write(problem.sentence)

    def _password(self, user: str) -> tuple[str, bool]:
        """The first user's password, and whether it was made up and has to be shown."""
        path = os.environ.get("FARM_PASSWORD_FILE", "")
        password = os.environ.get("FARM_PASSWORD", "")
        if path:
            password = Path(path).read_text().strip()
        if password:
            try:
                validate_password(password, User(username=user))
            except ValidationError as error:
                raise CommandError(" ".join(error.messages)) from error
            return password, False
        while _at_terminal():
            password = getpass(f"A password for {user} (empty: one is made up): ")
            if not password:
                break
            try:
                validate_password(password, User(username=user))
            except ValidationError as error:
                self.stderr.write(" ".join(error.messages))
                continue
            if getpass("The same once more: ") == password:
                return password, False
            self.stderr.write("The two are not the same.")
        return secrets.token_urlsafe(12), True


def _given(name: str, option: str | None) -> str:
    return option or os.environ.get(f"FARM_{name.upper()}", "")


def _at_terminal() -> bool:
    return sys.stdin.isatty()


def _zone_of_this_machine() -> str:
    """A guess to show in brackets: where the machine stands, the farm mostly does too."""
    named = os.environ.get("TZ", "").removeprefix(":")
    if not named:
        try:
            named = str(Path("/etc/localtime").readlink()).partition("zoneinfo/")[2]
        except OSError:
            return ""
    try:
        return zone_named(named)
    except Problem:
        return ""
