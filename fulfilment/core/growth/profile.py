"""What a grower believes about a strain before the farm's own crops have taught better.

Units: physiological days (at the reference temperature of the stage), shares between 0 and 1, percent only for the
biological efficiency, which the trade writes so: 100 x fresh mushrooms / dry substrate, over all flushes.

A belief has a mean, a spread and a *weight*: it counts as much as so many crops of one's own.  A weight of 4 is
outvoted by a dozen logged crops and still holds against one odd one.

Worked example: ``StagePrior(mean_days=7, cv=0.2, weight=4)`` for pins says that a crop pins after seven days,
give or take a day and a half between crops, and that the seven itself is only known to about 0.7 days.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Final

from fulfilment.core.growth.mass import IMPOSSIBLE_PCT
from fulfilment.core.growth.reading import number, numbers, record
from fulfilment.core.growth.temperature import Cardinal
from fulfilment.core.problems import Invalid
from fulfilment.core.units import KIT

FLUSHES: Final = 3
"""Flushes a bag is kept for; then it is compost."""


def _require(holds: bool, sentence: str, where: str) -> None:
    if not holds:
        raise Invalid(sentence, code="impossible", where=where)


@dataclass(frozen=True, slots=True)
class StagePrior:
    """How long a stage takes: ``mean_days`` with the spread ``cv`` between crops, worth ``weight`` crops seen."""

    mean_days: float
    cv: float
    weight: float

    def __post_init__(self) -> None:
        _require(0 < self.mean_days <= 365, "A stage takes more than 0 and at most 365 days.", "mean_days")
        _require(0 < self.cv <= 2, "The spread between crops must be above 0 and at most 2.", "cv")
        _require(0 < self.weight <= 1e6, "The weight must be above 0: how many crops is this worth?", "weight")

    @classmethod
    def from_data(cls, data: object, *, where: str = "") -> StagePrior:
        given = record(data, where=where, names=("mean_days", "cv", "weight"))
        values = {name: number(value, where=f"{where}.{name}") for name, value in given.items()}
        try:
            return cls(**values)
        except Invalid as problem:
            raise problem.at(where) from None

    def as_data(self) -> dict[str, float]:
        return {"mean_days": self.mean_days, "cv": self.cv, "weight": self.weight}


@dataclass(frozen=True, slots=True)
class StrainProfile:
    """One strain's beliefs.

    ``picking_shares``
        share of a crop's flush taken on its first, second … picking day; ``picking_concentration`` says how alike crops
        are in it (Dirichlet).
    ``efficiency_pct``, ``efficiency_cv``, ``efficiency_weight``
        biological efficiency over all flushes; reports differ by ``efficiency_cv`` and the mean stands for
        ``efficiency_weight`` of them, so it is known to ``efficiency_cv / sqrt(efficiency_weight)``.
    ``batch_cv``, ``crop_cv``, ``bag_cv``
        what the bags of one batch share, what the bags of one crop share beyond it, and what each bag has alone.
        The first two also say which part of the spread in stage times is the batch's.
    ``loss``
        (alpha, beta) of the beta belief that a bag is thrown away in its life: alpha lost among alpha + beta bags.
    ``grades``, ``grade_concentration``
        names and mean shares by weight of the grades, and how alike crops are in them (Dirichlet).
    ``trim_loss``
        share of the weight as picked that is trimmed off before it is sold.
    """

    colonising: StagePrior
    pinning: StagePrior
    growing: StagePrior
    resting: StagePrior
    mycelium: Cardinal
    fruiting: Cardinal
    incubation_reference_c: float
    fruiting_reference_c: float
    picking_shares: tuple[float, ...]
    efficiency_pct: float
    efficiency_cv: float
    efficiency_weight: float
    flush_shares: tuple[float, float, float]
    batch_cv: float
    crop_cv: float
    bag_cv: float
    loss: tuple[float, float]
    grades: tuple[tuple[str, float], ...]
    grade_concentration: float = 40.0
    trim_loss: float = 0.05
    flush_weight: float = 4.0
    flush_concentration: float = 40.0
    picking_concentration: float = 30.0

    def __post_init__(self) -> None:
        self.mycelium.rate(self.incubation_reference_c, reference=self.incubation_reference_c)
        self.fruiting.rate(self.fruiting_reference_c, reference=self.fruiting_reference_c)
        _require(1 <= len(self.picking_shares) <= 14, "Picking takes between 1 and 14 days.", "picking_shares")
        flushes = len(tuple(self.flush_shares))
        _require(flushes == FLUSHES, f"Shares are needed for {FLUSHES} flushes, not {flushes}.", "flush_shares")
        _require(len(self.grades) > 0, "At least one grade is needed.", "grades")
        for where, shares in (
            ("picking_shares", self.picking_shares),
            ("flush_shares", self.flush_shares),
            ("grades", tuple(share for _, share in self.grades)),
        ):
            _require(min(shares) > 0, "Each share must be above 0: leave out what never happens.", where)
            _require(abs(math.fsum(shares) - 1) < 1e-6, f"The shares sum to {math.fsum(shares):g}, not to 1.", where)
        names = [name for name, _ in self.grades]
        _require(all(names) and len(set(names)) == len(names), "Each grade needs a name of its own.", "grades")
        _require(KIT not in names, f"No grade of fresh mushrooms can be called {KIT!r}.", "grades")
        believable = 0 < self.efficiency_pct <= IMPOSSIBLE_PCT
        _require(believable, f"Efficiency must be above 0 and at most {IMPOSSIBLE_PCT} %.", "efficiency_pct")
        _require(0 < self.efficiency_cv <= 2, "The spread must be above 0 and at most 2.", "efficiency_cv")
        _require(0 <= self.trim_loss < 1, "The trimmed share must be at least 0 and below 1.", "trim_loss")
        losses = tuple(self.loss)
        _require(
            len(losses) == 2 and min(losses) > 0,
            "Both numbers of the loss must be above 0.",
            "loss",
        )
        for where in ("batch_cv", "crop_cv", "bag_cv"):
            _require(0 <= getattr(self, where) <= 2, "A spread must be at least 0 and at most 2.", where)
        for where in (
            "efficiency_weight",
            "flush_weight",
            "grade_concentration",
            "flush_concentration",
            "picking_concentration",
        ):
            _require(0 < getattr(self, where) <= 1e6, "This must be above 0 and at most a million.", where)

    @property
    def batch_share(self) -> float:
        """Which part of the spread between crops (as a variance) is their batch's."""
        whole = self.batch_cv**2 + self.crop_cv**2
        return self.batch_cv**2 / whole if whole else 0.0

    @classmethod
    def from_data(cls, data: Mapping[str, object]) -> StrainProfile:
        """The profile that :meth:`as_data` wrote or somebody typed; ``Invalid`` says what is wrong and where."""
        given = record(data, where="", names=_NEEDED, optional=_OPTIONAL)
        values: dict[str, object] = {}
        for name, value in given.items():
            if name in _STAGES:
                values[name] = StagePrior.from_data(value, where=name)
            elif name in ("mycelium", "fruiting"):
                values[name] = Cardinal.from_data(value, where=name)
            elif name in ("picking_shares", "flush_shares", "loss"):
                values[name] = numbers(value, where=name)
            elif name == "grades":
                values[name] = _grades(value)
            else:
                values[name] = number(value, where=name)
        return cls(**values)  # type: ignore[arg-type]  # each value was read by its own name above

    def as_data(self) -> dict[str, object]:
        """Plain numbers, lists and objects that JSON can hold."""
        data: dict[str, object] = {}
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, StagePrior | Cardinal):
                data[field.name] = value.as_data()
            elif isinstance(value, tuple):
                data[field.name] = [list(item) if isinstance(item, tuple) else item for item in value]
            else:
                data[field.name] = value
        return data


_STAGES: Final = ("colonising", "pinning", "growing", "resting")
_OPTIONAL: Final = (
    "grade_concentration",
    "trim_loss",
    "flush_weight",
    "flush_concentration",
    "picking_concentration",
)
_NEEDED: Final = tuple(field.name for field in fields(StrainProfile) if field.name not in _OPTIONAL)


def _grades(value: object) -> tuple[tuple[str, float], ...]:
    if isinstance(value, str) or not isinstance(value, list | tuple):
        raise Invalid("This must be a list of pairs: name and share.", code="not_a_list", where="grades")
    pairs = []
    for place, pair in enumerate(value):
        where = f"grades.{place}"
        if isinstance(pair, str) or not isinstance(pair, list | tuple) or len(pair) != 2:
            raise Invalid("This must be a pair: name and share.", code="not_a_pair", where=where)
        name, share = pair
        if not isinstance(name, str):
            raise Invalid("The first of the pair must be the grade's name.", code="not_a_name", where=where)
        pairs.append((name, number(share, where=where)))
    return tuple(pairs)
