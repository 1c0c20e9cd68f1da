"""How oyster mushrooms grow: stage times, temperature, yields, and what the farm's logs teach about them."""

from fulfilment.core.growth.crops import (
    BATCH,
    CropState,
    FlushLog,
    GradeLog,
    LossLog,
    PickingLog,
    Stage,
    StageLog,
    TrimLog,
)
from fulfilment.core.growth.learning import Knowledge, Posterior, learn, stage_posterior
from fulfilment.core.growth.mass import biological_efficiency, dry_substrate, fresh_mass, size
from fulfilment.core.growth.profile import FLUSHES, StagePrior, StrainProfile
from fulfilment.core.growth.strains import GOLDEN, PEARL, PINK
from fulfilment.core.growth.temperature import Cardinal, physiological_days

__all__ = [
    "BATCH",
    "FLUSHES",
    "GOLDEN",
    "PEARL",
    "PINK",
    "Cardinal",
    "CropState",
    "FlushLog",
    "GradeLog",
    "Knowledge",
    "LossLog",
    "PickingLog",
    "Posterior",
    "Stage",
    "StageLog",
    "StagePrior",
    "StrainProfile",
    "TrimLog",
    "biological_efficiency",
    "dry_substrate",
    "fresh_mass",
    "learn",
    "physiological_days",
    "size",
    "stage_posterior",
]
