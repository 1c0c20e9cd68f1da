"""Finding one row by the id that people and programs hold, and locking it for a change."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from django.db.models import Model, QuerySet

from fulfilment.core import codes
from fulfilment.core.problems import Missing

if TYPE_CHECKING:
    from collections.abc import Callable

Row = TypeVar("Row", bound=Model)
Found = TypeVar("Found")


def find(model: type[Row], public_id: str, *, where: str = "") -> Row:
    """The row with this public id as it stands; :class:`Missing` (placed at ``where``) if there is none."""
    return find_in(_rows(model), public_id, where=where)


def lock(model: type[Row], public_id: str, *, where: str = "") -> Row:
    """The same row, locked until the transaction ends and read after the lock was taken.

    Locks are taken in one order everywhere: key, books by id, batches, lots, shipments, lines, kits, jobs.  Rows that
    only refer to this one are not held up.  SQLite needs no row lock: its transaction holds the whole file.
    """
    return find_in(_rows(model).select_for_update(no_key=True), public_id, where=where)


def find_in(rows: QuerySet[Row], public_id: str, *, where: str = "") -> Row:
    """The row with this public id among ``rows``; what is not among them does not exist for whoever asks."""
    return find_by(lambda code: rows.filter(public_id=code).first(), rows.model, public_id, where=where)


def find_by(look: Callable[[str], Found | None], model: type[Model], public_id: str, *, where: str = "") -> Found:
    """What ``look`` finds of the ``model``'s row with this public id, which is written as people write it."""
    noun = str(model._meta.verbose_name)  # noqa: SLF001 - public by Django's documentation
    code = codes.tidy(public_id)
    if not code:
        raise Missing(f"This is not the id of a {noun}: ids look like K7Q2-M4XJ.", where=where)
    found = look(code)
    if found is None:
        raise Missing(f"There is no {noun} {code}.", where=where, id=code)
    return found


def lock_all(rows: QuerySet[Row]) -> list[Row]:
    """These rows, locked in the order of their keys, so that two who want the same ones cannot wait for each other."""
    return list(rows.order_by("pk").select_for_update(no_key=True, of=("self",)))


def _rows(model: type[Row]) -> QuerySet[Row]:
    return model._default_manager.all()  # noqa: SLF001 - public by Django's documentation
