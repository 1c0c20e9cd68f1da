"""How far a plan leans on what is still growing.

A coming harvest counts at its mean, and as often as not less comes.  What is promised was counted on scenarios and
may lean on all of the mean.  What goes beyond promises may lean on a part of it only (``Source.to_share``): an extra
that takes from the store today what tomorrow's harvest was to replace is missing when that harvest is late or small,
and then somebody's promise is broken for it.

So promises are laid first on what is to be shared, and take of the rest only what they cannot do without.  What they
leave of the rest is kept back, and nobody gets it before it is picked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fulfilment.core.fairness import Flow


@dataclass(frozen=True, slots=True)
class Leaning:
    """``flow`` holds the amounts, ``opened`` what each source then has for all, ``proof`` a mask of sources."""

    flow: Flow
    opened: list[int]
    proof: int


def lean(flow: Flow, *, held: Sequence[int], shared: Sequence[int]) -> Leaning:
    """The amounts of ``flow``, by sharer, with as little as can be from what is not shared.

    ``held`` and ``shared`` are per source, the second never above the first.  ``proof``: what sharers with no other
    source need is above what these have to share by just what is taken of the rest.
    """
    amounts = [flow.amount(sharer) for sharer in range(len(flow.masks))]
    laid = Flow(flow.masks, shared)
    missing = [amount - laid.add(sharer, amount) for sharer, amount in enumerate(amounts)]
    proof = laid.tight_sources
    if not any(missing):
        return Leaning(laid, list(shared), 0)
    for source, (whole, part) in enumerate(zip(held, shared, strict=True)):
        laid.supply(source, whole - part)
    for sharer, amount in enumerate(missing):
        laid.add(sharer, amount)
    opened = [max(part, whole - spare) for whole, part, spare in zip(held, shared, laid.spare, strict=True)]
    for source, (whole, open_) in enumerate(zip(held, opened, strict=True)):
        laid.supply(source, open_ - whole)
    return Leaning(laid, opened, proof)
