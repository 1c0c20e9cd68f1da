"""Lots and coming harvests to lines: how much each gets, from where, and why.

Amounts are whole grams or pieces, days are the farm's.  A coming harvest counts at its scenario mean for what is
promised, at what comes surely enough for what goes beyond (``leaning``).  The order of what matters: safety (nothing
past its date, nothing held: the caller leaves held sources out) > what is past cut-off or picked > promises by rank >
customers' minimums > what is left, by tier under the farm's rule > fewer substitutes > the earliest expiry of what is
on hand used first > yesterday's plan > older goods to earlier days > few lots per line.

1. Like lots are merged to cohorts, like lines to classes (``network``).
2. Pieces of frozen or part-picked lines stay while their source holds them (``plan``).
3. Amounts: promises in rank order, each receiving what the network can still carry, to the gram; minimums, all or
   nothing; the rest by exact leximin; whole packs by largest remainder (``amounts``, ``fulfilment.core.fairness``).
4. Sources for these amounts, as a transport problem (``carrying``).
5. Cohorts poured into lines and lots, oldest first, big lot to big line (``pouring``).

Worked example: two lots of 6 kg.  One kitchen ordered 4 kg and takes only the first, one 8 kg of either, one 6 kg of
the second only.  12 kg for 18 ordered: each gets two thirds, 2⅔, 5⅓ and 4 kg, and the lots carry it.  In packs of
500 g these are 2.5, 5.5 and 4 kg.

:func:`difference` says what moved since yesterday, :func:`audit` counts a plan through without any solver.
"""

from fulfilment.core.allocation.audit import audit
from fulfilment.core.allocation.difference import difference, unrest
from fulfilment.core.allocation.plan import allocate
from fulfilment.core.allocation.sources import (
    SHARED_AT,
    coming,
    coming_key,
    expected,
    follow_harvests,
    lot_key,
    parse_coming,
)
from fulfilment.core.allocation.terms import (
    Account,
    Change,
    Code,
    Difference,
    Piece,
    Plan,
    Source,
    Tight,
    Totals,
    Unrest,
    Want,
)
from fulfilment.core.fairness import Rule

__all__ = [
    "SHARED_AT",
    "Account",
    "Change",
    "Code",
    "Difference",
    "Piece",
    "Plan",
    "Rule",
    "Source",
    "Tight",
    "Totals",
    "Unrest",
    "Want",
    "allocate",
    "audit",
    "coming",
    "coming_key",
    "difference",
    "expected",
    "follow_harvests",
    "lot_key",
    "parse_coming",
    "unrest",
]
