"""What the tables share: amounts, and the marks a model carries for the triggers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from fulfilment.core import codes
from fulfilment.core.units import MAX_GRAMS

if TYPE_CHECKING:
    _Text = models.CharField[str, str]
    _Whole = models.IntegerField[int, int]
else:
    _Text, _Whole = models.CharField, models.IntegerField


class PublicId(_Text):
    """The id that leaves the house: opaque, short, with a check character (see ``core.codes``)."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.update(max_length=codes.LENGTH, unique=True, editable=False, default=codes.new)
        super().__init__(*args, **kwargs)


class PositiveAmount(_Whole):
    """Whole grams or pieces, above zero and inside the bounds of ``core.units``; the table's constraint says so too."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("validators", [MinValueValidator(1), MaxValueValidator(MAX_GRAMS)])
        super().__init__(*args, **kwargs)


def positive(*fields: str, table: str) -> list[models.BaseConstraint]:
    """A constraint a field: its amount is above zero."""
    return [
        models.CheckConstraint(condition=models.Q(**{f"{name}__gt": 0}), name=f"{table}_{name}_positive")
        for name in fields
    ]


def never_negative(*fields: str, table: str) -> list[models.BaseConstraint]:
    """A constraint a field: its amount is not below zero."""
    return [
        models.CheckConstraint(condition=models.Q(**{f"{name}__gte": 0}), name=f"{table}_{name}_not_negative")
        for name in fields
    ]


def exactly_one(*fields: str, table: str) -> models.BaseConstraint:
    """One of these references is set and the others are not."""
    ways = models.Q()
    for chosen in fields:
        ways |= models.Q(**{f"{name}__isnull": name != chosen for name in fields})
    return models.CheckConstraint(condition=ways, name=f"{table}_belongs_to_one")
