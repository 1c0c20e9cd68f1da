"""Whole plans, chances and promises at size: what the rows ``plan``, ``chances`` and ``promise`` measure.

The limit beside a plan is HiGHS alone on the same merged model: one linear programme over classes and cohorts, most
kilos served by tier, then substitutes and age, its matrix made beforehand.  A plan is everything from rows in memory to
lot pieces: merging, promises by rank, minimums, the fair division, packs, sources, lots, accounts and the audit.
"""

from __future__ import annotations

import resource
import statistics
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from time import perf_counter

import numpy as np

from bench.coming import crops
from bench.measure import Row, judged, ratio
from fulfilment.core.allocation import Plan, Source, Want, allocate, audit
from fulfilment.core.allocation.network import build
from fulfilment.core.chances import chances
from fulfilment.core.fairness import bits
from fulfilment.core.forecast import forecast
from fulfilment.core.growth import PEARL, learn
from fulfilment.core.promises import Book, Choice, Part, Question, Supply, answer, reserve
from fulfilment.core.units import Goods

TODAY = date(2026, 5, 4)
STRAINS = 4
DAYS = 21
SIZES = ((200, 100), (5_000, 1_000), (50_000, 5_000))
ROUNDS = 3


@dataclass(frozen=True, slots=True)
class Week:
    wants: list[Want]
    sources: list[Source]

    def plan(self) -> Plan:
        made = allocate(self.wants, self.sources, today=TODAY)
        assert not audit(made, self.wants, self.sources, today=TODAY)
        return made


def week(lines: int, lots: int, *, seed: int) -> Week:
    """Three weeks of four strains, a little short: three lines of four promised, one of twenty past cut-off, one of
    twenty with a minimum, and the plan of the day before, from which lots and orders have moved a little.
    """
    rng = np.random.default_rng([seed, lines])
    goods = [Goods(strain, "first") for strain in range(1, STRAINS + 1)]
    wants = []
    for i in range(lines):
        day = TODAY + timedelta(days=int(rng.integers(1, DAYS + 1)))
        first, other = (goods[int(k)] for k in rng.integers(STRAINS, size=2))
        window = (day - timedelta(days=int(rng.integers(2, 8))), day - timedelta(days=1))
        accepted = [first, other] if other != first and rng.random() < 0.4 else [first]
        ordered = 500 * int(rng.integers(1, 11))
        promised = 500 * int(rng.integers(1, ordered // 500 + 1)) if rng.random() < 0.75 else 0
        wants.append(
            Want(
                line_id=i + 1,
                order_id=i // 3 + 1,
                day=day,
                choices=tuple((each, *window) for each in accepted),
                ordered=ordered,
                promised=((first, promised),) if promised else (),
                rank=i + 1,
                tier=int(rng.integers(1, 4)),
                pack=500,
                at_least=1_000 if ordered >= 1_000 and rng.random() < 0.05 else 0,
            )
        )
    total = sum(w.ordered for w in wants)
    sources = []
    for i in range(lots):
        ready = TODAY + timedelta(days=int(rng.integers(-4, DAYS)))
        until = ready + timedelta(days=int(rng.integers(7, 9)))
        amount = int(rng.integers(1, 200) * 0.0095 * total / lots)
        sources.append(Source(f"lot:{i + 1}", goods[i % STRAINS], amount, ready, until, i + 1))
    before: dict[int, list[tuple[str, int]]] = {}
    for piece in allocate(wants, sources, today=TODAY).pieces:
        before.setdefault(piece.line_id, []).append((piece.source, piece.amount))
    wants = [
        replace(
            want,
            previous=tuple(before.get(want.line_id, ())),
            frozen=want.day <= TODAY + timedelta(days=1),
            ordered=want.ordered + (500 if rng.random() < 0.02 else 0),
        )
        for want in wants
    ]
    sources = [replace(s, amount=int(s.amount * rng.uniform(0.9, 1.1))) for s in sources]
    return Week(wants, sources)


def solver_alone(case: Week) -> tuple[Callable[[], object], int]:
    """HiGHS on the merged model, everything but its own work done beforehand; and how many arcs that has."""
    import highspy

    network = build(case.wants, case.sources, today=TODAY)
    held = [sum(s.amount for s in group) for group in network.lots]
    ordered: dict[tuple[int, int], int] = {}
    for want, kind in zip(case.wants, network.kind_of, strict=True):
        ordered[kind, want.tier] = ordered.get((kind, want.tier), 0) + want.ordered
    arcs = [
        (k, t, liking, (network.cohorts[t][2] - TODAY).days)
        for k, kind in enumerate(network.kinds)
        for liking, mask in enumerate(kind.by_choice)
        for t in bits(mask)
    ]
    count, kinds = len(arcs), len(network.kinds)
    programme = highspy.HighsLp()
    programme.num_col_, programme.num_row_ = count + len(ordered), kinds + len(held)
    served = [-1_000.0 / 4 ** (tier - 1) for _, tier in ordered]
    programme.col_cost_ = np.array([10.0 * liking + 0.1 * late for _, _, liking, late in arcs] + served)
    programme.col_lower_ = np.zeros(programme.num_col_)
    programme.col_upper_ = np.array([float(held[t]) for _, t, _, _ in arcs] + [float(x) for x in ordered.values()])
    programme.row_lower_ = np.concatenate([np.zeros(kinds), np.zeros(len(held))])
    programme.row_upper_ = np.concatenate([np.zeros(kinds), np.asarray(held, dtype=float)])
    matrix = programme.a_matrix_
    matrix.format_ = highspy.MatrixFormat.kColwise
    matrix.start_ = np.concatenate([np.arange(0, 2 * count, 2), 2 * count + np.arange(len(ordered) + 1)]).astype(int)
    of_arcs = np.array([(k, kinds + t) for k, t, _, _ in arcs]).ravel()
    matrix.index_ = np.concatenate([of_arcs, np.array([k for k, _ in ordered])]).astype(np.int32)
    matrix.value_ = np.concatenate([np.ones(2 * count), -np.ones(len(ordered))])

    def solve() -> object:
        solver = highspy.Highs()  # type: ignore[no-untyped-call]  # highspy leaves its constructor untyped
        solver.setOptionValue("output_flag", False)
        solver.setOptionValue("threads", 1)
        solver.passModel(programme)
        solver.run()
        return solver.getSolution().col_value

    return solve, count


def plans(seed: int) -> Iterator[Row]:
    """Three sizes against the solver alone, and the largest against the middle one."""
    took: dict[int, float] = {}
    for lines, lots in SIZES:
        case = week(lines, lots, seed=seed)
        solve, arcs = solver_alone(case)
        times: list[float] = []

        def plan(case: Week = case, times: list[float] = times) -> None:
            begun = perf_counter()
            case.plan()
            times.append(perf_counter() - begun)

        row = ratio(f"plan {lines} x {lots}", plan, solve, at_most=8, rounds=ROUNDS)
        yield replace(row, note=f"{row.note}, {arcs} arcs")
        took[lines] = statistics.median(times[1:])
    growth = took[50_000] / took[5_000]
    yield judged("plan, 50,000 / 5,000", [growth], goal="<= 6", kept=lambda value: value <= 6)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    yield judged("plan, peak MiB", [peak], goal="<= 1000", kept=lambda value: value <= 1_000)


def all_chances(seed: int) -> Iterator[Row]:
    """1,000-scenario chances of all promised lines of the largest plan, against making that plan."""
    lines, lots = SIZES[-1]
    case = week(lines, lots, seed=seed)
    rng = np.random.default_rng(seed)
    first_day = TODAY - timedelta(days=4)
    supplies = {}
    for goods in sorted({s.goods for s in case.sources}):
        mean = np.zeros(DAYS + 4)
        for source in case.sources:
            if source.goods == goods:
                mean[(source.ready_on - first_day).days] += source.amount
        drawn = mean * rng.gamma(10, 0.1, size=(1_000, len(mean)))
        supplies[goods] = Supply(goods, first_day, np.minimum(drawn, 8e7).astype(np.int32))
    parts = [
        Part(want.line_id, want.line_id, goods, want.choices[0][1], want.choices[0][2], amount, want.rank)
        for want in case.wants
        for goods, amount in want.promised
    ]
    row = ratio(
        f"chances of {len(parts)} parts", lambda: chances(supplies, parts), case.plan, at_most=1, rounds=ROUNDS
    )  # fmt: skip
    yield row


def _farm_supplies(rng: np.random.Generator) -> list[Supply]:
    """Two goods over 38 days, 1,000 scenarios, some 160 kg each: the books of a farm."""
    found = []
    for strain in (1, 2):
        amounts = (rng.gamma(2, 3_000, size=(1_000, 38)) * (rng.random((1_000, 38)) < 0.7)).astype(np.int32)
        found.append(Supply(Goods(strain, "first"), TODAY - timedelta(days=3), amounts))
    return found


def arrival(seed: int) -> Iterator[Row]:
    """The same 60 orders of a farm in 100 orders of arrival: how far apart the kilos promised in all are.

    Identical orders get the same in all whatever their order; these differ in goods, days, amounts and chances.
    """
    rng = np.random.default_rng(seed)
    supplies = _farm_supplies(rng)
    questions = [_asked(rng, [each.goods for each in supplies]) for _ in range(60)]
    totals, by_line = [], []
    for _ in range(100):
        books = {each.goods: Book(each) for each in supplies}
        promised = np.zeros(len(questions), dtype=int)
        for place in rng.permutation(len(questions)).tolist():
            given = answer(questions[place], books=books)
            reserve(given, books=books)
            promised[place] = given.amount
        totals.append(int(promised.sum()))
        by_line.append(promised)
    mean, wanted = statistics.mean(totals), sum(each.wanted for each in questions)
    same, spread = float(np.mean(np.ptp(np.array(by_line), axis=0) == 0)), statistics.stdev(totals)
    yield judged(
        "arrival, % apart", [100 * (max(totals) - min(totals)) / mean],
        goal="beside it", kept=lambda _: True,
        note=f"{mean / 1e3:.0f} of {wanted / 1e3:.0f} kg, standard deviation {100 * spread / mean:.1f} %; "
        f"{100 * same:.0f} % of lines get the same in every order",
    )  # fmt: skip


def _asked(rng: np.random.Generator, goods: list[Goods]) -> Question:
    """A line for some day of the coming month; one of three takes the other goods too."""
    day = TODAY + timedelta(days=int(rng.integers(2, 30)))
    first, other = (goods[int(place)] for place in rng.permutation(2))
    accepted = [first, other] if rng.random() < 1 / 3 else [first]
    age = int(rng.integers(2, 7))
    return Question(
        500 * int(rng.integers(1, 25)),
        tuple(Choice(each, day - timedelta(days=age), day - timedelta(days=1)) for each in accepted),
        500,
        int(rng.choice([80, 90, 95])),
    )


def promises(seed: int) -> Iterator[Row]:
    """One answer of a line with two accepted goods and five later days, in milliseconds, at the size of a farm."""
    rng = np.random.default_rng(seed)
    books, goods = {}, []
    for supply in _farm_supplies(rng):
        book, each = Book(supply), supply.goods
        goods.append(each)
        for number in range(200):
            last = int(rng.integers(3, 36))
            first = TODAY + timedelta(days=last - int(rng.integers(2, 7)))
            amount = 500 * int(rng.integers(1, 8))
            book.append(Part(number, number, each, first, TODAY + timedelta(days=last), amount, number))
        books[each] = book
    on = TODAY + timedelta(days=18)

    def choices(day: date) -> tuple[Choice, ...]:
        return tuple(Choice(each, day - timedelta(days=5), day - timedelta(days=1)) for each in goods)

    later = tuple((on + timedelta(days=n), choices(on + timedelta(days=n))) for n in range(1, 6))
    question = Question(40_000, choices(on), 500, 90, later=later)
    times = []
    for _ in range(50):
        begun = perf_counter()
        answer(question, books=books)
        times.append(1_000 * (perf_counter() - begun))
    yield judged("promise, ms", times[10:], goal="<= 5", kept=lambda value: value <= 5)


def honesty(seed: int) -> Iterator[Row]:
    """A farm of 40 crops, and a small one of 10."""
    for count in (40, 10):
        yield from _honest(count, seed=seed)


def _honest(count: int, *, seed: int) -> Iterator[Row]:
    """Promises made on 1,000 scenarios of so many crops, counted on 5,000 fresh ones of the same farm.

    Beside them what the sum of daily quantiles would let be promised, and how a rule that promises the mean would do.
    """
    states = crops(count, seed=seed)
    knowledge = {1: learn(PEARL, stages=(), flushes=(), losses=())}
    drawn = [
        forecast(states, knowledge=knowledge, today=TODAY, days=35, scenarios=scenarios, seed=number)
        for scenarios, number in ((1_000, seed), (5_000, seed + 7_919))
    ]
    goods = max(drawn[0].supplies, key=lambda each: float(drawn[0].mean(each).sum()))
    known, fresh = (Supply(goods, TODAY, np.ascontiguousarray(each.supplies[goods])) for each in drawn)
    for target in (80, 90, 95):
        parts = _sold(known, seed=seed, largest=lambda book, first, last: book.largest(first, last, chance=target))  # noqa: B023 - used at once
        under = _under(parts, fresh, points=target - 2)
        yield judged(
            f"{count} crops at {target}, % 2 under", [100 * under / len(parts)],
            goal="< 2", kept=lambda value: value < 2,
            note=f"{under} of {len(parts)} lines, {sum(p.amount for p in parts) / 1_000:.0f} kg, seed {seed}",
        )  # fmt: skip
        if target == 90:
            daily = int(np.quantile(known.amounts, 0.1, axis=0).sum())
            ours = sum(p.amount for p in parts)
            yield judged(
                f"{count} crops at 90 / daily P10", [ours / max(daily, 1)],
                goal=">= 10", kept=lambda value: value >= 10,
                note=f"{ours / 1_000:.0f} kg against {daily / 1_000:.0f} kg",
            )  # fmt: skip
    mean = Supply(goods, TODAY, known.amounts.mean(axis=0, keepdims=True).astype(np.int32))
    parts = _sold(mean, seed=seed, largest=lambda book, first, last: book.largest(first, last, chance=100))
    under = _under(parts, fresh, points=88)
    yield judged(
        f"{count} crops by the mean, % < 88", [100 * under / len(parts)], goal="beside it", kept=lambda _: True,
        note=f"{under} of {len(parts)} lines, {sum(p.amount for p in parts) / 1_000:.0f} kg",
    )  # fmt: skip


def _sold(supply: Supply, *, seed: int, largest: Callable[[Book, date, date], int]) -> list[Part]:
    """What 600 kitchens in turn are promised of a book, each as much of its order as may be."""
    rng = np.random.default_rng(seed)
    book, parts = Book(supply), []
    for number in range(1, 601):
        last = TODAY + timedelta(days=int(rng.integers(0, 34)))
        first = last - timedelta(days=int(rng.integers(1, 6)))
        amount = min(500 * int(rng.integers(1, 13)), largest(book, first, last) // 500 * 500)
        if amount:
            parts.append(Part(number, number, supply.goods, first, last, amount, number))
            book.append(parts[-1])
    return parts


def _under(parts: list[Part], supply: Supply, *, points: int) -> int:
    """Parts kept in fewer than so many percent of the scenarios."""
    return sum(share < points / 100 for share in chances({supply.goods: supply}, parts).by_part.values())
