"""A copy of the farm in one file, made while it runs."""

from __future__ import annotations

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
    help = "Keep a copy of the farm: database, signing key and media in one file. The farm may go on running."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--to", type=Path, help="the file to make (default: var/backups/farm-<time>.tar.gz)")

    def handle(self, *, to: Path | None, **_: Any) -> None:
        now = datetime.now(UTC)
        try:
            kept = keeping.keep((to or keeping.usual_place(now)).absolute(), now=now)
        except Problem as problem:
            raise CommandError(problem.sentence) from problem
        except (OSError, DatabaseError) as error:
            raise CommandError(f"No copy was kept: {error}") from error
        self.stdout.write(f"Kept in {kept.path} ({in_bytes(kept.size)}), with {kept.manifest.words()}.")
        self.stdout.write(
            "It holds personal data and the key that links are signed with: keep it like the farm itself, locked away, "
            "and not only on this machine."
        )
