"""What was logged of crops and batches, and where each stands this morning: the forecast's input.

Days here are physiological days (see :mod:`fulfilment.core.growth.temperature`), weights grams as they came off
the bag, before trimming.  A day's log stands for that day's noon, so a stage seen to begin on the 3rd and to end
on the 10th took seven days, and one that began seven days ago may end today.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from fulfilment.core.growth.profile import FLUSHES
from fulfilment.core.problems import Invalid

BATCH: Final = "batch:"
"""How the key of a batch that is not yet opened begins."""


class Stage(StrEnum):
    """Where a bag is in its life; ``PINNING`` to ``RESTING`` come round once for each flush."""

    COLONISING = "colonising"
    PINNING = "pinning"
    GROWING = "growing"
    PICKING = "picking"
    RESTING = "resting"
    FINISHED = "finished"


@dataclass(frozen=True, slots=True)
class StageLog:
    """A stage that took ``days``, or one still running after ``days`` (``ended`` is false)."""

    stage: Stage
    days: float
    ended: bool


@dataclass(frozen=True, slots=True)
class FlushLog:
    """A finished flush of one crop: ``bags`` of together ``dry_g`` of substrate gave ``picked_g``.

    ``crop`` is the crop's key; without one, what other flushes the same bags gave is not known.
    """

    flush: int
    dry_g: int
    picked_g: int
    bags: int = 0
    crop: str = ""


@dataclass(frozen=True, slots=True)
class PickingLog:
    """A finished flush of ``bags`` by day: grams taken on its first picking day, the next one, and so on."""

    bags: int
    grams: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class LossLog:
    """Of ``bags`` at the end of their life, ``lost`` were thrown away before it."""

    bags: int
    lost: int


@dataclass(frozen=True, slots=True)
class TrimLog:
    """A harvest as weighed and what was left of it after trimming."""

    weighed_g: int
    trimmed_g: int


@dataclass(frozen=True, slots=True)
class GradeLog:
    """What one crop gave by grade."""

    grams: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class Drift:
    """How far a room was from its set point on the last ``days`` days of the running stage, at most a week, and what
    that did.

    ``apart_c`` is the mean over the days that were read; ``late_days`` are calendar days lost by it (below nought:
    won), ``late_in_all`` those of the whole stage so far.
    """

    days: int
    apart_c: float
    late_days: float
    late_in_all: float


@dataclass(frozen=True, slots=True)
class Signs:
    """What a diary says of the running stage besides what is drawn from: why a grower may expect what is forecast.

    Days are calendar days before today.  ``celsius`` is the room's set point, ``looked`` the last day on which
    anything was written since the stage began, ``picked_out`` the end of the flush before (while resting: of the one
    just over).  ``part_run`` is how far a spawn run was seen to be, ``part_after`` how many days after mixing.
    ``unsaid``: nobody has said that the flush is over, the days say so.
    """

    celsius: float | None = None
    looked: int | None = None
    picked_out: int | None = None
    part_run: str = ""
    part_after: int = 0
    unsaid: bool = False
    drift: Drift | None = None


@dataclass(frozen=True, slots=True)
class CropState:
    """One crop, or one batch not yet opened (its key begins ``batch:``), as of the start of today.

    ``key``
        stable name, ``crop:12`` or ``batch:7``: its random draws hang on nothing else.
    ``bags``
        alive; of an unopened batch those meant for fruiting.
    ``kits``
        of an unopened batch, bags meant as kits beside those.
    ``stage``, ``flush``
        of an unopened batch ``COLONISING``, or ``PINNING`` once it is grown through and only waits to be opened.
        ``flush`` is the flush under way; while resting, the one just over.
    ``elapsed``
        physiological days already spent in ``stage``.
    ``pace``, ``colonising_pace``
        physiological days per calendar day from now on, in the fruiting room and while colonising.
    ``opens_in``
        an unopened batch is not opened before today plus this many days, nor before it is grown through.
    ``picked_g``
        already taken of the current flush, as weighed.
    ``picking_day``
        which day of the picking window today is, from 0, when ``stage`` is ``PICKING``.
    ``picked_today``
        nothing more comes today.
    ``missed``
        picking days in a row, up to yesterday, on which nothing was taken.
    ``looked``
        physiological days of the stage at the last look that was written down; None: somebody looked yesterday.  Since
        then pins may have come that nobody wrote down.
    ``since``, ``waited``
        calendar days in the stage, and of a batch that is grown through those since then.
    ``pinned``
        physiological days that the pins of the flush under way took to be seen, where that was logged.
    ``shown``
        the finished stages of all crops of this batch: what they tell of its luck counts for what is yet to come.
    ``gave``
        the finished flushes of all crops of this batch.
    ``signs``
        what else the diary says; nothing is drawn from it.
    """

    key: str
    batch_id: int
    strain_id: int
    bags: int
    dry_g_per_bag: int
    stage: Stage
    flush: int
    elapsed: float
    pace: float
    colonising_pace: float = 1.0
    opens_in: int = 0
    picked_g: int = 0
    picking_day: int = 0
    picked_today: bool = False
    missed: int = 0
    looked: float | None = None
    since: int = 0
    waited: int = 0
    pinned: float | None = None
    shown: tuple[StageLog, ...] = ()
    gave: tuple[FlushLog, ...] = ()
    signs: Signs = Signs()
    kits: int = 0

    def __post_init__(self) -> None:
        if min(self.bags, self.dry_g_per_bag, self.picked_g, self.kits) < 0:
            raise Invalid(f"{self.key}: bags and grams must be 0 or more.", code="negative")
        if not 0 <= self.flush <= FLUSHES:
            raise Invalid(f"{self.key}: flush {self.flush} must be between 0 and {FLUSHES}.", code="no_such_flush")
        if (
            min(self.elapsed, self.opens_in, self.picking_day, self.missed, self.looked or 0, self.since, self.waited)
            < 0
        ):
            raise Invalid(f"{self.key}: days must be 0 or more.", code="negative")
        if self.pace < 0 or self.colonising_pace < 0:
            raise Invalid(f"{self.key}: a pace must be 0 or more.", code="negative")
        if self.stage is Stage.COLONISING and not self.unopened:
            raise Invalid(f"{self.key}: an opened crop is past colonising.", code="stage_of_crop")

    @property
    def unopened(self) -> bool:
        return self.key.startswith(BATCH)
