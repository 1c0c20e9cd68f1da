"""What the database itself refuses, on both engines, whoever asks.

Two rules: a lot's quantity is the sum of its entries (a trigger adds each entry; any other way of changing the quantity
is refused, and the table's constraint keeps it at or above zero), and what is append-only is neither changed nor
deleted.

``lay`` runs after every migrate, since SQLite rebuilds a table to alter it and drops its triggers on the way.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from django.core.checks import CheckMessage, Error
from django.db import connections
from django.db.backends.base.base import BaseDatabaseWrapper

APPEND_ONLY: Final = (
    "change",
    "crateentry",
    "event",
    "harvest",
    "kitevent",
    "observation",
    "pick",
    "promise",
    "promisepart",
    "reading",
    "refusal",
    "stockentry",
)

_SQLITE_APPEND_ONLY = """
CREATE TRIGGER {name} BEFORE {verb} ON {table} BEGIN
  SELECT RAISE(ABORT, '{table} is append-only');
END
"""

_SQLITE_LOT = {
    "lot_starts_empty": """
CREATE TRIGGER lot_starts_empty BEFORE INSERT ON fulfilment_lot WHEN NEW.quantity <> 0 BEGIN
  SELECT RAISE(ABORT, 'a lot starts at zero: its entries make its quantity');
END""",
    "lot_is_its_entries": """
CREATE TRIGGER lot_is_its_entries BEFORE UPDATE OF quantity ON fulfilment_lot
WHEN NEW.quantity <> (SELECT COALESCE(SUM(quantity), 0) FROM fulfilment_stockentry WHERE lot_id = NEW.id) BEGIN
  SELECT RAISE(ABORT, 'a lot''s quantity is the sum of its entries');
END""",
    "lot_adds_entry": """
CREATE TRIGGER lot_adds_entry AFTER INSERT ON fulfilment_stockentry BEGIN
  UPDATE fulfilment_lot SET quantity = quantity + NEW.quantity WHERE id = NEW.lot_id;
END""",
}

_POSTGRES_FUNCTIONS = """
CREATE OR REPLACE FUNCTION farm_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  RAISE EXCEPTION '% is append-only', TG_TABLE_NAME USING ERRCODE = 'restrict_violation';
END $$;
CREATE OR REPLACE FUNCTION farm_lot_starts_empty() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  IF NEW.quantity <> 0 THEN
    RAISE EXCEPTION 'a lot starts at zero: its entries make its quantity' USING ERRCODE = 'check_violation';
  END IF;
  RETURN NEW;
END $$;
CREATE OR REPLACE FUNCTION farm_lot_is_its_entries() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  IF NEW.quantity <> (SELECT COALESCE(SUM(quantity), 0) FROM fulfilment_stockentry WHERE lot_id = NEW.id) THEN
    RAISE EXCEPTION 'a lot''s quantity is the sum of its entries' USING ERRCODE = 'check_violation';
  END IF;
  RETURN NEW;
END $$;
CREATE OR REPLACE FUNCTION farm_lot_adds_entry() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  UPDATE fulfilment_lot SET quantity = quantity + NEW.quantity WHERE id = NEW.lot_id;
  RETURN NULL;
END $$;
"""

_POSTGRES_LOT = {
    "lot_starts_empty": (
        "fulfilment_lot",
        "BEFORE INSERT ON fulfilment_lot FOR EACH ROW EXECUTE FUNCTION farm_lot_starts_empty()",
    ),
    "lot_is_its_entries": (
        "fulfilment_lot",
        (
            "BEFORE UPDATE OF quantity ON fulfilment_lot FOR EACH ROW "
            "WHEN (OLD.quantity IS DISTINCT FROM NEW.quantity) EXECUTE FUNCTION farm_lot_is_its_entries()"
        ),
    ),
    "lot_adds_entry": (
        "fulfilment_stockentry",
        "AFTER INSERT ON fulfilment_stockentry FOR EACH ROW EXECUTE FUNCTION farm_lot_adds_entry()",
    ),
}


def expected() -> dict[str, str]:
    """Name of each trigger → the table it stands on."""
    names = {
        "lot_starts_empty": "fulfilment_lot",
        "lot_is_its_entries": "fulfilment_lot",
        "lot_adds_entry": "fulfilment_stockentry",
    }
    for model in APPEND_ONLY:
        for verb in ("update", "delete"):
            names[f"{model}_no_{verb}"] = f"fulfilment_{model}"
    return names


def standing(connection: BaseDatabaseWrapper) -> set[str]:
    """The names of the triggers that are laid now."""
    query = (
        "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal"
        if connection.vendor == "postgresql"
        else "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    )
    with connection.cursor() as cursor:
        cursor.execute(query)
        return {row[0] for row in cursor.fetchall()}


def lift(connection: BaseDatabaseWrapper) -> None:
    """Take all of them away; for a table rebuild and for emptying a test database."""
    there = standing(connection)
    with connection.cursor() as cursor:
        for name, table in expected().items():
            if name in there:
                on = f" ON {table}" if connection.vendor == "postgresql" else ""
                cursor.execute(f"DROP TRIGGER {name}{on}")


def lay(connection: BaseDatabaseWrapper) -> None:
    """Lay them all again, as this version of the code wants them."""
    lift(connection)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(_POSTGRES_FUNCTIONS)
            for name, (_, clause) in _POSTGRES_LOT.items():
                cursor.execute(f"CREATE TRIGGER {name} {clause}")
        else:
            for statement in _SQLITE_LOT.values():
                cursor.execute(statement)
        for model in APPEND_ONLY:
            for verb in ("update", "delete"):
                name, table = f"{model}_no_{verb}", f"fulfilment_{model}"
                if connection.vendor == "postgresql":
                    cursor.execute(
                        f"CREATE TRIGGER {name} BEFORE {verb.upper()} ON {table} "
                        "FOR EACH ROW EXECUTE FUNCTION farm_append_only()"
                    )
                else:
                    cursor.execute(_SQLITE_APPEND_ONLY.format(name=name, verb=verb.upper(), table=table))


def after_migrate(*, using: str, **_: Any) -> None:
    """The receiver of ``post_migrate``."""
    lay(connections[using])


def missing(*, databases: Sequence[str] | None = None, **_: Any) -> list[CheckMessage]:
    """System check ``fulfilment.E020``: a trigger that should stand does not."""
    found: list[CheckMessage] = []
    for alias in databases or ():
        connection = connections[alias]
        if "fulfilment_lot" not in connection.introspection.table_names():
            continue
        gone = sorted(set(expected()) - standing(connection))
        if gone:
            found.append(
                Error(
                    f"The database lacks the triggers {', '.join(gone)}: lots and ledgers are not guarded.",
                    hint="Run manage.py migrate; it lays them again.",
                    id="fulfilment.E020",
                )
            )
    return found
