"""Orders: asked, placed, changed, cancelled.

One opens the desk (the books of all goods concerned are locked in a fixed order), asks line by line, and writes order,
shipment, lines and promises in one transaction.  A promise that cannot be made is no error: the order stands with what
could be promised, and every night asks again for what is missing.

After the cut-off a change needs somebody's leave, and its event says whose: staff give a reason (``because``), a
kitchen answers a shortage it was told of (``answers``, the offer's id; only ``services.shortages`` passes it).

``wanted`` reads what is asked for, ``taking`` all that placing it takes, ``asking`` answers without keeping,
``shipments`` says what goes together, ``placing``, ``changing`` and ``cancelling`` write, ``telling`` says what was
written.
"""

from __future__ import annotations

from fulfilment.services.ordering.asking import (
    FURTHEST_AHEAD,
    Available,
    Offer,
    available,
    best_day,
    check,
    check_ahead,
    open_days,
)
from fulfilment.services.ordering.cancelling import cancel, drop_line
from fulfilment.services.ordering.changing import add_lines, amend, change_line, hold, set_lines
from fulfilment.services.ordering.placing import Placed, Wish, accept, place, write
from fulfilment.services.ordering.taking import Taking, take
from fulfilment.services.ordering.telling import as_read
from fulfilment.services.ordering.wanted import Amendments, Asked, check_amount, prices, products

__all__ = [
    "FURTHEST_AHEAD",
    "Amendments",
    "Asked",
    "Available",
    "Offer",
    "Placed",
    "Taking",
    "Wish",
    "accept",
    "add_lines",
    "amend",
    "as_read",
    "available",
    "best_day",
    "cancel",
    "change_line",
    "check",
    "check_ahead",
    "check_amount",
    "drop_line",
    "hold",
    "open_days",
    "place",
    "prices",
    "products",
    "set_lines",
    "take",
    "write",
]
