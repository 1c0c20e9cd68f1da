"""``manage.py make_key NAME --scopes a,b``: a key for a program, shown once."""

from __future__ import annotations

from argparse import ArgumentParser
from datetime import UTC, datetime
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fulfilment.core.problems import Problem
from fulfilment.models import Kitchen
from fulfilment.services import keys, rows


class Command(BaseCommand):
    help = "Make a key for a program and print its secret once."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("name", help="What the key is for, so that it can be told apart.")
        parser.add_argument("--scopes", required=True, help=f"Of {', '.join(keys.SCOPES)}, with commas between.")
        parser.add_argument("--kitchen", default="", help="The kitchen's id, for a key of the scope kitchen.")

    def handle(self, *args: Any, **options: Any) -> None:
        now = datetime.now(UTC)
        try:
            kitchen = rows.find(Kitchen, options["kitchen"], where="kitchen") if options["kitchen"] else None
            _, secret = keys.make(
                options["name"], scopes=options["scopes"].split(","), kitchen=kitchen, by="user:command", now=now
            )
        except Problem as problem:
            raise CommandError(problem.sentence) from problem
        self.stdout.write(secret)
