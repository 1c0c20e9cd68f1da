"""Beginning profiles of three oyster mushrooms on spent coffee grounds, to be taught better by the farm's own logs.

Stage times are common practice of the trade, no source: two to three weeks in the dark, pins about a week after
opening, doubling daily in the second week, picked within two weeks of opening, water again about ten days after
the last mushroom. Efficiency is 60 % with a wide spread: reports on grounds range from no crop at all in rich
mixes to 90 % on spent ground. Spread between bags follows Abou Fayssal et al. 2020 (0.26 of the mean), spread of
times Baysal et al. 2003.
"""

from __future__ import annotations

from typing import Final

from fulfilment.core.growth.profile import StagePrior, StrainProfile
from fulfilment.core.growth.temperature import Cardinal

PEARL: Final = StrainProfile(
    colonising=StagePrior(mean_days=17.5, cv=0.12, weight=4),
    pinning=StagePrior(mean_days=7, cv=0.2, weight=4),
    growing=StagePrior(mean_days=5, cv=0.2, weight=4),
    resting=StagePrior(mean_days=10, cv=0.2, weight=4),
    mycelium=Cardinal(t_min=4, t_opt=28, t_max=36),
    fruiting=Cardinal(t_min=4, t_opt=16, t_max=30),
    incubation_reference_c=22,
    fruiting_reference_c=16,
    picking_shares=(0.2, 0.4, 0.3, 0.1),
    efficiency_pct=60,
    efficiency_cv=0.35,
    efficiency_weight=3,
    flush_shares=(0.58, 0.28, 0.14),
    batch_cv=0.12,
    crop_cv=0.12,
    bag_cv=0.26,
    loss=(2, 38),
    grades=(("a", 0.85), ("b", 0.15)),
)
"""Pearl oyster: hardy, fruits best between 10 and 20 °C."""

PINK: Final = StrainProfile(
    colonising=StagePrior(mean_days=14, cv=0.12, weight=4),
    pinning=StagePrior(mean_days=5, cv=0.2, weight=4),
    growing=StagePrior(mean_days=4, cv=0.2, weight=4),
    resting=StagePrior(mean_days=7, cv=0.25, weight=4),
    mycelium=Cardinal(t_min=10, t_opt=28, t_max=38),
    fruiting=Cardinal(t_min=14, t_opt=24, t_max=32),
    incubation_reference_c=24,
    fruiting_reference_c=22,
    picking_shares=(0.3, 0.5, 0.2),
    efficiency_pct=55,
    efficiency_cv=0.35,
    efficiency_weight=3,
    flush_shares=(0.6, 0.28, 0.12),
    batch_cv=0.12,
    crop_cv=0.12,
    bag_cv=0.26,
    loss=(2, 38),
    grades=(("a", 0.8), ("b", 0.2)),
)
"""Pink oyster: fast and tender; bags die below 8 to 10 °C, fruits at 18 to 28 °C (a producer's strain sheet)."""

GOLDEN: Final = StrainProfile(
    colonising=StagePrior(mean_days=16, cv=0.12, weight=4),
    pinning=StagePrior(mean_days=6, cv=0.2, weight=4),
    growing=StagePrior(mean_days=5, cv=0.2, weight=4),
    resting=StagePrior(mean_days=10, cv=0.25, weight=4),
    mycelium=Cardinal(t_min=6, t_opt=28, t_max=37),
    fruiting=Cardinal(t_min=12, t_opt=22, t_max=32),
    incubation_reference_c=23,
    fruiting_reference_c=20,
    picking_shares=(0.3, 0.5, 0.2),
    efficiency_pct=50,
    efficiency_cv=0.35,
    efficiency_weight=3,
    flush_shares=(0.62, 0.26, 0.12),
    batch_cv=0.12,
    crop_cv=0.14,
    bag_cv=0.26,
    loss=(2, 38),
    grades=(("a", 0.75), ("b", 0.25)),
)
"""Golden oyster: warmth-loving, brittle, a little less of it."""
