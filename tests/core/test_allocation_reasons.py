"""Every number of every account counted again, line against source, and every claim its sentence makes of them."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction

from fulfilment.core.allocation import Code, Piece, Rule, Source, Want, allocate
from fulfilment.core.units import Goods

MONDAY = date(2026, 5, 4)
GOODS = (Goods(1, "a"), Goods(1, "b"), Goods(2, "a"))
PLANS = 250


def day(offset: int) -> date:
    return MONDAY + timedelta(days=offset)


def a_week(rng: random.Random) -> tuple[list[Want], list[Source]]:
    days = rng.randrange(1, 8)
    sources = [
        Source(f"lot:{t}", rng.choice(GOODS), rng.randrange(0, 6_000), day(r := rng.randrange(-5, days)), day(r + 7))
        for t in range(rng.randrange(1, 14))
    ]
    sources = [replace(s, to_share=rng.randrange(s.amount + 1)) if rng.random() < 0.3 else s for s in sources]
    wants = []
    for line in range(rng.randrange(2, 25)):
        on, age, pack = rng.randrange(0, days + 1), rng.randrange(1, 8), rng.choice([1, 100, 500])
        choices = tuple((g, day(on - age), day(on - 1)) for g in rng.sample(GOODS, rng.randrange(1, 4)))
        ordered = pack * rng.randrange(1, 9_000 // pack)
        promised = ((choices[0][0], rng.randrange(ordered) // pack * pack),) if rng.random() < 0.6 else ()
        before = ((rng.choice([*(s.key for s in sources), "gone"]), rng.randrange(1, 3_000)),)
        wants.append(
            Want(
                line, line, day(on), choices, ordered, tuple(p for p in promised if p[1]), rank=rng.randrange(100),
                tier=rng.choice([1, 2, 3]), pack=pack, at_least=rng.choice([0, 0, 0, 2 * pack]),
                previous=before if rng.random() < 0.2 else (),
            )
        )  # fmt: skip
    return wants, sources


def takes(want: Want, source: Source) -> bool:
    on = max(want.day, MONDAY)
    windows = any(g == source.goods and first <= source.ready_on <= last for g, first, last in want.choices)
    return windows and source.ready_on <= on <= source.usable_until


def owed(want: Want, pieces: Sequence[Piece], by_key: Mapping[str, Source], *, got: int) -> list[tuple[Source, int]]:
    """What of its pieces is promised, the first to spoil before the others."""
    room, mine = min(got, want.promised_total), []
    for piece in sorted(pieces, key=lambda p: (by_key[p.source].usable_until, by_key[p.source].ready_on, p.goods)):
        step = min(room, piece.amount)
        room -= step
        mine.append((by_key[piece.source], step))
    return mine


def code(want: Want, *, got: int, there: int, lost: int, stated: str) -> str:
    """Which reason it must be, from the numbers alone; a minimum that was not reached cannot be told from them."""
    had = min(sum(amount for _, amount in want.previous), want.ordered)
    if got >= want.ordered:
        return Code.FULL
    if lost and got < had:
        return Code.HELD_BACK
    if there == 0:
        return Code.NOTHING_THERE
    if stated == Code.MINIMUM_NOT_REACHED and got == 0 < want.at_least:
        return Code.MINIMUM_NOT_REACHED
    if got < want.promised_total:
        return Code.PROMISE_SHORT
    if got == 0:
        return Code.NOTHING_LEFT
    return Code.SHORT_PROMISED_ONLY if got == want.promised_total else Code.SHORT_SHARED


def test_every_stated_number_is_what_the_pieces_show() -> None:
    rng = random.Random(53)
    seen: Counter[str] = Counter()
    for _ in range(PLANS):
        wants, sources = a_week(rng)
        rule = {tier: rng.choice(list(Rule)) for tier in (1, 2)}
        plan = allocate(wants, sources, today=MONDAY, rule=rule)
        by_key = {s.key: s for s in sources}
        pieces: dict[int, list[Piece]] = {w.line_id: [] for w in wants}
        for piece in plan.pieces:
            pieces[piece.line_id].append(piece)
        got = {line: sum(p.amount for p in own) for line, own in pieces.items()}
        first = {w.line_id: owed(w, pieces[w.line_id], by_key, got=got[w.line_id]) for w in wants}
        assert plan.accounts.keys() == got.keys()
        for want in wants:
            account, own = plan.accounts[want.line_id], pieces[want.line_id]
            there = sum(s.amount for s in sources if takes(want, s))
            before = sum(
                amount
                for other in wants
                if (other.rank, other.line_id) < (want.rank, want.line_id)
                for source, amount in first[other.line_id]
                if takes(want, source)
            )
            lost = sum(
                amount
                for key, amount in want.previous
                if key not in by_key or not by_key[key].ready_on <= max(want.day, MONDAY) <= by_key[key].usable_until
            )
            assert (account.ordered, account.promised) == (want.ordered, want.promised_total)
            assert account.allocated == got[want.line_id] == plan.amounts[want.line_id]
            assert account.there == there
            assert account.kept_back == sum(
                amount
                for (goods, ready, until), amount in plan.kept_back.items()
                if takes(want, Source("", goods, amount, ready, until))
            )
            assert account.promised_before == before
            assert account.rule == rule.get(want.tier, Rule.PRO_RATA).value
            assert account.share == Fraction(100 * got[want.line_id], want.ordered)
            assert account.lost == lost
            assert account.substituted == sum(p.amount for p in own if p.goods != want.choices[0][0])
            broken = got[want.line_id] < want.promised_total
            assert account.part_pack == (got[want.line_id] % want.pack if broken else 0)
            assert account.code == code(want, got=got[want.line_id], there=there, lost=lost, stated=account.code)
            seen[account.code] += 1
    assert all(
        seen[each] > 10
        for each in (
            Code.FULL, Code.NOTHING_THERE, Code.NOTHING_LEFT, Code.PROMISE_SHORT, Code.SHORT_PROMISED_ONLY,
            Code.SHORT_SHARED, Code.HELD_BACK, Code.MINIMUM_NOT_REACHED,
        )
    ), seen  # fmt: skip


def test_what_the_sentences_claim_is_so() -> None:
    """A broken promise: less is left in its window than was promised.  Nothing left: not one pack of it is free."""
    rng = random.Random(59)
    broken = nothing = 0
    for _ in range(PLANS):
        wants, sources = a_week(rng)
        wants = [replace(w, previous=()) for w in wants]
        plan = allocate(wants, sources, today=MONDAY)
        used: Counter[str] = Counter()
        for piece in plan.pieces:
            used[piece.source] += piece.amount
        for want in wants:
            account = plan.accounts[want.line_id]
            free = sum(s.amount - used[s.key] for s in sources if takes(want, s)) - account.kept_back
            if account.code == Code.PROMISE_SHORT:
                broken += 1
                assert account.there - account.promised_before >= account.allocated
                if len(want.choices) == 1:
                    assert account.there - account.promised_before < account.promised
                assert free < want.pack, "a broken promise takes whole packs of a substitute, and of its own every gram"
            elif account.code == Code.NOTHING_LEFT:
                nothing += 1
                assert free < want.pack
            elif account.code == Code.NOTHING_THERE:
                assert not any(takes(want, s) and s.amount for s in sources)
    assert broken > 50
    assert nothing > 50
