"""What the people of the invented farm have in their heads: ids, what they mean to do, and the world's dice."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from random import Random
from typing import TYPE_CHECKING, Final

from fulfilment.core.calendar import instant
from fulfilment.management.demo.truth import Dark, Flush, Nature, natures

if TYPE_CHECKING:
    from fulfilment.models import Order

DELIVERY_WEEKDAYS: Final = (0, 2, 4)
WET_G: Final = 3900
DRY_G: Final = 1500
SPAWN_PCT: Final = 14
SPAWN_G: Final = 400
"""A bag's."""


@dataclass(frozen=True, slots=True)
class Mix:
    """Bags of a strain mixed on one weekday, and how many of them the grower wants to sell as kits."""

    kind: str
    bags: int
    kits: int


@dataclass(frozen=True, slots=True)
class Size:
    """How large a world is: what is mixed on which weekday, how many kitchens and kit orders, how long a paper book."""

    mixes: dict[int, Mix]
    kitchens: int
    kit_orders: int
    book_days: int = 45
    """How many days before the first are entered from the paper book."""


WHOLE: Final = Size({0: Mix("golden", 9, 1), 2: Mix("pearl", 25, 4), 4: Mix("pink", 9, 2)}, kitchens=12, kit_orders=28)
SMALL: Final = Size({0: Mix("golden", 8, 2), 2: Mix("pearl", 20, 3), 4: Mix("pink", 8, 2)}, kitchens=7, kit_orders=14)


@dataclass(slots=True)
class Bags:
    """A batch in the dark and what its grower has written down of it."""

    id: str
    kind: str
    mixed_on: date
    bags: int
    dark: Dark
    late: int
    """Days after which the grower notices."""
    logged: set[str] = field(default_factory=set)
    opened: bool = False


@dataclass(slots=True)
class Fruiting:
    """A crop: its running flush as it will come, and when it is watered again."""

    id: str
    kind: str
    bags: int
    alive: int
    effect: float
    number: int
    flush: Flush
    late: int
    pins_logged: bool = False
    water_on: date | None = None
    last_flush: int = 3
    finished: bool = False


@dataclass(slots=True)
class Holding:
    """What a holder will do with a kit, in order, and whether they tell the farm."""

    kit: str
    steps: list[tuple[date, str]]


@dataclass(slots=True)
class Scene:
    first: date
    zone: str
    seed: int
    size: Size
    rng: Random = field(init=False)
    natures: dict[str, Nature] = field(init=False)
    strains: dict[str, str] = field(default_factory=dict)
    products: dict[tuple[str, str], str] = field(default_factory=dict)
    rooms: dict[str, str] = field(default_factory=dict)
    suppliers: dict[str, str] = field(default_factory=dict)
    donors: list[str] = field(default_factory=list)
    kitchens: dict[str, str] = field(default_factory=dict)
    standing: dict[str, str] = field(default_factory=dict)
    spawn: dict[str, list[tuple[str, int]]] = field(default_factory=dict)
    inputs: dict[str, str] = field(default_factory=dict)
    batches: list[Bags] = field(default_factory=list)
    crops: list[Fruiting] = field(default_factory=list)
    late_harvests: list[tuple[Fruiting, date]] = field(default_factory=list)
    spoken_for: set[tuple[str, date]] = field(default_factory=set)
    """(standing order, date) that somebody has changed already."""
    holdings: dict[str, Holding] = field(default_factory=dict)
    on_the_road: list[tuple[date, str]] = field(default_factory=list)
    """(day of arrival, shipment) of parcels."""
    buyers: dict[str, str] = field(default_factory=dict)
    kit_orders_placed: int = 0
    held: list[tuple[date, str]] = field(default_factory=list)
    """(day of release, hold)."""
    harvested_g: int = 0
    """All that was ever put on the scale, trimmed."""
    on_placed: Callable[[Order, datetime], None] = lambda _order, _now: None

    def __post_init__(self) -> None:
        self.rng = Random(self.seed)
        self.natures = natures(self.rng)

    def at(self, day: date, clock: time) -> datetime:
        return instant(day, clock, self.zone)

    def today(self, day: date) -> date:
        """The farm's own day; what happened before the first is typed in on it."""
        return max(day, self.first)

    def nth(self, day: date) -> int:
        """The day's number, 0 for the first that is lived."""
        return (day - self.first).days

    def chance(self, share: float) -> bool:
        return self.rng.random() < share


def next_delivery(day: date, *, after: int) -> date:
    """The first delivery weekday at least so many days later."""
    on = day + timedelta(days=after)
    while on.weekday() not in DELIVERY_WEEKDAYS:
        on += timedelta(days=1)
    return on
