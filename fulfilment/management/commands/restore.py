"""A kept copy put back in the farm's place."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from django.core.management.base import BaseCommand, CommandError
from django.db import DatabaseError

from fulfilment.core.problems import Problem
from fulfilment.management.copies import keeping
from fulfilment.management.copies.archive import in_bytes

if TYPE_CHECKING:
    from django.core.management.base import CommandParser


class Command(BaseCommand):
    help = "Put a copy made by `backup` in the farm's place. End the farm first; nothing is changed unless all is well."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path, help="the copy")
        parser.add_argument(
            "--replace", action="store_true", help="over the farm that is there, of which a copy is kept first"
        )

    def handle(self, *, file: Path, replace: bool, **_: Any) -> None:
        try:
            done = keeping.restore(file.absolute(), replace=replace, now=datetime.now(UTC))
        except Problem as problem:
            raise CommandError(problem.sentence) from problem
        except (OSError, DatabaseError, sqlite3.Error) as error:
            raise CommandError(f"The copy was not put back: {error}") from error
        if done.before is not None:
            self.stdout.write(f"What was there is kept in {done.before.path} ({in_bytes(done.before.size)}).")
        if done.damaged is not None:
            self.stdout.write(f"What was there could not be read; the file lies in {done.damaged}.")
        self.stdout.write(
            f"The farm of {done.manifest.made_at[:16].replace('T', ' ')} UTC is back, with {done.manifest.words()}."
        )
        if not done.key_in_use:
            self.stdout.write(
                "SECRET_KEY comes from the environment and is not this copy's: links sent before open again once it, "
                "or SECRET_KEY_FALLBACKS, has what is now in var/secret_key."
            )
        self.stdout.write(
            "What happened since the copy was made is not in it: mails that went out meanwhile may go out again, and "
            "stock is to be counted before the next pick."
        )
