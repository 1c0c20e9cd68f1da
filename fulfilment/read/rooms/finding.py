"""One row among those that exist for whoever asks."""

from __future__ import annotations

from typing import TypeVar

from django.db.models import Model, QuerySet

from fulfilment.core import codes
from fulfilment.core.problems import Missing

Row = TypeVar("Row", bound=Model)


def find(rows: QuerySet[Row], code: str) -> Row:
    """The row with this code; :class:`Missing` where it is not among ``rows``."""
    noun = str(rows.model._meta.verbose_name)  # noqa: SLF001 - public by Django's documentation
    tidy = codes.tidy(code)
    found = rows.filter(public_id=tidy).first() if tidy else None
    if found is None:
        raise Missing(f"There is no {noun} {code[:20]}.")
    return found
