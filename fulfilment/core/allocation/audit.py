"""A plan checked by plain counting, without solver, network or anything else the plan was made with."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import date
from fractions import Fraction

from fulfilment.core.allocation.terms import Code, Plan, Source, Want


def audit(plan: Plan, wants: Sequence[Want], sources: Sequence[Source], *, today: date | None = None) -> list[str]:
    """What is wrong with ``plan``, each fault a sentence; empty when it is right."""
    return [
        *_pieces(plan, wants, sources, today=today),
        *_amounts(plan, wants),
        *_accounts(plan, wants, sources, today=today),
        *_unused(plan, wants, sources, today=today),
    ]


def _day(want: Want, today: date | None) -> date:
    return want.day if today is None else max(want.day, today)


def _accepts(want: Want, source: Source, day: date) -> bool:
    return source.ready_on <= day <= source.usable_until and any(
        goods == source.goods and first <= source.ready_on <= last for goods, first, last in want.choices
    )


def _stays(want: Want, key: str) -> int:
    """What of source ``key`` a line past cut-off, or picked in part, may keep without accepting it anew."""
    if not want.frozen and want.picked == 0:
        return 0
    return sum(amount for source, amount in want.previous if source == key)


def _least(want: Want) -> int:
    """The least worth sending; a promise below the customer's minimum was accepted by a person."""
    return min(want.at_least, want.ordered, want.promised_total or want.at_least)


def _pieces(plan: Plan, wants: Sequence[Want], sources: Sequence[Source], *, today: date | None) -> list[str]:
    faults: list[str] = []
    by_line = {want.line_id: want for want in wants}
    by_key = {source.key: source for source in sources}
    used: defaultdict[str, int] = defaultdict(int)
    seen: set[tuple[int, str]] = set()
    for piece in plan.pieces:
        want, source = by_line.get(piece.line_id), by_key.get(piece.source)
        where = f"the piece of line {piece.line_id} from {piece.source}"
        if want is None or source is None:
            faults.append(f"{where} names what was not asked or is not there")
            continue
        used[piece.source] += piece.amount
        if piece.amount <= 0:
            faults.append(f"{where} is {piece.amount}")
        if (piece.line_id, piece.source) in seen:
            faults.append(f"{where} is listed twice")
        seen.add((piece.line_id, piece.source))
        day = _day(want, today)
        if piece.goods != source.goods:
            faults.append(f"{where} calls it {piece.goods}, it is {source.goods}")
        if not source.ready_on <= day <= source.usable_until:
            faults.append(f"{where} is not harvested by {day}, or past its date then")
        elif not _accepts(want, source, day) and piece.amount > _stays(want, piece.source):
            faults.append(f"{where} is nothing the line accepts")
    return faults + [
        f"{key} gives {amount}, it holds {by_key[key].amount}"
        for key, amount in used.items()
        if amount > by_key[key].amount
    ]


def _amounts(plan: Plan, wants: Sequence[Want]) -> list[str]:
    faults: list[str] = []
    sums: defaultdict[int, int] = defaultdict(int)
    for piece in plan.pieces:
        sums[piece.line_id] += piece.amount
    if set(plan.amounts) != {want.line_id for want in wants}:
        faults.append("the amounts are not those of the lines asked")
    for want in wants:
        got = plan.amounts.get(want.line_id, 0)
        if got != sums[want.line_id]:
            faults.append(f"line {want.line_id} is said to get {got}, its pieces hold {sums[want.line_id]}")
        if got > want.ordered:
            faults.append(f"line {want.line_id} gets {got} of {want.ordered} ordered")
        stays = want.frozen or want.picked > 0
        least = _least(want)
        if 0 < got < least and not stays:
            faults.append(f"line {want.line_id} gets {got}, below its minimum of {least}")
        loose = any(amount % want.pack for _, amount in want.promised)
        if got % want.pack and got != want.ordered and not loose and not stays and want.at_least % want.pack == 0:
            faults.append(f"line {want.line_id} gets {got}, no whole number of packs of {want.pack}")
    return faults


def _accounts(plan: Plan, wants: Sequence[Want], sources: Sequence[Source], *, today: date | None) -> list[str]:
    faults: list[str] = []
    for want in wants:
        account = plan.accounts.get(want.line_id)
        if account is None:
            faults.append(f"line {want.line_id} has no account")
            continue
        day = _day(want, today)
        mine = {p.source for p in plan.pieces if p.line_id == want.line_id} if want.frozen or want.picked else set()
        there = sum(s.amount for s in sources if _accepts(want, s, day) or s.key in mine)
        whole = want.ordered + want.picked
        share = Fraction(100 * (plan.amounts.get(want.line_id, 0) + want.picked), whole) if whole else Fraction(100)
        said = (account.ordered, account.promised, account.allocated, account.there, account.share)
        true = (want.ordered, want.promised_total, plan.amounts.get(want.line_id, 0), there, share)
        if said != true:
            faults.append(f"the account of line {want.line_id} says {said}, counted are {true}")
        if not 0 <= account.promised_before <= there:
            faults.append(f"before line {want.line_id} {account.promised_before} of {there} are said to be promised")
        full = account.allocated == want.ordered
        if full != (account.code in (Code.FULL, Code.NOTHING_ORDERED)):
            faults.append(f"line {want.line_id} gets {account.allocated} of {want.ordered}, called {account.code}")
        if account.code == Code.NOTHING_THERE and there:
            faults.append(f"line {want.line_id} is told that nothing was there, {there} was")
    return faults


def _unused(plan: Plan, wants: Sequence[Want], sources: Sequence[Source], *, today: date | None) -> list[str]:
    """Lines that could have one more pack of what is left, or one promised them of what others got unpromised."""
    faults: list[str] = []
    left = {source.key: source.amount for source in sources}
    taken: defaultdict[str, list[tuple[int, int]]] = defaultdict(list)
    for piece in plan.pieces:
        left[piece.source] = left.get(piece.source, 0) - piece.amount
        taken[piece.source].append((piece.line_id, piece.amount))
    extra = {
        want.line_id: 0
        if want.frozen or want.picked
        else max(0, plan.amounts.get(want.line_id, 0) - want.promised_total)
        for want in wants
    }
    for want in wants:
        got = plan.amounts.get(want.line_id, 0)
        if got >= want.ordered or want.frozen:
            continue
        least = 0 if got else _least(want)
        day = _day(want, today)
        mine = [source.key for source in sources if _accepts(want, source, day)]
        spare = sum(left[key] for key in mine)
        if spare >= max(least, min(want.pack, want.ordered - got)):
            faults.append(f"line {want.line_id} has {got} of {want.ordered} while {spare} it accepts is left")
        owed = want.promised_total - got
        if owed <= 0:
            continue
        from_others: defaultdict[int, int] = defaultdict(int)
        for key in mine:
            for line_id, amount in taken[key]:
                if line_id != want.line_id:
                    from_others[line_id] += amount
        unpromised = sum(min(amount, extra[line_id]) for line_id, amount in from_others.items())
        if spare + unpromised >= max(least, min(want.pack, owed)):
            faults.append(f"line {want.line_id} is short of its promise while others have {unpromised} beyond theirs")
    return faults
