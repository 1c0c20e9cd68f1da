"""How oyster mushrooms grow: stage times, temperature, yields, and what the farm's logs teach about them."""

from fulfilment.core.growth.crops import (
    BATCH,
    CropState,
    Drift,
    FlushLog,
    GradeLog,
    LossLog,
    PickingLog,
    Signs,
    Stage,
    StageLog,
    TrimLog,
)
from fulfilment.core.growth.learning import Knowledge, Posterior, learn, stage_posterior
from fulfilment.core.growth.mass import (
    IMPOSSIBLE_PCT,
    biological_efficiency,
    dry_substrate,
    fresh_mass,
    mass_before,
    size,
)
from fulfilment.core.growth.profile import FLUSHES, StagePrior, StrainProfile
from fulfilment.core.growth.strains import GOLDEN, PEARL, PINK
from fulfilment.core.growth.temperature import Cardinal, physiological_days

__all__ = [
    "BATCH",
    "FLUSHES",
    "GOLDEN",
    "IMPOSSIBLE_PCT",
    "PEARL",
    "PINK",
    "Cardinal",
    "CropState",
    "Drift",
    "FlushLog",
    "GradeLog",
    "Knowledge",
    "LossLog",
    "PickingLog",
    "Posterior",
    "Signs",
    "Stage",
    "StageLog",
    "StagePrior",
    "StrainProfile",
    "TrimLog",
    "biological_efficiency",
    "dry_substrate",
    "fresh_mass",
    "learn",
    "mass_before",
    "physiological_days",
    "size",
    "stage_posterior",
]
