"""From classes and cohorts back to lines and lots.

Yesterday's pieces stay where the cohorts' amounts allow.  The rest is poured oldest first, the biggest lot to the
biggest line; a line takes one cohort, and one lot of it, wherever one holds all it needs.
"""

from __future__ import annotations

import heapq
from collections.abc import Mapping, Sequence

from fulfilment.core.allocation.carrying import Carried
from fulfilment.core.allocation.network import Network


def pour(
    network: Network,
    carried: Carried,
    *,
    needs: Sequence[int],
    previous: Sequence[Sequence[tuple[str, int]]],
    left: dict[str, int],
) -> list[dict[str, int]]:
    """Pieces per want as source key -> amount.

    ``needs`` and ``previous`` are per want, ``left`` what each source holds (used up in place).
    """
    pieces: list[dict[str, int]] = [{} for _ in needs]
    rest = list(needs)
    members: list[list[int]] = [[] for _ in network.kinds]
    for place, kind in enumerate(network.kind_of):
        members[kind].append(place)
        for key, amount in previous[place]:
            cohort = network.cohort_of.get(key, -1)
            step = min(amount, rest[place], left.get(key, 0), carried[kind].get(cohort, 0))
            if step > 0:
                pieces[place][key] = pieces[place].get(key, 0) + step
                rest[place] -= step
                left[key] -= step
                carried[kind][cohort] -= step
    shares: list[list[tuple[int, int]]] = [[] for _ in network.lots]
    for kind, places in enumerate(members):
        for place, cohort, amount in _to_lines(carried[kind], places, rest):
            shares[cohort].append((amount, place))
    for cohort, lines in enumerate(shares):
        _to_lots([source.key for source in network.lots[cohort]], lines, left, pieces)
    return pieces


def _to_lines(cohorts: Mapping[int, int], places: Sequence[int], rest: Sequence[int]) -> list[tuple[int, int, int]]:
    """(want, cohort, amount): biggest line first, from the oldest cohort that holds all of it, else oldest first."""
    amounts = {cohort: amount for cohort, amount in sorted(cohorts.items()) if amount > 0}
    shares: list[tuple[int, int, int]] = []
    for place in sorted(places, key=lambda p: (-rest[p], p)):
        need = rest[place]
        if need == 0:
            break
        whole = next((cohort for cohort, amount in amounts.items() if amount >= need), None)
        for cohort in [whole] if whole is not None else list(amounts):
            step = min(need, amounts[cohort])
            shares.append((place, cohort, step))
            need -= step
            amounts[cohort] -= step
            if amounts[cohort] == 0:
                del amounts[cohort]
            if need == 0:
                break
    return shares


def _to_lots(
    keys: Sequence[str], lines: list[tuple[int, int]], left: dict[str, int], pieces: list[dict[str, int]]
) -> None:
    heap = [(-left[key], key) for key in keys if left[key] > 0]
    heapq.heapify(heap)
    for amount, place in sorted(lines, key=lambda line: (-line[0], line[1])):
        need = amount
        while need > 0:
            held, key = heapq.heappop(heap)
            step = min(need, -held)
            pieces[place][key] = pieces[place].get(key, 0) + step
            left[key] -= step
            need -= step
            if left[key] > 0:
                heapq.heappush(heap, (-left[key], key))
