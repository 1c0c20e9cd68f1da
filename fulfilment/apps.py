"""The app's start: the bell is hung, the system checks are registered, the triggers are laid after every migrate."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.apps import AppConfig
from django.conf import settings
from django.core import checks
from django.db import connections
from django.db.models.signals import post_migrate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from django.core.checks import CheckMessage


class FulfilmentConfig(AppConfig):
    name = "fulfilment"
    verbose_name = "Farm"

    def ready(self) -> None:
        from farm_orders.checks import CHECKS
        from fulfilment import bell

        for check in CHECKS:
            checks.register(check)
        checks.register(triggers_stand, checks.Tags.database)
        post_migrate.connect(lay_triggers, sender=self)
        if settings.REDIS_URL:
            # Imported only where there is a broker: a farm without one starts without Celery.
            from farm_orders.celery import doorbell

            bell.hang(doorbell.ring)


def lay_triggers(*, using: str, **_: Any) -> None:
    """SQLite rebuilds a table to alter it and drops its triggers on the way, so they are laid anew each time."""
    from fulfilment.models import triggers

    connection = connections[using]
    if set(triggers.expected().values()) <= set(connection.introspection.table_names()):
        triggers.lay(connection)


def triggers_stand(*, databases: Sequence[str] | None = None, **_: Any) -> list[CheckMessage]:
    """What the database itself must refuse, it does refuse.  A warning only: `migrate` checks before it can mend."""
    from fulfilment.models import triggers

    found: list[CheckMessage] = []
    for alias in databases or ():
        connection = connections[alias]
        tables = set(connection.introspection.table_names())
        standing = triggers.standing(connection)
        missing = [name for name, table in triggers.expected().items() if table in tables and name not in standing]
        if missing:
            found.append(
                checks.Warning(
                    f"The database lacks the triggers {', '.join(sorted(missing))}.",
                    hint="`manage.py migrate` lays them.",
                    id="fulfilment.W003",
                )
            )
    return found
