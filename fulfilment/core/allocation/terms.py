"""What goes into a plan and what comes out of it: frozen values, whole grams or pieces."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from fractions import Fraction

from fulfilment.core.units import Goods


@dataclass(frozen=True, slots=True)
class Source:
    """A lot on hand (net of what was picked) or one day's coming harvest at its scenario mean.

    ``to_share`` is what of ``amount`` may go beyond promises; None: all.  What is on hold is left out by the caller: it
    supplies nothing.
    """

    key: str
    goods: Goods
    amount: int
    ready_on: date
    usable_until: date
    lot_id: int | None = None
    to_share: int | None = None

    @property
    def sharable(self) -> int:
        return self.amount if self.to_share is None else self.to_share


@dataclass(frozen=True, slots=True)
class Want:
    """What one order line still needs.

    ``ordered`` and ``promised`` are what is left after ``picked``.  ``choices`` are the goods accepted, best liked
    first, each with the first and last harvest day accepted.  ``promised`` are the unpicked parts; ``part_ranks``
    gives each part its own rank where a raised order carries parts of different age (else all have ``rank``).
    ``previous`` are yesterday's pieces as (source key, amount).
    """

    line_id: int
    order_id: int
    day: date
    choices: tuple[tuple[Goods, date, date], ...]
    ordered: int
    promised: tuple[tuple[Goods, int], ...] = ()
    rank: int = 0
    tier: int = 1
    pack: int = 1
    at_least: int = 0
    picked: int = 0
    frozen: bool = False
    previous: tuple[tuple[str, int], ...] = ()
    part_ranks: tuple[int, ...] = ()

    @property
    def promised_total(self) -> int:
        return self.promised[0][1] if len(self.promised) == 1 else sum(amount for _, amount in self.promised)


@dataclass(frozen=True, slots=True)
class Piece:
    """So much of this source for that line."""

    line_id: int
    source: str
    goods: Goods
    amount: int


class Code(StrEnum):
    """Why a line gets what it gets; the caller makes the sentence and adds the next date."""

    FULL = "full"
    NOTHING_ORDERED = "nothing_ordered"
    NOTHING_ACCEPTED = "nothing_accepted"
    """The line names no goods at all."""
    NOTHING_THERE = "nothing_there"
    """No source lies in any of its windows."""
    NOTHING_LEFT = "nothing_left"
    """Sources were there; promises before it, or better tiers, took them."""
    MINIMUM_NOT_REACHED = "minimum_not_reached"
    """Less than the customer's minimum could be had, so nothing is sent."""
    PROMISE_SHORT = "promise_short"
    """Less than promised: the network carries no more at its rank."""
    SHORT_PROMISED_ONLY = "short_promised_only"
    """All that was promised, nothing more was left to share."""
    SHORT_SHARED = "short_shared"
    """More than promised, less than ordered: a share under the tier's rule."""
    HELD_BACK = "held_back"
    """Short because a source it had yesterday is gone: held, past its date or used up."""
    FROZEN = "frozen"
    """Past cut-off: yesterday's amount stands."""


@dataclass(frozen=True, slots=True)
class Account:
    """The numbers behind a line's amount.

    ``there`` is what the sources in its windows held, ``kept_back`` what of it, still growing, is for promises only and
    none needed; ``promised_before`` what went to promises of earlier rank (or to lines past cut-off).  ``share`` is the
    fill in percent, with what was picked already, exact; ``firm`` what promises and the minimum brought, ``fair`` the
    exact amount under the rule before packs; ``lost`` the grams of yesterday's pieces that vanished; ``part_pack`` the
    grams in a last pack that is not full.
    """

    line_id: int
    ordered: int
    promised: int
    allocated: int
    there: int
    promised_before: int
    rule: str
    share: Fraction
    code: str
    fair: Fraction = Fraction(0)
    minimum: int = 0
    substituted: int = 0
    lost: int = 0
    firm: int = 0
    part_pack: int = 0
    kept_back: int = 0


Cohort = tuple[Goods, date, date]
"""(goods, ready on, usable until)"""


@dataclass(frozen=True, slots=True)
class Tight:
    """Proof of a tier's division: what these cohorts hold goes, to the last gram, to lines that can use nothing else,
    and none of this tier among them stands higher, above what was firm, than those who are short.
    """

    tier: int
    cohorts: frozenset[Cohort]


@dataclass(frozen=True, slots=True)
class Totals:
    ordered: int = 0
    promised: int = 0
    there: int = 0
    allocated: int = 0
    promised_kept: int = 0
    substituted: int = 0
    kept_from_yesterday: int = 0

    @property
    def left(self) -> int:
        return self.there - self.allocated


@dataclass(frozen=True, slots=True)
class Plan:
    pieces: tuple[Piece, ...] = ()
    accounts: Mapping[int, Account] = field(default_factory=dict)
    amounts: Mapping[int, int] = field(default_factory=dict)
    totals: Totals = field(default_factory=Totals)
    tight: tuple[Tight, ...] = ()
    """By tier, lowest level first."""
    kept_back: Mapping[Cohort, int] = field(default_factory=dict)
    """What is for promises only and none needed."""
    leaning: frozenset[Cohort] = frozenset()
    """Proof that promises had to take so much of what is not to be shared: those that accept nothing but these cohorts
    come to more than these have to share, by just as much.  Empty where they did not have to.
    """


@dataclass(frozen=True, slots=True)
class Change:
    """One line's amount from one source, before and after."""

    line_id: int
    source: str
    goods: Goods
    before: int
    after: int


@dataclass(frozen=True, slots=True)
class Difference:
    """``resourced_g``: what lines keep in amount but now take from another source."""

    added: tuple[Piece, ...] = ()
    removed: tuple[Piece, ...] = ()
    changed: tuple[Change, ...] = ()
    resourced_g: int = 0

    @property
    def line_ids(self) -> frozenset[int]:
        return frozenset(p.line_id for p in (*self.added, *self.removed)) | {c.line_id for c in self.changed}


@dataclass(frozen=True, slots=True)
class Unrest:
    """Grams of lines that had something before: from another source now, and more or less in all; also weighted."""

    resourced: int = 0
    changed: int = 0
    resourced_weighted: int = 0
    changed_weighted: int = 0
