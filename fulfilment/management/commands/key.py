"""``manage.py key make|list|rotate|revoke``: keys for programs, from the command line; a secret is printed once."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from django.core.management.base import BaseCommand, CommandError

from fulfilment.core.problems import Problem
from fulfilment.models import ApiKey, Kitchen
from fulfilment.services import keys, rows

if TYPE_CHECKING:
    from django.core.management.base import CommandParser

BY = "user:command"


class Command(BaseCommand):
    help = "Keys for programs: make one, list them, make a new one in a key's place, end one."

    def add_arguments(self, parser: CommandParser) -> None:
        verbs = parser.add_subparsers(dest="verb", required=True)
        make = verbs.add_parser("make", help="make a key and print its secret once")
        make.add_argument("name", help="what it is for, so that it can be told apart")
        make.add_argument("--scopes", required=True, help=f"of {', '.join(keys.SCOPES)}, with commas between")
        make.add_argument("--kitchen", default="", help="the kitchen's id, for a key of the scope kitchen")
        make.add_argument("--until", type=date.fromisoformat, help="the last day it works, YYYY-MM-DD (default: none)")
        listed = verbs.add_parser("list", help="the keys that work, newest first")
        listed.add_argument("--all", action="store_true", help="also those that have ended")
        rotate = verbs.add_parser("rotate", help="print a new secret; the old one works for some days more")
        rotate.add_argument("prefix", help="the first eight signs of the old one")
        rotate.add_argument("--days", type=int, default=keys.OLD_KEY_LIVES.days, help="how long the old one works on")
        revoke = verbs.add_parser("revoke", help="end a key at once")
        revoke.add_argument("prefix", help="its first eight signs")

    def handle(self, *, verb: str, **options: Any) -> None:
        now = datetime.now(UTC)
        try:
            getattr(self, f"_{verb}")(options, now=now)
        except Problem as problem:
            raise CommandError(problem.sentence) from problem

    def _make(self, options: dict[str, Any], *, now: datetime) -> None:
        kitchen = rows.find(Kitchen, options["kitchen"], where="kitchen") if options["kitchen"] else None
        until = options["until"]
        _, secret = keys.make(
            options["name"], scopes=options["scopes"].split(","), kitchen=kitchen,
            expires_at=keys.end_of(until) if until is not None else None, by=BY, now=now,
        )  # fmt: skip
        self.stdout.write(secret)

    def _list(self, options: dict[str, Any], *, now: datetime) -> None:
        for key in ApiKey.objects.select_related("kitchen").order_by("-created"):
            works = keys.works(key, now=now)
            if works or options["all"]:
                ends = "ended" if not works else f"ends {key.expiry_date:%Y-%m-%d %H:%M} UTC" if key.expiry_date else ""
                used = f"used {key.last_used_on}" if key.last_used_on else "never used"
                whose = f"kitchen {key.kitchen}" if key.kitchen else ", ".join(key.scopes)
                self.stdout.write("  ".join(filter(None, [key.prefix, whose, key.name, used, ends])))

    def _rotate(self, options: dict[str, Any], *, now: datetime) -> None:
        _, secret = keys.rotate(options["prefix"], old_lives=timedelta(days=options["days"]), by=BY, now=now)
        self.stdout.write(secret)

    def _revoke(self, options: dict[str, Any], *, now: datetime) -> None:
        keys.revoke(options["prefix"], by=BY, now=now)
        self.stdout.write(f"Key {options['prefix']} works no more.")
