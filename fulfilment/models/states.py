"""The states that move only along a table.  (A kit's are in ``core.care``; the others' are here.)"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from fulfilment.core.problems import Conflict

SHIPMENT: Final[Mapping[str, frozenset[str]]] = {
    "placed": frozenset({"packed", "sent", "cancelled"}),
    "packed": frozenset({"placed", "sent", "cancelled"}),
    "sent": frozenset({"delivered"}),
    "delivered": frozenset(),
    "cancelled": frozenset(),
}
"""``packed → placed`` is an undone pick; ``placed → sent`` is a stop that went out short of everything it was due."""

MAIL: Final[Mapping[str, frozenset[str]]] = {
    "planned": frozenset({"sending", "cancelled", "late"}),
    "sending": frozenset({"sent", "planned", "unknown", "failed"}),
    "unknown": frozenset({"sending", "failed"}),
    "sent": frozenset(),
    "cancelled": frozenset(),
    "late": frozenset(),
    "failed": frozenset({"planned"}),
}
"""``sending → planned`` is a refusal that may pass; ``unknown`` is a lease that ran out; ``failed → planned`` by a
person.
"""

PAYMENT: Final[Mapping[str, frozenset[str]]] = {
    "unpaid": frozenset({"authorised", "paid"}),
    "authorised": frozenset({"paid", "unpaid"}),
    "paid": frozenset({"part_refunded", "refunded"}),
    "part_refunded": frozenset({"part_refunded", "refunded"}),
    "refunded": frozenset(),
}
"""As a shop tells it: ``authorised → unpaid`` is a reservation that was let go."""


def move(table: Mapping[str, frozenset[str]], before: str, after: str, *, what: str) -> str:
    """``after`` if the table allows it; else :class:`Conflict` and nothing is changed."""
    if after not in table[before]:
        allowed = ", ".join(sorted(table[before])) or "nothing more"
        raise Conflict(
            f"This {what} is {before}; from there it can become {allowed}, not {after}.",
            code="wrong_state",
            state=before,
            asked=after,
        )
    return after
