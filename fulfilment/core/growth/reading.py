"""Numbers out of stored or typed-in data (JSON objects), each refused with a sentence when it cannot be."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from fulfilment.core.problems import Invalid


def record(data: object, *, where: str, names: Sequence[str], optional: Sequence[str] = ()) -> dict[str, object]:
    """``data`` as an object with exactly ``names`` and at most ``optional`` beside them."""
    if not isinstance(data, Mapping):
        raise Invalid(f"This must be an object with {', '.join(names)}.", code="not_an_object", where=where)
    missing = [name for name in names if name not in data]
    if missing:
        raise Invalid(f"{', '.join(missing)} must be given.", code="missing", where=where)
    unknown = [str(name) for name in data if name not in names and name not in optional]
    if unknown:
        known = ", ".join((*names, *optional))
        raise Invalid(f"{', '.join(unknown)} is not known here: known are {known}.", code="unknown", where=where)
    return {str(name): value for name, value in data.items()}


def number(value: object, *, where: str) -> float:
    """``value`` as a finite number."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise Invalid("This must be a number.", code="not_a_number", where=where)
    return float(value)


def numbers(value: object, *, where: str) -> tuple[float, ...]:
    """``value`` as a list of finite numbers."""
    if isinstance(value, str) or not isinstance(value, Sequence):
        raise Invalid("This must be a list of numbers.", code="not_a_list", where=where)
    return tuple(number(item, where=f"{where}.{place}") for place, item in enumerate(value))
