"""What a forecast was made of, kept with it, so that a later one of the same morning can follow it."""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

from fulfilment.core.growth import CropState, Drift, FlushLog, Signs, Stage, StageLog

_Told = tuple[tuple[StageLog, ...], tuple[FlushLog, ...]]


@dataclass(frozen=True, slots=True)
class Basis:
    """The learned state as a digest by strain, and where each crop stood, by key."""

    method: int
    today: date
    days: int
    scenarios: int
    seed: int
    learned: Mapping[int, str]
    crops: Mapping[str, CropState]

    def goes_with(self, other: Basis, strain_id: int) -> bool:
        """Whether two forecasts of a strain differ by their crops alone."""
        return (
            (self.method, self.today, self.days, self.scenarios, self.seed)
            == (other.method, other.today, other.days, other.scenarios, other.seed)
            and strain_id in self.learned
            and self.learned[strain_id] == other.learned.get(strain_id)
        )  # fmt: skip

    def pack(self) -> bytes:
        """For :meth:`unpack`; what the crops of a batch have shown is written once."""
        told: dict[_Told, int] = {}
        crops = []
        for crop in self.crops.values():
            data = asdict(crop)
            del data["shown"], data["gave"]
            crops.append(data | {"told": told.setdefault((crop.shown, crop.gave), len(told))})
        data = {
            "method": self.method,
            "today": self.today.isoformat(),
            "days": self.days,
            "scenarios": self.scenarios,
            "seed": self.seed,
            "learned": {str(strain_id): digest for strain_id, digest in self.learned.items()},
            "told": [[[asdict(log) for log in logs] for logs in both] for both in told],
            "crops": crops,
        }
        return zlib.compress(json.dumps(data, separators=(",", ":")).encode(), 6)

    @classmethod
    def unpack(cls, packed: bytes) -> Basis:
        """What :meth:`pack` was given."""
        data = json.loads(zlib.decompress(packed))
        told = [_told(each) for each in data["told"]]
        crops = [_crop(each, told) for each in data["crops"]]
        return cls(
            method=data["method"],
            today=date.fromisoformat(data["today"]),
            days=data["days"],
            scenarios=data["scenarios"],
            seed=data["seed"],
            learned={int(strain_id): digest for strain_id, digest in data["learned"].items()},
            crops={crop.key: crop for crop in crops},
        )


def _told(data: Any) -> _Told:
    shown, gave = data
    stages = tuple(StageLog(Stage(log["stage"]), log["days"], log["ended"]) for log in shown)
    return stages, tuple(FlushLog(**log) for log in gave)


def _crop(data: dict[str, Any], told: list[_Told]) -> CropState:
    signs, (shown, gave) = data.pop("signs"), told[data.pop("told")]
    drift = signs.pop("drift")
    return CropState(
        **(data | {"stage": Stage(data["stage"])}),
        shown=shown,
        gave=gave,
        signs=Signs(**signs, drift=Drift(**drift) if drift else None),
    )
