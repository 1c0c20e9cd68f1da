"""Which cohort serves which class, the amounts fixed: a transport problem in HiGHS, question after question.

In this order, none ever paid for with an earlier one: fewest substitutes (each gram counts its place in the
customer's order of preference); of what is on hand the earliest expiry first, and before anything still to come;
yesterday's source kept; of what is to come the earliest expiry, and older goods to earlier days.  What has not been
harvested does not spoil yet, and its days move a little with every forecast: following them gram by gram would move
plans about each night for nothing (on the invented farms of ``make farms`` 8.4 % of all kilos planned instead of 5.7).
Two wishes make one question where the first weighs more than the second can ever make up for: a plan differs from a
better one by cycles, a cycle meets each cohort at most once on its way in and once on its way out, so twice the
cohorts times the second's span is more than any cycle can gain.  After a question only arcs and rows of zero reduced
cost stay open, so the next chooses among the equally good: the order is strict without weights of many magnitudes.
Costs are whole numbers and the matrix is that of a network, so a corner of the polytope is whole; rounding removes
only the solver's last bits, and an exact flow completes the answer whatever they were.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from fulfilment.core.allocation.network import Network
from fulfilment.core.fairness import Flow, bits

MOST_WEIGHT: Final = 1e8
"""Costs up to here leave a solver of doubles eight digits to tell them apart."""

Carried = list[dict[int, int]]
"""Per class: cohort -> amount."""


@dataclass(frozen=True, slots=True)
class _Arcs:
    """Columns of the programme; axis: arc.  ``most`` is None's stand-in where only the rows bound an arc."""

    kind: NDArray[np.int32]
    cohort: NDArray[np.int32]
    most: NDArray[np.float64]
    costs: tuple[NDArray[np.float64], ...]


def carry(
    network: Network, *, needs: Sequence[int], held: Sequence[int], before: Mapping[tuple[int, int], int]
) -> Carried:
    """Amounts by class and cohort that give every class its need.

    ``needs`` per class, ``held`` per cohort, ``before`` yesterday's amounts by (class, cohort).
    """
    arcs = _arcs(network, needs=needs, held=held, before=before)
    amounts = _solve(arcs, needs=needs, held=held) if arcs.kind.size else np.zeros(0, dtype=np.int64)
    flow = Flow([kind.mask for kind in network.kinds], held)
    for kind, cohort, amount in zip(arcs.kind.tolist(), arcs.cohort.tolist(), amounts.tolist(), strict=True):
        step = min(amount, flow.spare[cohort], needs[kind] - flow.amount(kind))
        if step > 0:
            flow.move(kind, cohort, step)
    for kind, need in enumerate(needs):
        flow.add(kind, need - flow.amount(kind))
    return flow.taken


def _arcs(
    network: Network, *, needs: Sequence[int], held: Sequence[int], before: Mapping[tuple[int, int], int]
) -> _Arcs:
    last_days = sorted({last for _, _, last in network.cohorts})
    expiry = {day: place for place, day in enumerate(last_days)}
    coming = [all(source.lot_id is None for source in group) for group in network.lots]
    delivery = {day: place for place, day in enumerate(sorted({kind.day for kind in network.kinds}))}
    later = len(expiry) * len(delivery)
    rows: list[tuple[int, int, int, int, int, int, int]] = []
    for k, kind in enumerate(network.kinds):
        if needs[k] == 0:
            continue
        for liking, mask in enumerate(kind.by_choice):
            for t in bits(mask):
                if held[t] == 0:
                    continue
                place = expiry[network.cohorts[t][2]]
                late = len(expiry) if coming[t] else place
                most = min(needs[k], held[t])
                pairing = place * ((later if coming[t] else 0) - delivery[kind.day])
                kept = min(before.get((k, t), 0), most)
                if kept:
                    rows.append((k, t, kept, liking, late, -1, pairing))
                if most > kept:
                    rows.append((k, t, most - kept, liking, late, 0, pairing))
    table = np.array(rows, dtype=np.float64).reshape(-1, 7)
    return _Arcs(
        kind=table[:, 0].astype(np.int32),
        cohort=table[:, 1].astype(np.int32),
        most=table[:, 2],
        costs=tuple(table[:, column] for column in range(3, 7)),
    )


def _questions(costs: Sequence[NDArray[np.float64]], *, cohorts: int) -> list[NDArray[np.float64]]:
    """The costs two by two, where the weights stay far from what a double can tell apart; else one by one."""
    asked: list[NDArray[np.float64]] = []
    for more, less in zip(costs[::2], costs[1::2], strict=True):
        weight = 2 * cohorts * (np.ptp(less) + 1)
        if weight * (np.abs(more).max() + 1) < MOST_WEIGHT:
            asked.append(more * weight + less)
        else:
            asked += [more, less]
    return asked


def _solve(arcs: _Arcs, *, needs: Sequence[int], held: Sequence[int]) -> NDArray[np.int64]:
    """Amounts by arc: each question is asked of the arcs and rows that the ones before left open."""
    lower = np.concatenate([np.asarray(needs, dtype=np.float64), np.zeros(len(held))])
    upper = np.concatenate([np.asarray(needs, dtype=np.float64), np.asarray(held, dtype=np.float64)])
    rows = np.column_stack([arcs.kind, arcs.cohort + len(needs)]).astype(np.int32)
    amounts = np.zeros(len(rows))
    left = np.arange(len(rows))
    for cost in _questions(arcs.costs, cohorts=len(held)):
        if amounts.any() and np.ptp(cost[left]) == 0:
            continue
        solver = _programme(cost[left], most=arcs.most[left], rows=rows[left], lower=lower, upper=upper)
        solver.run()
        solution = solver.getSolution()
        amounts[left] = np.rint(np.asarray(solution.col_value))
        settled = np.abs(np.asarray(solution.col_dual)) > 0.5
        tight = np.abs(np.asarray(solution.row_dual)) > 0.5
        lower = np.where(tight, np.rint(np.asarray(solution.row_value)), lower)
        upper = np.where(tight, lower, upper)
        np.subtract.at(lower, rows[left[settled]], amounts[left[settled], None])
        np.subtract.at(upper, rows[left[settled]], amounts[left[settled], None])
        left = left[~settled]
        if not left.size:
            break
    return amounts.astype(np.int64)


def _programme(
    cost: NDArray[np.float64],
    *,
    most: NDArray[np.float64],
    rows: NDArray[np.int32],
    lower: NDArray[np.float64],
    upper: NDArray[np.float64],
) -> Any:
    """HiGHS with a transport problem in it; ``rows`` are the two of each arc, with ``lower`` and ``upper`` amounts."""
    import highspy  # here, so that a web process starts without the solver

    solver = highspy.Highs()  # type: ignore[no-untyped-call]  # highspy leaves its constructor untyped
    solver.setOptionValue("output_flag", False)
    solver.setOptionValue("threads", 1)
    solver.setOptionValue("parallel", "off")
    solver.setOptionValue("random_seed", 1)
    count = len(cost)
    programme = highspy.HighsLp()
    programme.num_col_ = count
    programme.num_row_ = len(lower)
    programme.col_cost_ = cost
    programme.col_lower_ = np.zeros(count)
    programme.col_upper_ = most
    programme.row_lower_, programme.row_upper_ = lower, upper
    programme.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    programme.a_matrix_.start_ = np.arange(0, 2 * count + 1, 2, dtype=np.int32)
    programme.a_matrix_.index_ = rows.ravel()
    programme.a_matrix_.value_ = np.ones(2 * count)
    solver.passModel(programme)
    return solver
