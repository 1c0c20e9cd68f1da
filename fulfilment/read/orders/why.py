"""What a promise and a plan say of a line, in sentences, for the records and the API.

Staff read chances in percent.  A kitchen reads words, and the reasons are its own: nothing here says who else ordered.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any, Final

from fulfilment.core.units import said
from fulfilment.read.tonight import day_in_short

if TYPE_CHECKING:
    from collections.abc import Mapping

ACCOUNTS: Final[Mapping[str, str]] = {
    "full": "Everything ordered is set aside.",
    "nothing_ordered": "Nothing is ordered.",
    "nothing_accepted": "The line names no goods at all.",
    "nothing_there": "Nothing is ripe or in store in the days it accepts.",
    "nothing_left": "What there was to share went to promises and to lines before it.",
    "minimum_not_reached": "Less than the least that is taken could be had, so nothing is set aside.",
    "promise_short": "Less than promised comes: earlier promises took what there is.",
    "short_promised_only": "What was promised is set aside; nothing was left beyond it.",
    "short_shared": "More than promised, less than ordered: its share of what was left.",
    "held_back": "Something set aside for it yesterday is on hold, past its date or used up.",
    "frozen": "Past the cut-off: the amount of before stands.",
}
FOR_KITCHENS: Final[Mapping[str, str]] = {
    **ACCOUNTS,
    "nothing_left": "Nothing is left in the days you accept.",
    "promise_short": "Less than promised comes.",
    "short_shared": "More than promised, less than ordered.",
    "held_back": "Part of what was set aside for you cannot be sent.",
}
_OTHERS: Final = frozenset({"there", "promised_before", "kept_back"})
"""Numbers of an account that tell of what others were promised."""


def reason(code: str, numbers: Mapping[str, Any], *, is_kit: bool, staff: bool) -> str:
    """Why so much and no more."""

    def much(name: str) -> str:
        return said(int(numbers.get(name, 0)), is_kit=is_kit)

    def day(name: str) -> str:
        found = numbers.get(name)
        on = date.fromisoformat(found) if isinstance(found, str) else found
        return day_in_short(on) if on else "?"

    surely = f"at {numbers.get('asked_chance')} %" if staff else "surely enough"
    match code:
        case "carried":
            return "All of it can be counted on."
        case "carried_with_substitutes":
            return f"All of it, {much('substituted')} in an accepted substitute."
        case "below_chance":
            if staff:
                return f"Promised in full on purpose: {surely} only {much('largest')} can be counted on."
            return "All of it is promised."
        case "too_little":
            rest = f"; for all of it the chance is {numbers.get('full_chance')} %" if staff else ""
            return f"Only {much('amount')} can be counted on {surely}{rest}."
        case "under_minimum":
            return f"Only {much('largest')} can be had {surely}, and at least {much('at_least')} is wanted."
        case "under_pack":
            return f"Not one whole pack can be counted on {surely}."
        case "spoken_for":
            if staff:
                return f"What comes in these days {surely} is promised already."
            return "Nothing more can be counted on in these days."
        case "nothing_ripe":
            return f"Nothing comes {surely} from {day('first')} to {day('last')}."
        case "no_harvest_day":
            return "No harvest day is both ripe in time and fresh enough."
        case "lowered":
            return "Lowered, because less is ordered or taken now; what is left stands as it was promised."
        case "beyond_horizon":
            return f"Too far ahead to say: the forecast reaches to {day('known_until')}. It is asked again every night."
    return code.replace("_", " ")


def account(data: Mapping[str, Any], *, staff: bool) -> str:
    """Why the last plan gives the line what it gives it."""
    code = str(data.get("code", ""))
    return (ACCOUNTS if staff else FOR_KITCHENS).get(code, code.replace("_", " "))


def numbers_of(data: Mapping[str, Any], *, staff: bool) -> dict[str, Any]:
    """The numbers that an account's sentence is made from; a customer's are its own."""
    return dict(data) if staff else {name: value for name, value in data.items() if name not in _OTHERS}
