"""Finding one row by the id that people and programs hold, and locking it for a change."""

from __future__ import annotations

from typing import TypeVar

from django.db.models import Model, QuerySet

from fulfilment.core import codes
from fulfilment.core.problems import Missing

Row = TypeVar("Row", bound=Model)


def find(model: type[Row], public_id: str, *, where: str = "") -> Row:
    """The row with this public id as it stands; :class:`Missing` (placed at ``where``) if there is none."""
    return _one(_rows(model), model, public_id, where=where)


def lock(model: type[Row], public_id: str, *, where: str = "") -> Row:
    """The same row, locked until the transaction ends and read after the lock was taken.

    Locks are taken in one order everywhere: key, books by id, batches, lots, shipments, lines, kits, jobs.  Rows that
    only refer to this one are not held up.  SQLite needs no row lock: its transaction holds the whole file.
    """
    return _one(_rows(model).select_for_update(no_key=True), model, public_id, where=where)


def find_in(rows: QuerySet[Row], public_id: str, *, where: str = "") -> Row:
    """The row with this public id among ``rows``; what is not among them does not exist for whoever asks."""
    return _one(rows, rows.model, public_id, where=where)


def lock_all(rows: QuerySet[Row]) -> list[Row]:
    """These rows, locked in the order of their keys, so that two who want the same ones cannot wait for each other."""
    return list(rows.order_by("pk").select_for_update(no_key=True, of=("self",)))


def _rows(model: type[Row]) -> QuerySet[Row]:
    return model._default_manager.all()  # noqa: SLF001 - public by Django's documentation


def _one(rows: QuerySet[Row], model: type[Row], public_id: str, *, where: str) -> Row:
    noun = str(model._meta.verbose_name)  # noqa: SLF001 - public by Django's documentation
    code = codes.tidy(public_id)
    if not code:
        raise Missing(f"This is not the id of a {noun}: ids look like K7Q2-M4XJ.", where=where)
    row = rows.filter(public_id=code).first()
    if row is None:
        raise Missing(f"There is no {noun} {code}.", where=where, id=code)
    return row
