"""A strain's profiles in a grower's words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from fulfilment.core.care import KitProfile, Warmth
from fulfilment.core.growth import StrainProfile

if TYPE_CHECKING:
    from collections.abc import Mapping

    from fulfilment.core.care.profiles import Days
    from fulfilment.core.growth.profile import StagePrior
    from fulfilment.core.growth.temperature import Cardinal

Facts = list[tuple[str, str]]

STAGES: Final = (
    ("colonising", "Spawn run, from mixing"),
    ("pinning", "To the first pins, from opening"),
    ("growing", "From pins to picking"),
    ("resting", "Rest between flushes"),
)
ROOMS: Final[Mapping[Warmth, str]] = {
    Warmth.COOL: "below 18 °C",
    Warmth.NORMAL: "18 to 22 °C",
    Warmth.WARM: "above 22 °C",
}


def growth_said(data: Mapping[str, object]) -> Facts:
    """How it grows; raises :class:`Invalid` for data that is no growth profile."""
    profile = StrainProfile.from_data(data)
    flushes = ", ".join(f"{share:.0%}" for share in profile.flush_shares)
    return [
        *((word, _stage(getattr(profile, name))) for name, word in STAGES),
        ("Picking takes", f"{len(profile.picking_shares)} days"),
        ("Harvest of a bag", f"{profile.efficiency_pct:g} % of its dry weight over all flushes"),
        ("Flushes share it", flushes),
        ("Grades", ", ".join(f"{name} {share:.0%}" for name, share in profile.grades)),
        ("Lost in trimming", f"{profile.trim_loss:.0%}"),
        ("Bags lost", f"{profile.loss[0] / sum(profile.loss):.0%} expected"),
        ("Mycelium grows", _span(profile.mycelium)),
        ("Fruits", _span(profile.fruiting)),
        (
            "Times are given for",
            f"{profile.incubation_reference_c:g} °C in the dark, {profile.fruiting_reference_c:g} °C opened",
        ),
    ]


def kit_said(data: Mapping[str, object]) -> Facts:
    """How its kit does in a kitchen; raises :class:`Invalid` for data that is no kit profile."""
    profile = KitProfile.from_data(data)
    return [
        *((f"Pins, room {ROOMS[warmth]}", _days(profile.pins[warmth])) for warmth in Warmth),
        *((f"From pins to picking, room {ROOMS[warmth]}", _days(profile.ripe[warmth])) for warmth in Warmth),
        ("Picking", _days(profile.picking)),
        ("Water again after", _days(profile.rewater_after)),
        ("New pins, room 18 to 22 °C", _days(profile.pins_again[Warmth.NORMAL])),
        ("Fruits at", f"{profile.fruiting_c[0]:g} to {profile.fruiting_c[1]:g} °C"),
        ("Is kept and sent at", f"{profile.keep_c[0]:g} to {profile.keep_c[1]:g} °C"),
        ("Flushes", str(profile.flushes)),
        ("Ends at the latest after", f"{profile.life_days} days"),
    ]


def _stage(stage: StagePrior) -> str:
    low, high = stage.mean_days * (1 - stage.cv), stage.mean_days * (1 + stage.cv)
    return f"{stage.mean_days:g} days, mostly {low:.0f} to {high:.0f}"


def _span(cardinal: Cardinal) -> str:
    return f"{cardinal.t_min:g} to {cardinal.t_max:g} °C, best at {cardinal.t_opt:g} °C"


def _days(days: Days) -> str:
    early, likely, late = days
    return f"{likely} days ({early} to {late})"
