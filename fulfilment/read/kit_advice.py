"""First advice where something is wrong with a kit, at once; none of it delays a claim for another.

Nothing happens: the room's temperature comes first, below the strain's fruiting range warmer, above it cooler, inside
it more moisture and fresh air.  Mould: white may be young mould and is looked at again in two days; what is grey and
loose, coloured or sour is sealed and thrown away.  Common practice of the trade, no source; local rules go first.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from fulfilment.core.care import Warmth, advise, room_warning
from fulfilment.core.care.profiles import ROOM_C

if TYPE_CHECKING:
    from fulfilment.read.kits import KitView

TROUBLES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "mould": "Mould, or something that may be mould",
        "nothing_happens": "Nothing happens",
        "dry": "It is dry, or the mushrooms dry up",
        "flies": "Small flies",
        "other": "Something else",
    }
)
LOOKS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "white": "White, even, soft",
        "cobweb": "Grey like cobweb, and it spreads",
        "colour": "Green, blue-green, black or orange, or white that turns green",
        "sour": "Many drops and a sour smell",
        "unsure": "I cannot tell",
    }
)
"""How what may be mould looks."""
THROW_AWAY: Final = frozenset({"cobweb", "colour", "sour"})
"""Looks after which a kit is kept by nobody."""


def advice(kit: KitView, trouble: str, *, look: str = "") -> tuple[str, ...]:
    """What to do first, at once; none of it delays a claim for another kit."""
    match trouble:
        case "mould":
            return _mould(look)
        case "nothing_happens":
            return (_room(kit), "Nothing to be seen in the first days is normal.")
        case "dry":
            return (
                "Mist the opening two or three times a day with clean water, so that it is moist but never stands wet.",
                "Keep it out of the sun and away from radiators. Air the room, but leave it in no draught.",
            )
        case "flies":
            return (_FLIES, _TRAP)
        case _:
            return (_WAIT,)


_FLIES: Final = (
    "They come for moist grounds and do not hurt you. Set the kit away from fruit, potted plants and the bin."
)
_TRAP: Final = (
    "Hang a sticky trap beside it, never above it, and spray nothing on it. Eat no mushrooms with holes or larvae."
)
_WAIT: Final = (
    "Leave it as it is until we have answered. If it smells foul or shows green, black or orange powder: seal it, do "
    "not sniff it, throw it away, and eat nothing from it."
)
_AWAY: Final = "seal the bag, do not sniff it, throw it away closed, and eat nothing from it."
_YOUNG: Final = (
    "Even white growth and a few clear to amber drops are normal: that is the mycelium. Young mould is white too, so "
    "look again in two days, and eat nothing from it until then. If it turns green, or grows grey and loose, seal it "
    "and throw it away."
)
_NOT_NORMAL: Final = "Grey cobweb that spreads, green, blue-green, black or orange, or many drops with a sour smell"


def word_for(celsius: float) -> Warmth:
    """The word for a room of which somebody has read the degrees: below 18 °C cool, above 22 °C warm."""
    low, high = ROOM_C[Warmth.NORMAL]
    if celsius < low:
        return Warmth.COOL
    return Warmth.WARM if celsius > high else Warmth.NORMAL


def _mould(look: str) -> tuple[str, ...]:
    if look == "white":
        return (_YOUNG,)
    if look in THROW_AWAY:
        return (
            f"That is not normal: {_AWAY}",
            "Air the room afterwards and wash your hands. Never water or soak a mouldy kit.",
        )
    return (_YOUNG, f"{_NOT_NORMAL}: {_AWAY}")


def _room(kit: KitView) -> str:
    """Temperature first: degrees where they are known, else the word for the room."""
    if kit.room_c is not None:
        return advise(kit.profile, room_c=kit.room_c)[1]
    low, high = kit.profile.fruiting_c
    claim = "You can ask for a replacement now; you need not wait for this to work."
    warning = room_warning(kit.profile, Warmth(kit.warmth))
    if warning:
        return f"{warning} {claim}"
    return (
        f"It fruits at {low:g} to {high:g} °C, which a {kit.warmth} room should give it: measure where it stands if "
        f"you can. Inside that, mist it more often and give it more fresh air. {claim}"
    )
