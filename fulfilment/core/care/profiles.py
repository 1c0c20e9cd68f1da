"""How long a strain's kit takes in somebody's kitchen, and what it needs there.

Days are whole, as ranges (early, likely, late), by how warm the room is, since a holder names a room and rarely reads
a thermometer: cool below 18 °C, normal 18 to 22, warm above.  Each strain has its own best warmth, so a warm kitchen is
fast for one and slow for another.

Worked example: a pearl oyster kit started in a normal room on 1 March shows pins about the 8th (6th to 11th) and is
ready to pick about the 13th (10th to 18th).

The defaults are common practice, no source: pins after about a week, picking within about two, some ten days of rest
(7 to 14) before watering again, several flushes.  Pink oyster fruits at 18 to 28 °C and its grown bag dies in the cold:
a producer's strain sheet for P. salmoneo-stramineus M 2708 gives 18–28 °C and death below 8–10 °C, so it is kept from
12 °C up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final, cast

from fulfilment.core.problems import Invalid

Days = tuple[int, int, int]
"""Days after the step before: early, likely, late."""


class Warmth(StrEnum):
    """The room a holder names."""

    COOL = "cool"
    NORMAL = "normal"
    WARM = "warm"


ROOM_C: Final[Mapping[Warmth, tuple[float, float]]] = MappingProxyType(
    {Warmth.COOL: (12.0, 17.0), Warmth.NORMAL: (18.0, 22.0), Warmth.WARM: (23.0, 28.0)}
)
LONGEST_DAYS: Final = 120
COLDEST_C: Final = -30.0
HOTTEST_C: Final = 60.0


class Advice(StrEnum):
    """What to try first where nothing is seen by the late end of a kit's range."""

    ASK = "ask"
    WARMER = "warmer"
    COOLER = "cooler"
    MOISTER = "moister"


@dataclass(frozen=True, slots=True)
class KitProfile:
    """One strain's kit: days by warmth of the room, temperatures in °C."""

    pins: Mapping[Warmth, Days]
    """From the start to the first pins."""
    pins_again: Mapping[Warmth, Days]
    """From watering again to the next pins."""
    ripe: Mapping[Warmth, Days]
    """From pins to picking, before the caps flatten."""
    picking: Days
    """From the first mushroom picked to the last of the flush."""
    rewater_after: Days
    """From the last mushroom of a flush to watering again."""
    fruiting_c: tuple[float, float]
    keep_c: tuple[float, float]
    """Where a kit may be kept and sent, whatever its stage."""
    flushes: int = 3
    life_days: int = 90
    """From the start to the end of a kit of which nothing more is heard."""

    def __post_init__(self) -> None:
        for name in ("pins", "pins_again", "ripe"):
            table = getattr(self, name)
            for warmth in Warmth:
                if warmth not in table:
                    raise Invalid(f"{name} needs days for a {warmth} room.", code="missing_days", where=name)
                _check_days(table[warmth], where=f"{name}.{warmth}")
        _check_days(self.picking, where="picking")
        _check_days(self.rewater_after, where="rewater_after")
        _check_celsius(self.fruiting_c, where="fruiting_c")
        _check_celsius(self.keep_c, where="keep_c")
        if not 1 <= self.flushes <= 6:
            raise Invalid("A kit has one to six flushes.", code="out_of_range", where="flushes")
        if not 14 <= self.life_days <= 365:
            raise Invalid("A started kit lives 14 to 365 days.", code="out_of_range", where="life_days")

    @classmethod
    def from_data(cls, data: Mapping[str, object]) -> KitProfile:
        """From its JSON form; :class:`Invalid` with the place of what is missing, unknown or impossible."""
        unknown = set(data) - set(cls.__dataclass_fields__)
        if unknown:
            raise Invalid(f"{min(unknown)} is no part of a kit profile.", code="unknown_field", where=min(unknown))
        for name in ("pins", "pins_again", "ripe", "picking", "rewater_after", "fruiting_c", "keep_c"):
            if name not in data:
                raise Invalid(f"A kit profile needs {name}.", code="missing_field", where=name)
        return cls(
            pins=_by_warmth(data["pins"], where="pins"),
            pins_again=_by_warmth(data["pins_again"], where="pins_again"),
            ripe=_by_warmth(data["ripe"], where="ripe"),
            picking=_days(data["picking"], where="picking"),
            rewater_after=_days(data["rewater_after"], where="rewater_after"),
            fruiting_c=_celsius(data["fruiting_c"], where="fruiting_c"),
            keep_c=_celsius(data["keep_c"], where="keep_c"),
            flushes=_whole(data.get("flushes", 3), where="flushes"),
            life_days=_whole(data.get("life_days", 90), where="life_days"),
        )

    def as_data(self) -> dict[str, object]:
        """The JSON form that :meth:`from_data` reads back."""
        by_warmth = {
            name: {warmth.value: list(getattr(self, name)[warmth]) for warmth in Warmth}
            for name in ("pins", "pins_again", "ripe")
        }
        return {
            **by_warmth,
            "picking": list(self.picking),
            "rewater_after": list(self.rewater_after),
            "fruiting_c": list(self.fruiting_c),
            "keep_c": list(self.keep_c),
            "flushes": self.flushes,
            "life_days": self.life_days,
        }


def advise(profile: KitProfile, *, room_c: float | None) -> tuple[Advice, str]:
    """What to try where nothing is seen by the late end of the range, with its sentence.

    Without a temperature the only advice is to measure it.  None of it delays a claim for a replacement.
    """
    low, high = profile.fruiting_c
    claim = "You can ask for a replacement now; you need not wait for this to work."
    if room_c is None:
        return Advice.ASK, f"How warm is it where the kit stands? It fruits at {low:g} to {high:g} °C. {claim}"
    if not COLDEST_C <= room_c <= HOTTEST_C:
        raise Invalid(
            f"{room_c:g} °C is no room's temperature: give {COLDEST_C:g} to {HOTTEST_C:g} °C.",
            code="impossible_temperature",
            where="room_c",
        )
    if room_c < low:
        return Advice.WARMER, f"{room_c:g} °C is too cold for it: move it where it is {low:g} to {high:g} °C. {claim}"
    if room_c > high:
        return Advice.COOLER, f"{room_c:g} °C is too warm for it: move it where it is {low:g} to {high:g} °C. {claim}"
    return Advice.MOISTER, f"{room_c:g} °C suits it: mist it more often and give it more fresh air. {claim}"


def room_warning(profile: KitProfile, warmth: Warmth) -> str:
    """What to tell who orders this kit for such a room; nothing where the room suits."""
    low, high = profile.fruiting_c
    room_low, room_high = ROOM_C[warmth]
    wants = f"This kit fruits at {low:g} to {high:g} °C"
    if room_high < low:
        return f"{wants} and will hardly fruit in a {warmth} room; keep it above {profile.keep_c[0]:g} °C at all times."
    if room_low > high:
        return f"{wants}; a {warmth} room is too warm for it, so find it a cooler place."
    return ""


def _by_warmth(value: object, *, where: str) -> Mapping[Warmth, Days]:
    if not isinstance(value, Mapping) or set(value) != {warmth.value for warmth in Warmth}:
        raise Invalid(f"{where} needs days for cool, normal and warm.", code="missing_days", where=where)
    return MappingProxyType({warmth: _days(value[warmth.value], where=f"{where}.{warmth}") for warmth in Warmth})


def _days(value: object, *, where: str) -> Days:
    if not isinstance(value, list | tuple) or len(value) != 3:
        raise Invalid(f"{where} needs three numbers of days: early, likely, late.", code="not_a_range", where=where)
    early, likely, late = (_whole(each, where=where) for each in value)
    return early, likely, late


def _celsius(value: object, *, where: str) -> tuple[float, float]:
    if (
        not isinstance(value, list | tuple)
        or len(value) != 2
        or any(isinstance(each, bool) or not isinstance(each, int | float) for each in value)
    ):
        raise Invalid(f"{where} needs two temperatures in °C: lowest, highest.", code="not_a_range", where=where)
    low, high = cast(list[float], value)
    return float(low), float(high)


def _whole(value: object, *, where: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise Invalid(f"{where} must be whole numbers.", code="not_whole", where=where)
    return value


def _check_days(days: Days, *, where: str) -> None:
    if not 0 <= days[0] <= days[1] <= days[2] <= LONGEST_DAYS:
        raise Invalid(
            f"{where} must rise from early to late, between 0 and {LONGEST_DAYS} days.", code="not_a_range", where=where
        )


def _check_celsius(pair: tuple[float, float], *, where: str) -> None:
    if not COLDEST_C <= pair[0] < pair[1] <= HOTTEST_C:
        raise Invalid(
            f"{where} must rise from lowest to highest, between {COLDEST_C:g} and {HOTTEST_C:g} °C.",
            code="impossible_temperature",
            where=where,
        )


def _rooms(cool: Days, normal: Days, warm: Days) -> Mapping[Warmth, Days]:
    return MappingProxyType({Warmth.COOL: cool, Warmth.NORMAL: normal, Warmth.WARM: warm})


PEARL: Final = KitProfile(
    pins=_rooms((6, 9, 13), (5, 7, 10), (5, 8, 13)),
    pins_again=_rooms((5, 7, 12), (4, 6, 10), (4, 7, 12)),
    ripe=_rooms((5, 7, 9), (4, 5, 7), (3, 4, 6)),
    picking=(0, 2, 4),
    rewater_after=(7, 10, 14),
    fruiting_c=(10.0, 22.0),
    keep_c=(2.0, 25.0),
)
PINK: Final = KitProfile(
    pins=_rooms((9, 14, 21), (5, 7, 11), (4, 6, 9)),
    pins_again=_rooms((7, 11, 18), (3, 5, 9), (3, 4, 7)),
    ripe=_rooms((5, 8, 12), (4, 5, 7), (3, 4, 6)),
    picking=(0, 1, 3),
    rewater_after=(7, 10, 14),
    fruiting_c=(18.0, 28.0),
    keep_c=(12.0, 25.0),
)
GOLDEN: Final = KitProfile(
    pins=_rooms((8, 12, 18), (5, 7, 11), (4, 6, 10)),
    pins_again=_rooms((6, 9, 15), (4, 6, 10), (3, 5, 8)),
    ripe=_rooms((5, 7, 10), (4, 5, 7), (3, 4, 6)),
    picking=(0, 2, 3),
    rewater_after=(7, 10, 14),
    fruiting_c=(17.0, 28.0),
    keep_c=(8.0, 25.0),
)
PROFILES: Final[Mapping[str, KitProfile]] = MappingProxyType({"pearl": PEARL, "pink": PINK, "golden": GOLDEN})
"""The defaults by trade name."""
