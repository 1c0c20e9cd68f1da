"""Who lives in the invented town: names of our own, example.org addresses, telephone numbers kept free for plays."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time
from typing import Final

FARM: Final = "Kettle Lane Oyster Farm"
TOWN: Final = "Overmere"
MAIL: Final = "hello@kettlelane.example.org"
PHONE: Final = "01632 960100"
ALLERGENS: Final = (
    "Our bags hold spent coffee grounds, wheat straw and grain spawn (rye, millet). "
    "They are made where soya bran is used too."
)

ADA: Final = "user:ada"
"""Grows."""
BEN: Final = "user:ben"
"""Packs and drives."""
OFFICE: Final = "user:olive"
"""Takes orders."""


def phone(number: int) -> str:
    """One of the numbers that a regulator keeps free for plays and films."""
    return f"01632 960{number % 1000:03d}"


@dataclass(frozen=True, slots=True)
class Room:
    name: str
    kind: str
    celsius: float


ROOMS: Final = (
    Room("Dark loft", "incubation", 22.5),
    Room("North bay", "fruiting", 16.0),
    Room("South bay", "fruiting", 21.5),
    Room("Cold store", "cold", 3.0),
)
DARK: Final = "Dark loft"
FRUITS_IN: Final = {"pearl": "North bay", "pink": "South bay", "golden": "South bay"}


@dataclass(frozen=True, slots=True)
class Kind:
    """A strain as the farm sells it: how long each grade keeps, prices in minor units a kilo and a kit."""

    name: str
    species: str
    keeps: tuple[tuple[str, int], ...]
    prices: tuple[tuple[str, int], ...]
    kit_price: int
    kit_weeks: int
    hardy: bool
    cold_wait_days: int


KINDS: Final = {
    "pearl": Kind(
        "Pearl oyster", "Pleurotus ostreatus", (("a", 6), ("b", 4)), (("a", 1450), ("b", 900)), 1950, 8, True, 14
    ),
    "pink": Kind(
        "Pink oyster", "Pleurotus djamor", (("a", 3), ("b", 2)), (("a", 1800), ("b", 1000)), 2150, 6, False, 0
    ),
    "golden": Kind(
        "Golden oyster", "Pleurotus citrinopileatus", (("a", 4), ("b", 3)), (("a", 1750), ("b", 1000)), 2150, 7, True, 7
    ),
}

SPAWN_FROM: Final = "Threadmoss Spawn Works"
GOODS_FROM: Final = "Barrow & Bale Supplies"


@dataclass(frozen=True, slots=True)
class Usual:
    """One product a kitchen has every week: strain, grade, grams, and the least worth a delivery."""

    strain: str
    grade: str
    grams: int
    at_least: int = 0


@dataclass(frozen=True, slots=True)
class House:
    """A kitchen, its terms and its usual."""

    name: str
    street: str
    postcode: str
    round_name: str
    tier: int
    rule: str
    usual: tuple[Usual, ...]
    max_age_days: int = 3
    chance_pct: int = 90
    window: tuple[time, time] = (time(9), time(12))
    instead: tuple[tuple[str, str, str, str], ...] = ()
    gives_grounds: bool = False

    @property
    def email(self) -> str:
        words = [word.lower() for word in self.name.split() if word.isalpha() and word != "The"]
        return f"kitchen@{'-'.join(words)}.example.org"


_PINK_OR_GOLDEN: Final = (("pink", "a", "golden", "a"), ("golden", "a", "pink", "a"))
_ANY_FOR_PEARL: Final = (("pearl", "a", "golden", "a"),)

HOUSES: Final = (
    House(
        "The Copper Ladle", "3 Tannery Steps", "OM1 2", "River", 1, "FREQ=WEEKLY;BYDAY=MO,FR",
        (Usual("pearl", "a", 1000, 500), Usual("pink", "a", 500)),
        chance_pct=95, instead=_PINK_OR_GOLDEN, gives_grounds=True,
    ),
    House(
        "Marrow & Thyme", "18 Weir Street", "OM1 4", "River", 1, "FREQ=WEEKLY;BYDAY=WE,FR",
        (Usual("pearl", "a", 1000), Usual("golden", "a", 500)),
        max_age_days=2, instead=_PINK_OR_GOLDEN,
    ),
    House(
        "The Lantern Room", "40 Weir Street", "OM1 4", "River", 1, "FREQ=WEEKLY;BYDAY=FR",
        (Usual("golden", "a", 1000, 500),),
    ),
    House(
        "Salt Yard", "2 Old Quay", "OM1 7", "River", 2, "FREQ=WEEKLY;BYDAY=WE",
        (Usual("pearl", "a", 1000), Usual("pink", "a", 500)),
        max_age_days=4, chance_pct=80, instead=_ANY_FOR_PEARL, gives_grounds=True,
    ),
    House(
        "Quayside Canteen", "11 Old Quay", "OM1 7", "River", 2, "FREQ=WEEKLY;BYDAY=MO,WE",
        (Usual("pearl", "b", 500),),
        max_age_days=4, chance_pct=70,
    ),
    House(
        "The Gilded Snail", "7 Chantry Row", "OM1 9", "River", 2, "FREQ=WEEKLY;INTERVAL=2;BYDAY=FR",
        (Usual("pink", "a", 1000, 500),),
        max_age_days=2,
    ),
    House(
        "Hilltop Inn", "1 Beacon Road", "OM2 1", "Hill", 1, "FREQ=WEEKLY;BYDAY=MO,FR",
        (Usual("pearl", "a", 500),),
        window=(time(10), time(13)), instead=_ANY_FOR_PEARL,
    ),
    House(
        "Bramble & Rye", "25 Beacon Road", "OM2 1", "Hill", 2, "FREQ=WEEKLY;BYDAY=WE",
        (Usual("pearl", "a", 1000), Usual("golden", "a", 500)),
        gives_grounds=True,
    ),
    House(
        "Orchard House", "9 Perry Lane", "OM2 3", "Hill", 2, "FREQ=WEEKLY;BYDAY=FR",
        (Usual("pearl", "a", 1000, 500),),
        chance_pct=80,
    ),
    House(
        "The Weathercock", "60 Mill Rise", "OM2 5", "Hill", 2, "FREQ=WEEKLY;BYDAY=MO",
        (Usual("pearl", "a", 1000),),
        max_age_days=4,
    ),
    House(
        "Fern & Fennel", "64 Mill Rise", "OM2 5", "Hill", 2, "FREQ=WEEKLY;BYDAY=WE",
        (Usual("pink", "a", 500), Usual("pearl", "b", 500)),
        chance_pct=80,
    ),
    House(
        "Almshouse Kitchen", "5 Bell Court", "OM2 8", "Hill", 3, "FREQ=WEEKLY;BYDAY=FR",
        (Usual("pearl", "b", 500),),
        max_age_days=4, chance_pct=60, gives_grounds=True,
    ),
)  # fmt: skip

CAFES: Final = ("Third Bell Coffee", "The Roasting Shed", "Milkwood Café")
"""Donors that buy nothing."""

BUYERS: Final = (
    "Dai Penhallow", "Mabel Orchardson", "Rufus Tallow", "Ines Farrow", "Hob Winterbourne", "Tamsin Quill",
    "Leo Marchbanks", "Odile Fenwright", "Cass Ambrose-Lee", "Piers Hollowell", "Nan Cutwater",
    "Jory Saltmarsh", "Wilf Underhay", "Bea Longacre", "Sunniva Crag", "Alban Pettibone", "Esme Wherry",
    "Toby Larkrise", "Greta Moonfield", "Idris Copperway", "Lotte Brambley", "Amos Thackwell",
    "Hester Vane-Wood", "Linnet Dovecote", "Rowan Eddowes", "Pru Catterick-Moss",
)  # fmt: skip
STREETS: Final = ("Larch Close", "Priory Walk", "Sexton Hill", "Glebe Terrace", "Pound Lane")

RECEIVER: Final = ("Fay Underhay", "fay.underhay@example.org")
"""Who is given a kit and joins by the code on its box."""


def buyer_email(name: str) -> str:
    return f"{name.lower().replace(' ', '.')}@example.org"
