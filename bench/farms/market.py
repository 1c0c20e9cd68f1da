"""Who buys from an invented farm, and what they ask for: ten kitchens, standing orders and orders for once.

The kitchens have come to know their farm: standing orders add up to three quarters of what a mean week brings of each
strain, orders for once to a third, so that most weeks are a little short and some are not.  Four kitchens are equal in
everything (tier, days, amounts, age, no substitutes), so that what they get can be compared; the other six differ.
Days count from the farm's first, amounts are grams in packs.  Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.random import Generator

from bench.farms.grower import Farm, on
from fulfilment.core.promises import Choice, window
from fulfilment.core.units import Goods

PACK: Final = 250
STANDING: Final = 0.75
ONCE: Final = 0.35
EQUALS: Final = 4
"""Kitchens 1 to 4 are equal."""
EQUALS_PART: Final = 0.4
"""Of all standing orders."""
OTHERS: Final = 6
ROLLED: Final = 28
"""Days that standing orders are rolled ahead."""
ROUNDS: Final = ((1, 4), (2, 5), (0, 3))
"""Pairs of weekdays on which a kitchen is delivered to; 0 is Monday."""
LEADS: Final = (2, 13)
"""Days from placing an order for once to the next delivery day after them: least, and most plus one."""
GOODS: Final = (Goods(1, "a"), Goods(2, "a"), Goods(3, "a"))
"""By strain's place in the handbook; nothing is sorted by grade here."""
LIFE: Final = (7, 4, 6)
"""Days that each strain keeps."""


@dataclass(frozen=True, slots=True)
class Kitchen:
    number: int
    tier: int
    weekdays: tuple[int, ...]
    max_age: int
    instead: tuple[int, ...]
    """Strains accepted in place of any it orders, best liked first."""

    def choices(self, strain: int, day: int) -> tuple[Choice, ...]:
        """What a line of ``strain`` for ``day`` accepts."""
        found = []
        for each in (strain, *(other for other in self.instead if other != strain)):
            first, last = window(
                on(day), max_age_days=self.max_age, life_days=LIFE[each], harvest_before_packing=False
            )  # fmt: skip
            found.append(Choice(GOODS[each], first, last))
        return tuple(found)


@dataclass(frozen=True, slots=True)
class Ask:
    """One line: so much for ``day``; placed on a day, or (None) rolled by the night from a standing order."""

    number: int
    kitchen: Kitchen
    strain: int
    amount: int
    day: int
    placed: int | None


@dataclass(frozen=True, slots=True)
class Market:
    kitchens: tuple[Kitchen, ...]
    asks: tuple[Ask, ...]
    """By number; a standing order's dates and all that is ordered once, in order of the day they are for."""


def market(farm: Farm, *, seed: int, first: int, last: int) -> Market:
    """What is asked for from ``first`` on, to be delivered after it and up to ``last``."""
    random = np.random.default_rng([30, seed])
    weekly = farm.picked[:, : farm.days].sum(axis=1) / (farm.days / 7)
    kitchens = _kitchens(random)
    drafts: list[tuple[int, Kitchen, int, int, int | None]] = []
    for strain, mean in enumerate(weekly.tolist()):
        for kitchen, amount in _standing(kitchens, mean, random):
            drafts += [
                (day, kitchen, strain, amount, None)
                for day in range(first + 1, last + 1)
                if on(day).weekday() in kitchen.weekdays
            ]
        drafts += _once(kitchens, strain, mean, random, first=first, last=last)
    drafts.sort(key=lambda draft: (draft[0], draft[1].number, draft[2], draft[4] or 0))
    asks = tuple(
        Ask(number, kitchen, strain, amount, day, placed)
        for number, (day, kitchen, strain, amount, placed) in enumerate(drafts, start=1)
    )
    return Market(kitchens, asks)


def _kitchens(random: Generator) -> tuple[Kitchen, ...]:
    equal = [Kitchen(number, 2, ROUNDS[0], 5, ()) for number in range(1, EQUALS + 1)]
    others = []
    for number in range(EQUALS + 1, EQUALS + OTHERS + 1):
        instead = tuple(int(each) for each in random.permutation(3)[: int(random.integers(0, 3))])
        tier, days = int(random.integers(1, 4)), ROUNDS[int(random.integers(len(ROUNDS)))]
        others.append(Kitchen(number, tier, days, int(random.integers(3, 7)), instead))
    return (*equal, *others)


def _standing(kitchens: tuple[Kitchen, ...], weekly: float, random: Generator) -> list[tuple[Kitchen, int]]:
    """Kitchen and grams of each delivery."""
    wanted = STANDING * weekly
    found = [
        (kitchen, amount)
        for kitchen in kitchens[:EQUALS]
        if (amount := _packs(EQUALS_PART * wanted / EQUALS / len(kitchen.weekdays)))
    ]
    weights = random.dirichlet(np.ones(OTHERS))
    for kitchen, weight in zip(kitchens[EQUALS:], weights.tolist(), strict=True):
        if amount := _packs((1 - EQUALS_PART) * wanted * weight / len(kitchen.weekdays)):
            found.append((kitchen, amount))
    return found


def _once(
    kitchens: tuple[Kitchen, ...], strain: int, weekly: float, random: Generator, *, first: int, last: int
) -> list[tuple[int, Kitchen, int, int, int | None]]:
    sizes = PACK * np.arange(1, 6)
    found: list[tuple[int, Kitchen, int, int, int | None]] = []
    for placed in range(first, last):
        for _ in range(int(random.poisson(ONCE * weekly / 7 / sizes.mean()))):
            kitchen = kitchens[EQUALS + int(random.integers(OTHERS))]
            amount, day = int(random.choice(sizes)), placed + int(random.integers(*LEADS))
            while on(day).weekday() not in kitchen.weekdays:
                day += 1
            if day <= last:
                found.append((day, kitchen, strain, amount, placed))
    return found


def _packs(grams: float) -> int:
    return round(grams / PACK) * PACK
