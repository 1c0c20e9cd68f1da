"""What each ``code`` means and what to do about it: ``docs/problems.md``, read as it is written.

The page is the one place where a code is explained; a test holds it against every code that can be raised.  A
problem's ``type`` is the address of its row, and its ``title`` is what the row says.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

from django.conf import settings

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

ADDRESS: Final = "/api/problems"
_ROW: Final = re.compile(r"\| `(?P<code>\w+)` \| (?P<statuses>[\d, ]+) \| (?P<says>.+?) \| (?P<do>.+?) \|\Z")


@dataclass(frozen=True, slots=True)
class Meaning:
    """One row of the page: a code, the statuses it comes with, what it says and what to do."""

    code: str
    statuses: tuple[int, ...]
    says: str
    do: str


@dataclass(frozen=True, slots=True)
class Section:
    """One table of the page under its heading; ``words`` stand before it."""

    name: str
    words: Sequence[str]
    rows: Sequence[Meaning]


@cache
def sections() -> Sequence[Section]:
    """The page, the part before its first heading under the page's own title."""
    text = (settings.BASE_DIR / "docs" / "problems.md").read_text()
    return tuple(_sections(text))


@cache
def meanings() -> Mapping[str, Meaning]:
    """Each row by its code."""
    return {row.code: row for section in sections() for row in section.rows}


def type_of(code: str) -> str:
    """The address of a code's row, where it has one; RFC 9457 calls it the problem's type."""
    return f"{ADDRESS}#{code}" if code in meanings() else "about:blank"


def _sections(text: str) -> Iterator[Section]:
    for part in re.split(r"^#+ ", text, flags=re.MULTILINE)[1:]:
        name, _, rest = part.partition("\n")
        blocks = [" ".join(block.split("\n")) for block in rest.strip().split("\n\n") if not block.startswith("|")]
        rows = [match for line in rest.split("\n") if (match := _ROW.match(line))]
        yield Section(name, blocks, [_meaning(row) for row in rows])


def _meaning(row: re.Match[str]) -> Meaning:
    statuses = tuple(int(status) for status in row["statuses"].split(","))
    return Meaning(row["code"], statuses, row["says"], row["do"])
