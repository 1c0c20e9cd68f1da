"""What of a promise that has become doubtful is still as sure as it was made.

The parts of a promise are fixed goods.  What is sought is how much of each may stay, in whole packs, so that all of it
together is received often enough: the largest total, as when it was promised (:mod:`.split`).  What the goods bring as
a sum says too much: it counts scenarios in which the one makes up for the other, and what stays promised is both.

Worked example.  Pearl receives 4 4 0 in three scenarios and pink 0 4 4; asked are two of three.  Together they bring
4 8 4, so 4 in every scenario; but 4 of either is received in two of three, 2 of each in one.  What stays is 4 of pearl.

Source: as for :mod:`.split`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fulfilment.core.promises.book import needed, percent
from fulfilment.core.promises.split import carrying, split
from fulfilment.core.units import packs_down

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from fulfilment.core.promises.split import Amounts
    from fulfilment.core.units import Goods


def still_sure(received: Mapping[Goods, Amounts], *, promised: int, chance: int, pack: int) -> dict[Goods, int]:
    """How much of each of the goods may stay of ``promised`` at ``chance`` percent, in whole packs.

    ``received`` is what the parts of each get [scenario]; among equals more of the goods named first stays.
    """
    wanted = packs_down(promised, pack=pack)
    if not received or not wanted:
        return dict.fromkeys(received, 0)
    told = [np.asarray(each, dtype=np.int32) for each in np.broadcast_arrays(*received.values())]
    parts = split(told, carried=needed(chance, scenarios=told[0].size), wanted=wanted, pack=pack)
    return dict(zip(received, parts, strict=True))


def kept_pct(kept: Iterable[tuple[Amounts, int]]) -> int:
    """In how many percent of the scenarios each part receives so much: (what it receives [scenario], what stays)."""
    parts = list(kept)
    if not parts:
        return 0
    told = [np.asarray(each, dtype=np.int32) for each in np.broadcast_arrays(*(received for received, _ in parts))]
    return percent(carrying(told, [amount for _, amount in parts]) / told[0].size)
