"""What a body may hold: strict shapes and the fields of the trade.

A field nobody knows is an error, never ignored.  Weights are whole grams, counts whole pieces, money minor units behind
a decimal text with its currency, days ISO dates, instants RFC 3339 with an offset.
"""

from __future__ import annotations

import re
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, Final

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from fulfilment.api import sentences
from fulfilment.core.problems import Invalid
from fulfilment.core.units import MAX_GRAMS, Money, amount

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

_LARGEST: Final = 2**31 - 1
"""What a column holds; fields of the trade have bounds of their own below it."""
STAYS: Final = "This cannot be emptied: give a value, or leave it out and it stays as it is."
_DAY: Final = re.compile(r"\d{4}-\d{2}-\d{2}\Z", re.ASCII)
_MONEY: Final = re.compile(r"\d{1,9}\.\d{2}\Z", re.ASCII)
_CURRENCY: Final = re.compile(r"[A-Z]{3}\Z", re.ASCII)


class Shape(serializers.Serializer[Any]):
    """A JSON object; what it does not know it refuses."""

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, dict):
            known = [name for name, field in self.fields.items() if not field.read_only]
            unknown = {
                str(name): [serializers.ErrorDetail(sentences.unknown("field", name, known), code="unknown_field")]
                for name in data
                if name not in known
            }
            wrong = unknown | dict(self._loose(data))
            if wrong:
                raise serializers.ValidationError(wrong)
        return super().to_internal_value(data)

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        fields = super().get_fields()
        for field in fields.values():
            if isinstance(field, serializers.ChoiceField):
                words = ", ".join(map(str, field.choices))
                field.error_messages["invalid_choice"] = f"This is none of the words known here: {words}."
        return fields

    def _loose(self, data: Mapping[str, Any]) -> Iterator[tuple[str, list[serializers.ErrorDetail]]]:
        """Numbers that only look like it: the framework would read ``"5"``, ``5.0`` and ``true`` as 5."""
        for name, field in self.fields.items():
            child = getattr(field, "child", field)
            if name not in data or isinstance(field, Shape | serializers.ListSerializer):
                continue
            given = data[name]
            each: Iterable[Any] = [given]
            if child is not field:
                each = given.values() if isinstance(given, dict) else given if isinstance(given, list) else [given]
            if isinstance(child, serializers.IntegerField) and not all(map(_whole_or_none, each)):
                yield name, [serializers.ErrorDetail("This must be a whole number.", code="not_whole")]
            elif isinstance(child, serializers.FloatField) and not all(map(_number_or_none, each)):
                yield name, [serializers.ErrorDetail("This must be a number.", code="not_a_number")]
            elif isinstance(child, serializers.IntegerField) and any(abs(one) > _LARGEST for one in each if one):
                most = child.max_value if child.max_value is not None else _LARGEST
                yield name, [serializers.ErrorDetail(f"This number is too large: at most {most}.", code="too_large")]


class Changed(Shape):
    """A merge patch (RFC 7396): what is left out stays as it is, and null takes away what can be missing.

    What can be missing says ``allow_null``: an emptied text is read as ``""``.  Whatever else is null is refused at its
    place.
    """

    def to_internal_value(self, data: Any) -> Any:
        found = super().to_internal_value(data)
        for name, field in self.fields.items():
            if isinstance(field, serializers.CharField) and field.allow_blank and found.get(name, "") is None:
                found[name] = ""
        return found

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        fields = super().get_fields()
        for field in fields.values():
            field.error_messages["null"] = STAYS
        return fields


def _whole_or_none(value: Any) -> bool:
    return value is None or (isinstance(value, int) and not isinstance(value, bool))


def _number_or_none(value: Any) -> bool:
    return value is None or (isinstance(value, int | float) and not isinstance(value, bool))


class _Whole(serializers.IntegerField):
    unit = "grams"
    at_least = 1

    def __init__(self, *, at_least: int | None = None, **kwargs: Any) -> None:
        self.at_least = self.at_least if at_least is None else at_least
        super().__init__(min_value=self.at_least, max_value=MAX_GRAMS, **kwargs)

    def to_internal_value(self, data: Any) -> int:
        try:
            return amount(data, where="", at_least=self.at_least, unit=self.unit)
        except Invalid as invalid:
            raise serializers.ValidationError(invalid.sentence, code=invalid.reason_code) from invalid


class Grams(_Whole):
    """Whole grams; ``"2"``, ``2.0`` and ``true`` are none."""


class Units(_Whole):
    """Whole pieces."""

    unit = "pieces"


@extend_schema_field(
    {
        "type": "object",
        "properties": {
            "amount": {"type": "string", "pattern": r"^\d{1,9}\.\d{2}$"},
            "currency": {"type": "string", "pattern": "^[A-Z]{3}$"},
        },
        "required": ["amount", "currency"],
        "additionalProperties": False,
    }
)
class Price(serializers.Field[Money, Any, dict[str, str], Any]):
    """``{"amount": "12.50", "currency": "EUR"}``, inside the house ``Money(1250, "EUR")``."""

    def to_internal_value(self, data: Any) -> Money:
        match data:
            case {"amount": str() as figure, "currency": str() as currency, **rest} if (
                not rest and _MONEY.match(figure) and _CURRENCY.match(currency)
            ):
                return Money(int(figure.replace(".", "")), currency)
        raise serializers.ValidationError(
            'Money is {"amount": "12.50", "currency": "EUR"}: two decimals and an ISO 4217 code.', code="not_money"
        )

    def to_representation(self, value: Money) -> dict[str, str]:
        return {"amount": value.decimal, "currency": value.currency}


class Day(serializers.DateField):
    """A farm day, ``2026-05-01`` and in no other form."""

    def to_internal_value(self, value: Any) -> date:
        if isinstance(value, str) and _DAY.match(value):
            try:
                return date.fromisoformat(value)
            except ValueError as error:
                raise serializers.ValidationError("There is no such day.", code="no_such_day") from error
        raise serializers.ValidationError("A day is written 2026-05-01.", code="not_a_day")


class Instant(serializers.DateTimeField):
    """RFC 3339 with an offset or Z; without one nobody knows when it was."""

    def to_internal_value(self, value: Any) -> datetime:
        try:
            found = datetime.fromisoformat(value)
        except (TypeError, ValueError) as error:
            raise serializers.ValidationError(
                "An instant is written 2026-05-01T09:30:00Z.", code="not_an_instant"
            ) from error
        if found.tzinfo is None:
            raise serializers.ValidationError("An instant needs its offset: 2026-05-01T09:30:00Z.", code="no_offset")
        return found


class Id(serializers.CharField):
    """A public id, ``K7Q2-M4XJ``."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(max_length=12, **kwargs)


class Flag(serializers.BooleanField):
    """``true`` or ``false``, and nothing that only looks like it."""

    def to_internal_value(self, data: Any) -> bool:
        if isinstance(data, bool):
            return data
        raise serializers.ValidationError("This must be true or false, without quotes.", code="not_a_flag")


class Text(serializers.CharField):
    """A text; a number is none."""

    def to_internal_value(self, data: Any) -> str:
        if not isinstance(data, str):
            raise serializers.ValidationError("This must be a text, in quotes.", code="not_a_text")
        return super().to_internal_value(data)


def read(shape: type[Shape], data: Any) -> Mapping[str, Any]:
    """The body as ``shape`` wants it; what is wrong is raised, with its pointers."""
    found = shape(data=data)
    found.is_valid(raise_exception=True)
    values: Mapping[str, Any] = found.validated_data
    return values
