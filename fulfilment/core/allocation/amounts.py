"""How much every line gets, before any lot is named.

In this order: pieces past cut-off stay; promises in rank order, each part first from the goods it was promised in,
then (a promise its own goods cannot keep) from any goods the line accepts; customers' minimums, all or nothing, by
tier and rank; what is left by tier under the tier's rule.  Promises may lean on all that is expected, the rest only on
what is to be shared of it (:mod:`.leaning`).  Each step keeps what the earlier ones gave and may
only move it to other sources.  Promises and minimums are decided by rank strictly, so one exact question to the
network per line gives the same choice as an integer programme would, without its tolerances.

A promise its own goods cannot keep whole is kept to the gram: it may end in a part pack, since whoever was promised
500 g would rather have 400 than none.  What is shared beyond promises is whole packs, or the whole order: a line's fair
amount is cut down to packs, the packs left go by largest remainder, and what then still makes up a pack goes to whoever
stands lowest and can use it.
"""

from __future__ import annotations

import heapq
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final

from fulfilment.core.allocation.leaning import lean
from fulfilment.core.allocation.network import Network
from fulfilment.core.allocation.terms import Want
from fulfilment.core.fairness import Curve, Flow, Rule, curve, fixed, leximin_proved
from fulfilment.core.units import Goods

_FINE: Final = 64
"""Levels are compared as whole numbers of 2⁻⁶⁴, where those of orders of at most 10⁸ never fall together."""


@dataclass(slots=True)
class Claim:
    """One want while its amount is being found.  ``got`` is firm so far; ``top`` the most it may end with."""

    want: Want
    node: int
    parts: list[tuple[int, int, int]]
    """(rank, node of the part, amount)"""
    got: int
    top: int
    promised: int
    minimum: int
    firm: int = 0
    """What promises and the minimum brought."""
    instead: int = 0
    """Pinned grams of other goods than promised beyond whole packs: they stand for as many of its own."""
    dropped: bool = False
    fair: Fraction = field(default_factory=Fraction)
    tie: int = 0

    def whole(self, amount: int) -> int:
        """The largest allowed amount not above ``amount``, seen from what is firm."""
        if amount >= self.top:
            return self.top
        return self.got + (amount - self.got) // self.want.pack * self.want.pack

    def step(self) -> int:
        """What one more pack would be; 0 where nothing more is wanted."""
        return min(self.want.pack, self.top - self.got)


@dataclass(frozen=True, slots=True)
class Settled:
    """The claims with their final amounts, pinned grams included, and what proves them right.

    ``tight``: by tier the masks of cohorts that prove its division fair, lowest level first.  ``opened`` is what each
    cohort has for all, after what is for promises only and none needed; ``leaning`` the mask that proves that promises
    had to lean on the rest.
    """

    claims: list[Claim]
    tight: list[tuple[int, int]]
    opened: list[int]
    leaning: int


def settle(
    wants: Sequence[Want],
    network: Network,
    *,
    held: Sequence[int],
    shared: Sequence[int],
    pinned: Sequence[Mapping[Goods, int]],
    tops: Sequence[int],
    rules: Mapping[int, Rule] | Rule,
    seed: int,
) -> Settled:
    """How much every line gets.

    ``held`` is what each cohort has after pinned pieces, ``shared`` what of it may go beyond promises; ``pinned`` (by
    goods) and ``tops`` are per want.
    """
    stays = [sum(by_goods.values()) for by_goods in pinned]
    masks, nodes = _nodes(network)
    claims: list[Claim] = []
    part_masks: list[int] = []
    part_nodes: dict[tuple[int, Goods], int] = {}
    for place, want in enumerate(wants):
        node = nodes[network.kind_of[place]]
        claim = Claim(want=want, node=node, parts=[], got=stays[place], top=tops[place], promised=0, minimum=0)
        claim.promised = min(want.promised_total, claim.top)
        claim.minimum = _minimum(claim)
        left = claim.promised - claim.got
        own = sum(pinned[place].get(goods, 0) for goods, _ in want.promised)
        claim.instead = (claim.got - own) % want.pack if left > 0 else 0
        for i, (goods, amount) in enumerate(want.promised):
            share = min(amount - pinned[place].get(goods, 0), left)
            if share <= 0:
                continue
            left -= share
            cell = part_nodes.setdefault((node, goods), len(part_masks))
            if cell == len(part_masks):
                part_masks.append(masks[node] & network.goods_masks.get(goods, 0))
            claim.parts.append((want.part_ranks[i] if i < len(want.part_ranks) else want.rank, cell, share))
        claims.append(claim)
    flow = _own_goods(claims, part_masks, masks, list(part_nodes), held=held)
    _keep_promises(claims, flow, pinned=stays)
    leaning = lean(flow, held=held, shared=shared)
    _serve_minimums(claims, leaning.flow)
    for claim in claims:
        claim.firm = claim.got
    tight: list[tuple[int, int]] = []
    for tier in sorted({c.want.tier for c in claims}):
        rule = rules if isinstance(rules, Rule) else rules.get(tier, Rule.PRO_RATA)
        sets = _share_tier(claims, masks, tier=tier, rule=rule, held=leaning.opened, pinned=stays, seed=seed)
        tight += [(tier, mask) for mask in sets]
    return Settled(claims, tight, leaning.opened, leaning.proof)


def _nodes(network: Network) -> tuple[list[int], list[int]]:
    """Masks that differ, and for each class the place of its own."""
    masks: list[int] = []
    places: dict[int, int] = {}
    nodes: list[int] = []
    for kind in network.kinds:
        place = places.setdefault(kind.mask, len(masks))
        if place == len(masks):
            masks.append(kind.mask)
        nodes.append(place)
    return masks, nodes


def _minimum(claim: Claim) -> int:
    """The least worth sending: of a promise to the gram, else in whole packs.  A promise below it was accepted by a
    person and stands.
    """
    want = claim.want
    if want.at_least <= 0 or claim.got > 0:
        return 0
    if claim.promised > 0:
        return min(want.at_least, claim.promised)
    return min(-(-want.at_least // want.pack) * want.pack, claim.top)


def _mix(seed: int, line_id: int) -> int:
    """A fixed shuffle of line ids, so that ties do not always fall to the same kitchen, yet the same every night."""
    mixed = (line_id * 0x9E3779B97F4A7C15 + seed * 0xD1B54A32D192ED03) & 0xFFFFFFFFFFFFFFFF
    mixed = ((mixed ^ mixed >> 30) * 0xBF58476D1CE4E5B9) & 0xFFFFFFFFFFFFFFFF
    return mixed ^ mixed >> 31


def _own_goods(
    claims: Sequence[Claim],
    part_masks: list[int],
    masks: list[int],
    cells: list[tuple[int, Goods]],
    *,
    held: Sequence[int],
) -> Flow:
    """Promised parts from the goods they were promised in, by rank; returns the flow of whole lines."""
    own = Flow(part_masks, held)
    parts = sorted(
        (rank, claim.want.line_id, i, place)
        for place, claim in enumerate(claims)
        for i, (rank, _, _) in enumerate(claim.parts)
    )
    for _, _, i, place in parts:
        claim, (_, cell, amount) = claims[place], claims[place].parts[i]
        added = own.add(cell, amount)
        # A plan fixes amounts first; which grams of its own a line gave for others' was the sources' matter.
        stands = min(added, claim.instead)
        if stands:
            own.drop(cell, stands)
            claim.instead -= stands
        claim.got += added - stands
    flow = Flow(masks, held)
    for (node, _), taken in zip(cells, own.taken, strict=True):
        for source, amount in taken.items():
            flow.move(node, source, amount)
    return flow


def _keep_promises(claims: Sequence[Claim], flow: Flow, *, pinned: Sequence[int]) -> None:
    """Promises their own goods could not keep, from anything the line accepts, by rank; below a minimum nothing."""
    short = [place for place, c in enumerate(claims) if c.got < c.promised]
    short.sort(key=lambda place: (claims[place].want.rank, claims[place].want.line_id))
    for place in short:
        claim = claims[place]
        if claim.got < claim.minimum:
            flow.drop(claim.node, claim.got - pinned[place])
            claim.got = pinned[place]
    for place in short:
        claim = claims[place]
        if claim.got < claim.minimum:
            if not flow.carries(claim.node, claim.minimum - claim.got):
                claim.dropped = True
                continue
            claim.got = claim.minimum
        wanted = claim.promised - claim.got
        carried = flow.add(claim.node, wanted)
        # What it was promised in comes to the gram; in other goods a part pack is for the kitchen to choose.
        kept = carried if carried == wanted else carried // claim.want.pack * claim.want.pack
        if carried > kept:
            flow.drop(claim.node, carried - kept)
        claim.got += kept


def _serve_minimums(claims: Sequence[Claim], flow: Flow) -> None:
    """Lines with a minimum and no promise: served or not, by tier and rank."""
    waiting = [c for c in claims if c.got < c.minimum and not c.dropped]
    for claim in sorted(waiting, key=lambda c: (c.want.tier, c.want.rank, c.want.line_id)):
        if flow.carries(claim.node, claim.minimum - claim.got):
            claim.got = claim.minimum
        else:
            claim.dropped = True


def _share_tier(
    claims: Sequence[Claim],
    masks: list[int],
    *,
    tier: int,
    rule: Rule,
    held: Sequence[int],
    pinned: Sequence[int],
    seed: int,
) -> tuple[int, ...]:
    """Raise the claims of one tier to their share; returns the masks of cohorts that prove it."""
    firm = [0] * len(masks)
    sharing: list[Claim] = []
    curves: list[Curve] = []
    for place, claim in enumerate(claims):
        if claim.want.tier == tier and not claim.dropped and claim.got < claim.top:
            claim.tie = _mix(seed, claim.want.line_id)
            sharing.append(claim)
            curves.append(_curve(claim, rule, pinned=pinned[place]))
        else:
            firm[claim.node] += claim.got - pinned[place]
            if claim.want.tier == tier:
                claim.fair = Fraction(claim.got)
    if not sharing:
        return ()
    own = [c.least for c in curves]
    owners = [c.node for c in sharing]
    rest = [node for node, amount in enumerate(firm) if amount]
    division = leximin_proved(
        [*curves, *(fixed(firm[node]) for node in rest)],
        masks=masks,
        amounts=held,
        sharer_of=[*owners, *rest],
    )
    fair = list(firm)
    over = [0] * len(masks)
    needs = list(firm)
    for claim, least, share in zip(sharing, own, division.shares, strict=False):
        offset, grams = claim.got - least, share.numerator // share.denominator
        claim.fair = share + offset if offset else share
        claim.got = claim.whole(grams + offset)
        needs[claim.node] += claim.got - offset
        fair[claim.node] += grams
    flow = Flow(masks, held)
    # The fair amounts are laid first and cut down to packs afterwards, so that what is left over lies where its
    # owners reach it; laying the packs alone would leave it all in the newest goods.
    for node in sorted(range(len(masks)), key=masks.__getitem__):
        flow.add(node, fair[node])
        over[node] = flow.amount(node) - needs[node]
    for node, amount in enumerate(over):
        if amount > 0:
            flow.drop(node, amount)
    for node, amount in enumerate(over):
        if amount < 0:
            flow.add(node, -amount)
    _round_up(sharing, flow, rule)
    return division.tight


def _curve(claim: Claim, rule: Rule, *, pinned: int) -> Curve:
    """The claim's curve over what it draws from the network: pinned pieces count as already picked."""
    return curve(
        rule,
        ordered=claim.want.ordered - pinned,
        least=claim.got - pinned,
        most=claim.top - pinned,
        picked=claim.want.picked + pinned,
    )


def _round_up(sharing: Sequence[Claim], flow: Flow, rule: Rule) -> None:
    """Packs left after cutting down: by largest remainder, then to whoever stands lowest and can still use one."""
    rest = [c for c in sharing if c.fair > c.got]
    rest.sort(key=lambda c: (-_remainder(c), c.tie))
    for claim in rest:
        step = claim.step()
        if flow.carries(claim.node, step):
            claim.got += step
    queue = [(_standing(c, rule), c.tie, i) for i, c in enumerate(sharing) if c.step()]
    heapq.heapify(queue)
    while queue:
        _, tie, i = heapq.heappop(queue)
        claim = sharing[i]
        if flow.carries(claim.node, claim.step()):
            claim.got += claim.step()
            if claim.step():
                heapq.heappush(queue, (_standing(claim, rule), tie, i))


def _remainder(claim: Claim) -> int:
    """What a claim's fair amount has above its packs, as a part of its next pack, to be compared."""
    below = claim.fair.denominator
    return ((claim.fair.numerator - claim.got * below) << _FINE) // (below * claim.step())


def _standing(claim: Claim, rule: Rule) -> int:
    """The level a claim stands on, to be compared."""
    want = claim.want
    own = curve(rule, ordered=want.ordered, least=0, picked=want.picked)
    return ((claim.got - own.start) << _FINE) // own.slope
