"""Short codes that can be read aloud: letters and digits, a dash in the middle, a check character at the end.

Thirty-one signs, none of them easily taken for another (no 0 O 1 I L), and 31 is prime: with weights 1…7 the last sign
catches every single wrong sign and every two neighbours swapped.

>>> check("K7Q2-M4X")
'J'
>>> valid("K7Q2-M4XJ"), valid("7KQ2-M4XJ")
(True, False)
"""

from __future__ import annotations

import secrets
from typing import Final

SIGNS: Final = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
LENGTH: Final = 9
_PLACES: Final = 7


def new() -> str:
    """A fresh random code such as ``K7Q2-M4XJ``; 31⁷ ≈ 2.8 · 10¹⁰ of them."""
    return close("".join(secrets.choice(SIGNS) for _ in range(_PLACES)))


def close(signs: str) -> str:
    """Seven signs with their check character, as ``XXXX-XXXX``."""
    return f"{signs[:4]}-{signs[4:]}{check(signs)}"


def check(signs: str) -> str:
    """The check character of seven signs (a dash is passed over)."""
    bare = signs.replace("-", "")
    return SIGNS[sum(place * SIGNS.index(sign) for place, sign in enumerate(bare, start=1)) % len(SIGNS)]


def valid(code: str) -> bool:
    """Whether ``code`` can be one of ours at all, before anybody looks for it."""
    bare = code.replace("-", "")
    return len(bare) == _PLACES + 1 and all(sign in SIGNS for sign in bare) and check(bare[:-1]) == bare[-1]


def tidy(code: str) -> str:
    """A code as it is stored, however it was typed (``k7q2m4xj``); empty if it cannot be one of ours."""
    bare = code.strip().upper().replace("-", "")
    stored = f"{bare[:4]}-{bare[4:]}"
    return stored if valid(stored) else ""
