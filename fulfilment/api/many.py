"""Many things in one request, all or nothing: a list that a hand-held kept while it had no line.

Each item is tried; what is wrong with any of them is told together, by ``/items/17/…``, and then nothing was done.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, TypeVar

from django.db import transaction

from fulfilment.api.problems import Several
from fulfilment.core.problems import Problem

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

MOST: Final = 100
"""Items in one request."""

Done = TypeVar("Done")


def each(items: Sequence[Mapping[str, Any]], do: Callable[[Mapping[str, Any]], Done]) -> list[Done]:
    """What ``do`` makes of each item, in order; :class:`Several` where one or more cannot be done.

    An item after a wrong one is tried as if the wrong one had not been sent.
    """
    made: list[Done] = []
    problems: list[Problem] = []
    for place, item in enumerate(items):
        try:
            with transaction.atomic():
                made.append(do(item))
        except Problem as problem:
            problems.append(problem.at(f"items.{place}"))
    if problems:
        raise Several(problems, of=len(items))
    return made
