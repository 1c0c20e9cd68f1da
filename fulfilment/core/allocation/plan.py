"""The night's plan: pieces that stay, amounts, sources, lots, and an account for every line."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from fractions import Fraction
from typing import Final

import numpy as np

from fulfilment.core.allocation.amounts import Claim, settle
from fulfilment.core.allocation.carrying import carry
from fulfilment.core.allocation.collecting import uncollected
from fulfilment.core.allocation.network import Network, build, usable
from fulfilment.core.allocation.pouring import pour
from fulfilment.core.allocation.terms import Account, Code, Cohort, Piece, Plan, Source, Tight, Totals, Want
from fulfilment.core.fairness import Rule, bits
from fulfilment.core.problems import Invalid
from fulfilment.core.units import Goods

_ALL: Final = Fraction(100)
BLOCK: Final = 250
"""Lines that are counted side by side: as many as a processor's cache holds."""


@uncollected()
def allocate(
    wants: Sequence[Want],
    sources: Sequence[Source],
    *,
    today: date,
    rule: Mapping[int, Rule] | Rule = Rule.PRO_RATA,
    seed: int = 0,
) -> Plan:
    """Who gets what from where, and why.

    ``rule`` is the farm's, or one per tier (a tier without one shares pro rata).  ``seed`` only breaks ties.  The
    order in which wants and sources are listed does not matter.  Raises :class:`Invalid` for input that contradicts
    itself (a line or source twice, an amount below zero, a pack of nothing).
    """
    _check(wants, sources)
    wants = sorted(wants, key=lambda w: w.line_id)
    network = build(wants, sources, today=today)
    by_key = {source.key: source for source in sources}
    left = {key: by_key[key].amount for key in network.cohort_of}
    pinned = _pin(wants, by_key, left, today=today)
    held = [sum(left[source.key] for source in group) for group in network.lots]
    tops = [_top(want, sum(kept.values())) for want, kept in zip(wants, pinned, strict=True)]
    shared = [
        max(0, sum(left[source.key] - source.amount + source.sharable for source in group)) for group in network.lots
    ]
    settled = settle(
        wants, network, held=held, shared=shared, pinned=[_by_goods(kept, by_key) for kept in pinned], tops=tops,
        rules=rule, seed=seed,
    )  # fmt: skip
    claims, opened = settled.claims, settled.opened
    kept_back = [whole - part for whole, part in zip(held, opened, strict=True)]
    open_amounts = [claim.got - sum(kept.values()) for claim, kept in zip(claims, pinned, strict=True)]
    pieces = _sourced(wants, network, left, held=opened, pinned=pinned, amounts=open_amounts)
    lost = [_lost(want, network, kind, by_key, today=today) for want, kind in zip(wants, network.kind_of, strict=True)]
    accounts = _accounts(
        claims, network, pieces=pieces, pinned=pinned, lost=lost, kept_back=kept_back, by_key=by_key, rule=rule
    )
    return Plan(
        pieces=tuple(
            Piece(line_id=want.line_id, source=key, goods=by_key[key].goods, amount=amount)
            for want, line in zip(wants, pieces, strict=True)
            for key, amount in _oldest_first(line, by_key)
        ),
        accounts=accounts,
        amounts={claim.want.line_id: claim.got for claim in claims},
        totals=_totals(wants, accounts, pieces, there=sum(by_key[key].amount for key in network.cohort_of)),
        tight=tuple(Tight(tier, _cohorts(network, mask)) for tier, mask in settled.tight),
        kept_back={network.cohorts[t]: amount for t, amount in enumerate(kept_back) if amount},
        leaning=_cohorts(network, settled.leaning),
    )


def _cohorts(network: Network, mask: int) -> frozenset[Cohort]:
    return frozenset(network.cohorts[t] for t in bits(mask))


def _check(wants: Sequence[Want], sources: Sequence[Source]) -> None:
    for want in wants:
        below = want.ordered < 0 or want.at_least < 0 or want.picked < 0
        for _, amount in want.promised + want.previous:
            below = below or amount < 0
        if below:
            raise Invalid(f"Line {want.line_id} has an amount below zero.", code="negative", line=want.line_id)
        if want.pack < 1:
            raise Invalid(f"The pack of line {want.line_id} must hold at least 1.", code="no_pack", line=want.line_id)
    for source in sources:
        if source.amount < 0:
            raise Invalid(f"Source {source.key} holds less than nothing.", code="negative", source=source.key)
    if len({want.line_id for want in wants}) < len(wants):
        raise Invalid("A line is listed twice; list each once.", code="line_twice")
    if len({source.key for source in sources}) < len(sources):
        raise Invalid("A source is listed twice; list each once.", code="source_twice")


def _oldest_first(line: Mapping[str, int], by_key: Mapping[str, Source]) -> Iterable[tuple[str, int]]:
    return line.items() if len(line) < 2 else sorted(line.items(), key=lambda item: _age(by_key[item[0]]))


def _age(source: Source) -> tuple[date, date, str]:
    return source.usable_until, source.ready_on, source.key


def _stays(want: Want) -> bool:
    return want.frozen or want.picked > 0


def _pin(
    wants: Sequence[Want], by_key: Mapping[str, Source], left: dict[str, int], *, today: date
) -> list[dict[str, int]]:
    """Pieces of frozen and part-picked lines that stay, by rank where a source became too small.

    Takes them off ``left``.
    """
    pinned: list[dict[str, int]] = [{} for _ in wants]
    for place in sorted(range(len(wants)), key=lambda p: (wants[p].rank, wants[p].line_id)):
        want = wants[place]
        if not _stays(want):
            continue
        room = want.ordered
        for key, amount in want.previous:
            if key not in left or not usable(by_key[key], day=max(want.day, today)):
                continue
            step = min(amount, left[key], room)
            if step > 0:
                pinned[place][key] = pinned[place].get(key, 0) + step
                left[key] -= step
                room -= step
    return pinned


def _top(want: Want, pinned: int) -> int:
    """The most a line may end with: past cut-off what it had yesterday, or what a person promised it since."""
    if not want.frozen or not want.previous:
        return want.ordered
    had = sum(amount for _, amount in want.previous)
    return min(want.ordered, max(had, want.promised_total, pinned))


def _by_goods(kept: Mapping[str, int], by_key: Mapping[str, Source]) -> dict[Goods, int]:
    goods: dict[Goods, int] = {}
    for key, amount in kept.items():
        goods[by_key[key].goods] = goods.get(by_key[key].goods, 0) + amount
    return goods


def _sourced(
    wants: Sequence[Want],
    network: Network,
    left: dict[str, int],
    *,
    held: Sequence[int],
    pinned: Sequence[Mapping[str, int]],
    amounts: Sequence[int],
) -> list[dict[str, int]]:
    """Pieces per want, pinned ones included."""
    previous = [
        [(key, amount - kept.get(key, 0)) for key, amount in want.previous] if kept else want.previous
        for want, kept in zip(wants, pinned, strict=True)
    ]
    needs = [0] * len(network.kinds)
    before: dict[tuple[int, int], int] = {}
    for place, kind in enumerate(network.kind_of):
        needs[kind] += amounts[place]
        room = amounts[place]
        for key, amount in previous[place]:
            cohort = network.cohort_of.get(key, -1)
            step = min(amount, room)
            if cohort >= 0 and step > 0:
                before[kind, cohort] = before.get((kind, cohort), 0) + step
                room -= step
    carried = carry(network, needs=needs, held=held, before=before)
    pieces = pour(network, carried, needs=amounts, previous=previous, left=left)
    for line, kept in zip(pieces, pinned, strict=True):
        for key, amount in kept.items():
            line[key] = line.get(key, 0) + amount
    return pieces


def _lost(want: Want, network: Network, kind: int, by_key: Mapping[str, Source], *, today: date) -> int:
    """Grams of yesterday's pieces whose source is gone, empty or past its date."""
    lost, mask = 0, network.kinds[kind].mask
    for key, amount in want.previous:
        cohort = network.cohort_of.get(key, -1)
        if cohort >= 0 and mask >> cohort & 1:
            continue
        source = by_key.get(key)
        if source is None or not usable(source, day=max(want.day, today)):
            lost += amount
    return lost


def _accounts(
    claims: Sequence[Claim],
    network: Network,
    *,
    pieces: Sequence[Mapping[str, int]],
    pinned: Sequence[Mapping[str, int]],
    lost: Sequence[int],
    kept_back: Sequence[int],
    by_key: Mapping[str, Source],
    rule: Mapping[int, Rule] | Rule,
) -> dict[int, Account]:
    amounts = np.array([sum(source.amount for source in group) for group in network.lots], dtype=np.int64)
    reach = [list(bits(kind.mask)) for kind in network.kinds]
    held_in = [int(amounts[own].sum()) for own in reach]
    back = np.array(kept_back, dtype=np.int64)
    back_in = [int(back[own].sum()) for own in reach]
    owed = _owed(claims, network, pieces=pieces, pinned=pinned)
    order = sorted(range(len(claims)), key=lambda p: (claims[p].want.rank, claims[p].want.line_id))
    before = _promised_before(order, owed, network, stays=[_stays(claim.want) for claim in claims])
    names = {} if isinstance(rule, Rule) else {tier: own.value for tier, own in rule.items()}
    usual = (rule if isinstance(rule, Rule) else Rule.PRO_RATA).value
    accounts: dict[int, Account] = {}
    for place in order:
        claim, want = claims[place], claims[place].want
        kind = network.kind_of[place]
        there = held_in[kind]
        for key in pinned[place]:
            if not network.kinds[kind].mask >> network.cohort_of[key] & 1:
                there += by_key[key].amount
        liked, substituted = want.choices[0][0] if want.choices else None, 0
        for key, amount in pieces[place].items():
            if by_key[key].goods != liked:
                substituted += amount
        accounts[want.line_id] = Account(
            line_id=want.line_id,
            ordered=want.ordered,
            promised=want.promised_total,
            allocated=claim.got,
            there=there,
            promised_before=before[place],
            rule=names.get(want.tier, usual),
            share=_share(want, claim.got),
            code=_code(claim, there=there, lost=lost[place]),
            fair=claim.fair,
            minimum=claim.minimum,
            substituted=substituted,
            lost=lost[place],
            firm=claim.firm,
            part_pack=_part_pack(claim),
            kept_back=back_in[kind],
        )
    return accounts


def _promised_before(
    order: Sequence[int], owed: Sequence[Mapping[int, int]], network: Network, *, stays: Sequence[bool]
) -> list[int]:
    """Per want, the grams in its windows that go to earlier ranks, or to others who are past cut-off."""
    cohorts = len(network.cohorts)
    reach = np.zeros((len(network.kinds), cohorts), dtype=np.int64)
    for place, kind in enumerate(network.kinds):
        reach[place, list(bits(kind.mask))] = 1
    gone = np.zeros(cohorts, dtype=np.int64)
    for place in order:
        if stays[place]:
            for cohort, amount in owed[place].items():
                gone[cohort] += amount
    before = [0] * len(order)
    for first in range(0, len(order), BLOCK):
        block = order[first : first + BLOCK]
        own = np.zeros((len(block), cohorts), dtype=np.int64)
        fresh = np.zeros_like(own)
        for row, place in enumerate(block):
            for cohort, amount in owed[place].items():
                own[row, cohort] = amount
                if not stays[place]:
                    fresh[row, cohort] = amount
        until = gone + np.cumsum(fresh, axis=0) - own
        gone = gone + fresh.sum(axis=0)
        found = np.einsum("rc,rc->r", until, reach[[network.kind_of[place] for place in block]])
        for place, amount in zip(block, found.tolist(), strict=True):
            before[place] = amount
    return before


def _owed(
    claims: Sequence[Claim],
    network: Network,
    *,
    pieces: Sequence[Mapping[str, int]],
    pinned: Sequence[Mapping[str, int]],
) -> list[dict[int, int]]:
    """Per want, the grams by cohort that go first: what is promised, and all that stays past cut-off."""
    owed: list[dict[int, int]] = []
    for claim, line, kept in zip(claims, pieces, pinned, strict=True):
        room = max(min(claim.got, claim.promised), sum(kept.values()))
        mine: dict[int, int] = {}
        own = (
            line.items()
            if len(line) < 2
            else sorted(line.items(), key=lambda item: (item[0] not in kept, network.cohort_of[item[0]]))
        )
        for key, amount in own:
            step = min(room, amount)
            if step == 0:
                break
            cohort = network.cohort_of[key]
            mine[cohort] = mine.get(cohort, 0) + step
            room -= step
        owed.append(mine)
    return owed


def _share(want: Want, allocated: int) -> Fraction:
    whole = want.ordered + want.picked
    return Fraction(100 * (allocated + want.picked), whole) if allocated != want.ordered else _ALL


def _part_pack(claim: Claim) -> int:
    """Grams in a last pack that a broken promise does not fill."""
    return claim.got % claim.want.pack if claim.got < claim.promised else 0


def _code(claim: Claim, *, there: int, lost: int) -> Code:
    want, got = claim.want, claim.got
    if want.ordered == 0:
        return Code.FULL if want.picked else Code.NOTHING_ORDERED
    if got >= want.ordered:
        return Code.FULL
    if claim.top < want.ordered and got == claim.top:
        return Code.FROZEN
    if lost and got < min(sum(amount for _, amount in want.previous), want.ordered):
        return Code.HELD_BACK
    if not want.choices:
        return Code.NOTHING_ACCEPTED
    if there == 0:
        return Code.NOTHING_THERE
    if claim.dropped:
        return Code.MINIMUM_NOT_REACHED
    if got < claim.promised:
        return Code.PROMISE_SHORT
    if got == 0:
        return Code.NOTHING_LEFT
    return Code.SHORT_PROMISED_ONLY if got == claim.promised else Code.SHORT_SHARED


def _totals(
    wants: Sequence[Want], accounts: Mapping[int, Account], pieces: Sequence[Mapping[str, int]], *, there: int
) -> Totals:
    kept = 0
    for want, line in zip(wants, pieces, strict=True):
        before = dict(want.previous)
        if len(before) < len(want.previous):
            before = {key: sum(a for each, a in want.previous if each == key) for key in before}
        for key, amount in before.items():
            has = line.get(key, 0)
            kept += min(has, amount)
    lines = accounts.values()
    return Totals(
        ordered=sum(a.ordered for a in lines),
        promised=sum(a.promised for a in lines),
        there=there,
        allocated=sum(a.allocated for a in lines),
        promised_kept=sum(min(a.allocated, a.promised) for a in lines),
        substituted=sum(a.substituted for a in lines),
        kept_from_yesterday=kept,
    )
