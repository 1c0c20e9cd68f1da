"""What can be wrong with what somebody asked for, apart from how it is shown.

A ``Problem`` is raised in ``core`` and ``services`` and rendered once for the API (problem+json), once for
pages and once for the command line.  It carries a stable ``code`` for programs, a ``sentence`` for people
that says what is wrong and what would be right, ``where`` (the input's path, ``lines.0.amount``) and ``data``
(numbers and public ids that the sentence was made from; never personal data).
"""

from __future__ import annotations

from typing import ClassVar


class Problem(Exception):
    """Something asked for cannot be done; nothing was changed."""

    code: ClassVar[str] = "problem"

    def __init__(self, sentence: str, *, code: str = "", where: str = "", **data: object) -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.reason_code = code or self.code
        self.where = where
        self.data = data

    def at(self, where: str) -> Problem:
        """The same problem, placed further out: ``at("lines.0")`` turns ``amount`` into ``lines.0.amount``."""
        self.where = f"{where}.{self.where}" if self.where else where
        return self


class Invalid(Problem):
    """The input itself is wrong: a date, an amount, a name."""

    code = "invalid"


class Missing(Problem):
    """There is no such thing, or it is not the asker's (the two are told alike)."""

    code = "not_found"


class Conflict(Problem):
    """Right in itself, but not in the present state: past cut-off, already picked, on hold."""

    code = "conflict"


class Stale(Problem):
    """Somebody else changed it since it was read."""

    code = "stale"


class Forbidden(Problem):
    """The asker may see it but may not do this."""

    code = "forbidden"


class Unconfirmed(Problem):
    """Unlikely enough to ask once: the same request with ``confirmed`` does it."""

    code = "needs_confirmation"
