"""What a promise and a plan say of a line, in sentences.

Staff read chances in percent.  A kitchen reads words, and the reasons are its own: nothing here says who else ordered.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from fulfilment.core.units import said
from fulfilment.read.orders.why import reason
from fulfilment.web.ground.words import chance_words

STATUS: Final = {"full": ("all of it", "good"), "partial": ("part of it", "watch"), "declined": ("none of it", "bad")}


@dataclass(frozen=True, slots=True)
class Told:
    """One line's promise, ready to be shown."""

    product: str
    ordered: str
    promised: str
    mark: str
    state: str
    chance: str
    reason: str
    full_on: date | None


def told(
    product: Any, *, wanted: int, amount: int, status: str, chance: int, asked: int, why: Any, full_on: date | None,
    staff: bool,
) -> Told:  # fmt: skip
    """``why`` is (code, numbers) or the row's ``{"code": …}``."""
    code, numbers = (why[0], why[1]) if isinstance(why, tuple) else (why.get("code", ""), why)
    word, mark = STATUS[status]
    return Told(
        product=product.name,
        ordered=said(wanted, is_kit=product.is_kit),
        promised=said(amount, is_kit=product.is_kit) if amount else "nothing",
        mark=mark,
        state=word,
        chance=("" if not amount else f"{chance} % (asked {asked} %)" if staff else chance_words(chance)),
        reason=reason(code, numbers, is_kit=product.is_kit, staff=staff),
        full_on=full_on,
    )
