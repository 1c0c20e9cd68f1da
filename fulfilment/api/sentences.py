"""What the framework finds wrong with a field, in the house's words: what is wrong, and what would be right."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

_SENTENCES: Final[Sequence[tuple[re.Pattern[str], str]]] = [
    (re.compile(found), said)
    for found, said in (
        (r"This field is required\.", "This is needed, and was not given."),
        (r"This field may not be null\.", "This needs a value: null is none."),
        (r"This field may not be blank\.", "This text must not be empty."),
        (r"This (?:list|dictionary) may not be empty\.", "This must not be empty: give at least one."),
        (r"Ensure this field has no more than (\d+) characters\.", r"This text is too long: at most \1 characters."),
        (r"Ensure this field has no more than (\d+) elements\.", r"This list is too long: at most \1 items."),
        (r"Ensure this value is less than or equal to (\S+)\.", r"This number is too large: at most \1."),
        (r"Ensure this value is greater than or equal to (\S+)\.", r"This number is too small: at least \1."),
        (r"A valid number is required\.", "This must be a number."),
        (r'Expected a list of items but got type "\w+"\.', "This must be a list, [ ... ]."),
        (r'Expected a dictionary of items but got type "\w+"\.', "This must be an object, { ... }."),
        (r"Invalid data\. Expected a dictionary, but got \w+\.", "This must be an object, { ... }."),
        (r"String value too large\.", "This number has too many digits."),
    )
]


def said(sentence: str) -> str:
    """The same in the house's words; a sentence of ours stays as it is."""
    for pattern, ours in _SENTENCES:
        if found := pattern.fullmatch(sentence):
            return found.expand(ours)
    return sentence


def unknown(kind: str, name: str, known: Sequence[str]) -> str:
    """What is not there, and what there is instead."""
    there = f"; there are: {', '.join(known)}" if known else ""
    return f"There is no {kind} {name[:40]!r} here{there}."
