"""A plan checked by plain counting, without solver, network or anything else the plan was made with.

What must hold: no source gives more than it holds, nothing goes where its goods, age or date do not fit, and what is
not listed as a source (things on hold) gives nothing; what is past cut-off, or of a line picked in part, keeps its
source; amounts are what the pieces hold, at most what is ordered, in whole packs where no promise is broken, and not
below a minimum; no promise is short while others have more than theirs, nothing lies unused that somebody could use;
every account's numbers are those counted here.  What is for promises only is never shared out: the plan says how much
of each harvest it kept back and names a set of goods (``Plan.leaning``), and it is counted that the promises which
accept nothing but that set come to more than it has to share by all that was not kept back.

And the division is fair.  The plan names sets of goods (``Plan.tight``); for each it is counted that what they hold
goes, to the last gram, to lines that can use nothing else, and that none of those stands higher, above what was firm,
than the short lines the set is named for.  So nobody short can be raised except out of somebody who stands no higher:
there is no path from a better-filled line to a worse-filled one of its tier.  No final amount lies a pack below that.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date
from fractions import Fraction
from typing import Final

from fulfilment.core.allocation.collecting import uncollected
from fulfilment.core.allocation.shelf import Shelf, kept_pieces, stays
from fulfilment.core.allocation.terms import Account, Code, Piece, Plan, Source, Want
from fulfilment.core.fairness import Rule

FINE: Final = 64
"""Levels are compared in units of 2⁻⁶⁴."""


@uncollected()
def audit(plan: Plan, wants: Sequence[Want], sources: Sequence[Source], *, today: date | None = None) -> list[str]:
    """What is wrong with ``plan``, each fault a sentence; empty when it is right."""
    shelf = Shelf(sources, wants, today=today)
    kept = kept_pieces(wants, shelf, today=today)
    strange = [
        f"{_where(piece)} names what was not asked or is not there"
        for piece in plan.pieces
        if piece.line_id not in shelf.kind_of or piece.source not in shelf.by_key
    ]
    faults = strange or [
        *_pieces(plan, wants, shelf, kept, today=today),
        *_kept_back(plan, wants, shelf, kept),
        *_amounts(plan, wants),
        *_accounts(plan, wants, shelf),
        *_unused(plan, wants, shelf),
    ]
    return faults or _fairness(plan, wants, shelf, kept)


def _least(want: Want) -> int:
    """The least worth sending; a promise below the customer's minimum was accepted by a person."""
    return min(want.at_least, want.ordered, want.promised_total or want.at_least)


def _pieces(
    plan: Plan, wants: Sequence[Want], shelf: Shelf, kept: Mapping[int, Mapping[str, int]], *, today: date | None
) -> list[str]:
    faults: list[str] = []
    by_line = {want.line_id: want for want in wants}
    used: defaultdict[str, int] = defaultdict(int)
    given: dict[tuple[int, str], int] = {}
    for piece in plan.pieces:
        want, source = by_line[piece.line_id], shelf.by_key[piece.source]
        used[piece.source] += piece.amount
        if piece.amount <= 0:
            faults.append(f"{_where(piece)} is {piece.amount}")
        if (piece.line_id, piece.source) in given:
            faults.append(f"{_where(piece)} is listed twice")
        given[piece.line_id, piece.source] = piece.amount
        if piece.goods != source.goods:
            faults.append(f"{_where(piece)} calls it {piece.goods}, it is {source.goods}")
        if shelf.cell_of[piece.source] in shelf.reach[shelf.kind_of[piece.line_id]]:
            continue
        day = want.day if today is None else max(want.day, today)
        if not source.ready_on <= day <= source.usable_until:
            faults.append(
                f"{_where(piece)} is not harvested by {day}, or past its date then"
            )  # fmt: skip
        elif piece.amount > kept.get(piece.line_id, {}).get(piece.source, 0):
            faults.append(f"{_where(piece)} is nothing the line accepts")
    faults += [
        f"{key} gives {amount}, it holds {shelf.by_key[key].amount}"
        for key, amount in used.items()
        if amount > shelf.by_key[key].amount
    ]
    for line_id, own in kept.items():
        faults += [
            f"line {line_id} is past cut-off or picked in part and keeps {given.get((line_id, key), 0)} of {amount}"
            f" from {key}"
            for key, amount in own.items()
            if given.get((line_id, key), 0) < amount
        ]
    return faults


def _opened(plan: Plan, shelf: Shelf) -> list[int]:
    """By cell, what is there for all."""
    return [shelf.holds[cell] - plan.kept_back.get(cohort, 0) for cohort, cell in shelf.cells.items()]


def _kept_back(plan: Plan, wants: Sequence[Want], shelf: Shelf, kept: Mapping[int, Mapping[str, int]]) -> list[str]:
    """What is for promises only: none of it goes elsewhere, and promises take no more of it than they must."""
    if not shelf.cells.keys() >= {*plan.kept_back, *plan.leaning}:
        return ["the plan keeps back what is not there"]
    faults: list[str] = []
    used, pinned = [0] * len(shelf.holds), [0] * len(shelf.holds)
    for piece in plan.pieces:
        used[shelf.cell_of[piece.source]] += piece.amount
    for own in kept.values():
        for key, amount in own.items():
            pinned[shelf.cell_of[key]] += amount
    shared = [max(0, share - stays) for share, stays in zip(shelf.shares, pinned, strict=True)]
    leaned = 0
    for cohort, cell in shelf.cells.items():
        back = plan.kept_back.get(cohort, 0)
        beyond = shelf.holds[cell] - pinned[cell] - shared[cell]
        leaned += beyond - back
        if not 0 <= back <= beyond or used[cell] > shelf.holds[cell] - back:
            faults.append(f"{cohort[0]} of {cohort[1]} keeps back {back} of {beyond} and gives {used[cell]}")
    proof = {cell for cohort, cell in shelf.cells.items() if cohort in plan.leaning or not shelf.holds[cell]}
    confined = [cells <= proof for cells in shelf.reach]
    needed = -sum(shared[cell] for cell in proof)
    for want in wants:
        if confined[shelf.kind_of[want.line_id]]:
            account, own = plan.accounts.get(want.line_id), kept.get(want.line_id, {})
            needed += max(0, min(account.firm, want.promised_total) - sum(own.values())) if account else 0
    if leaned and leaned != needed:
        faults.append(f"promises lean on {leaned} of what is not to be shared, they need {needed}")
    return faults


def _where(piece: Piece) -> str:
    return f"the piece of line {piece.line_id} from {piece.source}"


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
        if stays(want) or got in (0, want.ordered):
            continue
        if got < _least(want):
            faults.append(f"line {want.line_id} gets {got}, below its minimum of {_least(want)}")
        whole = not (want.at_least % want.pack or any(amount % want.pack for _, amount in want.promised))
        if got % want.pack and got >= want.promised_total and whole:
            faults.append(f"line {want.line_id} gets {got}, no whole number of packs of {want.pack}")
    return faults


def _accounts(plan: Plan, wants: Sequence[Want], shelf: Shelf) -> list[str]:
    faults: list[str] = []
    there_for = shelf.sums(shelf.holds)
    back_for = shelf.sums([whole - part for whole, part in zip(shelf.holds, _opened(plan, shelf), strict=True)])
    outside: defaultdict[int, int] = defaultdict(int)
    substituted: defaultdict[int, int] = defaultdict(int)
    liked = {want.line_id: want.choices[0][0] if want.choices else None for want in wants}
    for piece in plan.pieces:
        if piece.goods != liked[piece.line_id]:
            substituted[piece.line_id] += piece.amount
        if shelf.cell_of[piece.source] not in shelf.reach[shelf.kind_of[piece.line_id]]:
            outside[piece.line_id] += shelf.by_key[piece.source].amount
    for want in wants:
        account = plan.accounts.get(want.line_id)
        if account is None:
            faults.append(f"line {want.line_id} has no account")
            continue
        got = plan.amounts.get(want.line_id, 0)
        there = there_for[shelf.kind_of[want.line_id]] + outside[want.line_id]
        promised = want.promised_total
        broken = got % want.pack if got < min(promised, want.ordered) else 0
        said = (
            account.ordered, account.promised, account.allocated, account.there, account.kept_back,
            account.substituted, account.part_pack,
        )  # fmt: skip
        back = back_for[shelf.kind_of[want.line_id]]
        true = (want.ordered, promised, got, there, back, substituted[want.line_id], broken)
        whole = want.ordered + want.picked
        share, below = account.share.as_integer_ratio()
        if said != true or share * (whole or 1) != below * (100 * (got + want.picked) if whole else 100):
            faults.append(f"the account of line {want.line_id} says {said} and {account.share} %, counted are {true}")
        if not 0 <= account.promised_before <= there:
            faults.append(f"before line {want.line_id} {account.promised_before} of {there} are said to be promised")
        full = account.allocated == want.ordered
        if full != (account.code in (Code.FULL, Code.NOTHING_ORDERED)):
            faults.append(f"line {want.line_id} gets {account.allocated} of {want.ordered}, called {account.code}")
        if account.code == Code.NOTHING_THERE and there:
            faults.append(f"line {want.line_id} is told that nothing was there, {there} was")
    return faults


def _unused(plan: Plan, wants: Sequence[Want], shelf: Shelf) -> list[str]:
    """Lines that could have one more pack of what is left, or one promised them of what others got unpromised."""
    faults: list[str] = []
    left = _opened(plan, shelf)
    for piece in plan.pieces:
        left[shelf.cell_of[piece.source]] -= piece.amount
    spare_for = shelf.sums(left)
    beyond = {
        want.line_id: 0 if stays(want) else max(0, plan.amounts.get(want.line_id, 0) - want.promised_total)
        for want in wants
    }
    taken: dict[int, dict[int, int]] = {}
    for piece in plan.pieces:
        if beyond[piece.line_id]:
            own = taken.setdefault(shelf.cell_of[piece.source], {})
            own[piece.line_id] = own.get(piece.line_id, 0) + piece.amount
    others: dict[int, dict[int, int]] = {}
    """By kind: what each line has of the cells accepted, where it got more than promised."""
    for want in wants:
        got = plan.amounts.get(want.line_id, 0)
        if got >= want.ordered or want.frozen:
            continue
        least = 0 if got else _least(want)
        kind = shelf.kind_of[want.line_id]
        spare = spare_for[kind]
        if spare >= max(least, min(want.pack, want.ordered - got)):
            faults.append(f"line {want.line_id} has {got} of {want.ordered} while {spare} it accepts is left")
        if want.promised_total <= got:
            continue
        if kind not in others:
            found: defaultdict[int, int] = defaultdict(int)
            for cell in shelf.reach[kind]:
                for line_id, amount in taken.get(cell, {}).items():
                    found[line_id] += amount
            others[kind] = {line_id: min(amount, beyond[line_id]) for line_id, amount in found.items()}
        unpromised = sum(others[kind].values()) - others[kind].get(want.line_id, 0)
        if spare + unpromised >= max(least, min(want.pack, want.promised_total - got)):
            faults.append(f"line {want.line_id} is short of its promise while others have {unpromised} beyond theirs")
    return faults


# ---- Fairness -------------------------------------------------------------------------------------------------------


def _fairness(plan: Plan, wants: Sequence[Want], shelf: Shelf, kept: Mapping[int, Mapping[str, int]]) -> list[str]:
    """Each tier's division before packs, counted through its tight sets; other faults must have been found before."""
    faults: list[str] = []
    held = _opened(plan, shelf)
    pinned: dict[int, int] = {}
    for line_id, own in kept.items():
        pinned[line_id] = sum(own.values())
        for key, amount in own.items():
            held[shelf.cell_of[key]] -= amount
    reach = [sum(1 << cell for cell in cells if held[cell]) for cells in shelf.reach]
    drawn: list[Fraction | int] = [0] * len(reach)
    """By kind, what its lines draw at this tier's turn: better tiers what they end with, worse what is firm."""
    tiers: defaultdict[int, list[Want]] = defaultdict(list)
    for want in wants:
        tiers[want.tier].append(want)
        drawn[shelf.kind_of[want.line_id]] += plan.accounts[want.line_id].firm - pinned.get(want.line_id, 0)
    for tier, lines in sorted(tiers.items()):
        highest = [_LOWEST] * len(reach)
        short: list[tuple[int, Want]] = []
        told = [plan.accounts[want.line_id] for want in lines]
        fair = [account.fair.as_integer_ratio() for account in told]
        rises: defaultdict[tuple[int, int], int] = defaultdict(int)
        falls: defaultdict[tuple[int, int], int] = defaultdict(int)
        for want, account, (above, below) in zip(lines, told, fair, strict=True):
            kind, firm = shelf.kind_of[want.line_id], account.firm * below
            top = _top(want, pinned.get(want.line_id, 0)) * below
            if not firm <= above <= top or account.allocated * below <= above - want.pack * below:
                faults.append(
                    f"line {want.line_id} has {account.allocated}; fair was {account.fair}, firm {account.firm}"
                )  # fmt: skip
            rises[kind, below] += above - firm
            falls[kind, below] += account.allocated * below - above
            if firm < above or above < top:
                level = _level(account, want, above, below)
                if firm < above:
                    highest[kind] = max(highest[kind], level)
                if above < top and not (want.at_least and account.allocated < _least(want)):
                    short.append((level, want))
        _draw(drawn, rises)
        sets = [
            sum(1 << shelf.cells[cell] for cell in tight.cohorts if cell in shelf.cells)
            for tight in plan.tight
            if tight.tier == tier
        ]
        faults += _proofs([0, *sets], short, reach=reach, drawn=drawn, held=held, highest=highest, shelf=shelf)
        _draw(drawn, falls)
    return faults


_LOWEST: Final = -(1 << 200)


def _proofs(
    sets: Sequence[int],
    short: Sequence[tuple[int, Want]],
    *,
    reach: Sequence[int],
    drawn: Sequence[Fraction | int],
    held: Sequence[int],
    highest: Sequence[int],
    shelf: Shelf,
) -> list[str]:
    """Whether every short line lies in a set that is used up by lines who stand no higher."""
    faults: list[str] = []
    proved: dict[int, int] = {}
    """By kind: the lowest level for which a set proves that it cannot be raised."""
    for cells in sets:
        inside = [kind for kind, mask in enumerate(reach) if not mask & ~cells]
        holds = sum(amount for cell, amount in enumerate(held) if cells >> cell & 1)
        if sum(drawn[kind] for kind in inside) != holds:
            faults.append(f"of {holds} said to be used up {sum(drawn[kind] for kind in inside)} is")
            continue
        level = max((highest[kind] for kind in inside), default=_LOWEST)
        for kind in inside:
            proved[kind] = min(proved.get(kind, level), level)
    for level, want in short:
        if proved.get(shelf.kind_of[want.line_id], level + 1) > level:
            faults.append(f"line {want.line_id} is short while others of its tier stand higher and could give to it")
    return faults


def _draw(drawn: list[Fraction | int], more: Mapping[tuple[int, int], int]) -> None:
    """``more`` by kind and denominator: fractions are slow to add one by one."""
    for (kind, below), amount in more.items():
        if amount:
            drawn[kind] += Fraction(amount, below)


def _top(want: Want, pinned: int) -> int:
    """The most a line may have: past cut-off no more than it had, or than a person promised it since."""
    if not want.frozen or not want.previous:
        return want.ordered
    return min(want.ordered, max(sum(amount for _, amount in want.previous), want.promised_total, pinned))


def _level(account: Account, want: Want, above: int, below: int) -> int:
    """Where a line with the fair amount ``above / below`` stands by its tier's rule, what was picked counted in."""
    if account.rule == Rule.PRO_RATA:
        return ((above + want.picked * below) << FINE) // (below * (want.ordered + want.picked))
    standing = want.picked if account.rule == Rule.EQUAL_SHARES else -want.ordered
    return ((above + standing * below) << FINE) // below
