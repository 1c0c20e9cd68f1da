"""Promises to kitchens that have become less sure than they were made: which, how sure still, and what can be done.

A promise is *doubtful* where the last plan sees it kept in more than five points fewer of a hundred than it was made
at, and *sure again* once it is back where it was made; in between it stays what it was, so that it is not told to and
fro.  What of it is still as sure as it was promised is ``sure``: the largest amount, in whole packs, that its parts
receive together at the chance it was made at.

Worked example.  2 kg were promised at 90 %.  A bag is lost: all 2 kg come in 80 of 100 stories, so the promise is
doubtful; 1.5 kg come in 93.  The kitchen reads that it can count on 1.5 kg, and what it can have for the other 500 g.

Percents are for staff and the API; a kitchen reads words, and nothing of anybody else's order or tier.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np
from django.db.models import Case, F, Q, When

from fulfilment.core.calendar import in_words, instant
from fulfilment.core.promises import words
from fulfilment.core.promises.book import carried_by, needed
from fulfilment.core.units import Goods, packs_down, said
from fulfilment.models import Book, Doubt, Line, Mail, PromisePart, Shipment
from fulfilment.read import shortages, supply
from fulfilment.read.farm import farm, today

if TYPE_CHECKING:
    from django.db.models import QuerySet

    from fulfilment.models import Kitchen, Promise
    from fulfilment.read.shortages import Way

DOUBTFUL: Final = "promise_doubtful"
SURE_AGAIN: Final = "promise_sure_again"
"""The kinds of the two mails; the doubts that point to them say of which lines."""
POINTS: Final = 5
"""A promise whose chance falls more than this many points under the one it was made at is doubtful."""


@dataclass(frozen=True, slots=True)
class Choice:
    """Something the kitchen can do besides nothing, until its cut-off.

    ``choice`` is ``take_less``, ``substitute`` or ``next_date``; ``amount`` of ``product`` on ``on`` is what it would
    have by it, for the last two besides what it takes less.
    """

    choice: str
    amount: int
    product: str
    on: date
    says: str


@dataclass(frozen=True, slots=True)
class Seen:
    """One open doubt as its kitchen reads it; amounts in grams, or in kits where ``is_kit``."""

    doubt: str
    order: str
    line: str
    product_name: str
    is_kit: bool
    on: date
    promised: int
    sure: int
    says: str
    told_at: datetime
    open_until: datetime
    """The cut-off: until then the kitchen changes its order itself."""
    choices: tuple[Choice, ...]


def target() -> Case:
    """As a column: the chance in percent at which a line's latest promise was made."""
    return Case(When(promise__below_asked=True, then=F("promise__chance_pct")), default=F("promise__asked_pct"))


def target_of(promise: Promise) -> int:
    """The same of a promise that is read already."""
    return promise.chance_pct if promise.below_asked else promise.asked_pct


def doubtful(chance: int, *, target: int) -> bool:
    return chance < target - POINTS


def live(lines: QuerySet[Line]) -> QuerySet[Line]:
    """Of these those of kitchens that wait for what they were promised, with what the mails and pages need."""
    waiting = lines.filter(
        order__kitchen__isnull=False, cancelled_at__isnull=True, promised__gt=0, picked=0, chance_pct__isnull=False,
        shipment__state=Shipment.State.PLACED,
    )  # fmt: skip
    return waiting.select_related("order__kitchen", "promise", "product", "shipment")


def tell_by(kitchen: Kitchen, *, on: date) -> datetime:
    """Until when being told of a delivery ``on`` that day helps this kitchen."""
    return instant(on - timedelta(days=1), kitchen.tell_me_by, farm().zone)


def is_for_shortage(line: Line) -> bool:
    """Whether the line is past its cut-off and short: then it is a shortage, which is told as one."""
    return line.shipment.frozen_at is not None and shortages.is_short(line)


def sure_amounts(lines: Collection[Line], *, day: date) -> dict[int, int]:
    """Line id → what its parts receive together at the chance they were promised at, in whole packs."""
    by_promise = {line.promise_id: line for line in lines}
    parts: dict[int, list[PromisePart]] = {line.pk: [] for line in lines}
    for part in PromisePart.objects.filter(promise__in=by_promise).order_by("pk"):
        parts[by_promise[part.promise_id].pk].append(part)
    wanted = {part.book_id for own in parts.values() for part in own}
    rows = list(Book.objects.filter(pk__in=wanted).select_related("forecast").order_by("pk"))
    goods = {row.pk: Goods(row.strain_id, row.grade) for row in rows}
    books = supply.books(rows, today=day)
    found = {}
    for line in lines:
        assert line.promise is not None, "what is promised has a promise"
        got = [books[goods[p.book_id]].received.get(p.pk, np.zeros(1, dtype=np.int32)) for p in parts[line.pk]]
        whole = np.asarray(sum(np.broadcast_arrays(*got)), dtype=np.int64) if got else np.zeros(1, dtype=np.int64)
        sure = carried_by(whole, count=needed(target_of(line.promise), scenarios=whole.size))
        found[line.pk] = packs_down(min(sure, line.promised), pack=line.product.pack)
    return found


def open_rows(*, now: datetime) -> QuerySet[Doubt]:
    """Doubts that stand at ``now``, with what :func:`view` needs: told, not sure again, and nothing of them packed."""
    return with_lines(
        Doubt.objects.filter(
            sure_at__isnull=True, line__cancelled_at__isnull=True, line__promised__gt=0, line__picked=0,
            line__shipment__state=Shipment.State.PLACED, line__shipment__on__gte=today(now),
        ).exclude(_is_short())
    )  # fmt: skip


def over_rows(*, now: datetime) -> QuerySet[Doubt]:
    """Doubts that are over while their line is still to come."""
    return with_lines(
        Doubt.objects.filter(
            sure_at__isnull=False, line__cancelled_at__isnull=True, line__promised__gt=0,
            line__shipment__state__in=[Shipment.State.PLACED, Shipment.State.PACKED],
            line__shipment__on__gte=today(now),
        )
    )  # fmt: skip


def speaks(mail: Mail, *, now: datetime) -> bool:
    """Whether a mail of one of the two kinds has anything left to tell."""
    if mail.kind == DOUBTFUL:
        return open_rows(now=now).filter(mail=mail).exists()
    return over_rows(now=now).filter(sure_mail=mail).exists()


def _is_short() -> Q:
    """Past its cut-off a line that comes short is told, and answered, as a shortage."""
    return Q(line__shipment__frozen_at__isnull=False, line__promised__gt=F("line__allocated"))


def with_lines(rows: QuerySet[Doubt]) -> QuerySet[Doubt]:
    return rows.select_related(
        "line__order__kitchen", "line__shipment", "line__product__strain", "line__promise", "mail"
    ).order_by("line__shipment__on", "line__order", "line__number")


def of_kitchen(kitchen_id: int, *, now: datetime) -> tuple[Seen, ...]:
    """What this kitchen should know, the next delivery first."""
    return tuple(view(list(open_rows(now=now).filter(line__order__kitchen=kitchen_id)), now=now))


def view(doubts: Sequence[Doubt], *, now: datetime) -> list[Seen]:
    """These doubts as they stand, in the order given and in a fixed number of statements."""
    if not doubts:
        return []
    choosing = [each for each in doubts if now < each.line.shipment.cut_off_at]
    instead = shortages.instead([(each.line, each.line.promised - each.sure) for each in choosing], now=now)
    ways = dict(zip((each.pk for each in choosing), instead, strict=True))
    return [_seen(each, ways.get(each.pk)) for each in doubts]


def _seen(doubt: Doubt, ways: tuple[Way | None, Way | None] | None) -> Seen:
    line = doubt.line
    return Seen(
        doubt=doubt.public_id,
        order=line.order.public_id,
        line=f"{line.order.public_id}/{line.number}",
        product_name=line.product.name,
        is_kit=line.product.is_kit,
        on=line.shipment.on,
        promised=line.promised,
        sure=doubt.sure,
        says=in_short(doubt),
        told_at=doubt.told_at,
        open_until=line.shipment.cut_off_at,
        choices=tuple(_choices(doubt, ways)) if ways is not None else (),
    )


def in_short(doubt: Doubt) -> str:
    """How sure the line is, as its kitchen reads it."""
    line = doubt.line
    is_kit, on = line.product.is_kit, in_words(line.shipment.on)
    promised = said(line.promised, is_kit=is_kit)
    if doubt.sure_at is not None:
        return f"{promised} for {on}: {'promised' if is_kit else words(doubt.chance_pct).replace('_', ' ')}."
    if words(doubt.chance_pct) != "do_not_plan_on_it":
        still = "It is still likely, but less sure than we said"
    else:
        still = f"Do not plan on {'all of it' if doubt.sure else 'it'} any more"
    rest = f": you can count on {said(doubt.sure, is_kit=is_kit)}" if doubt.sure else ""
    return f"{promised} was promised for {on}. {still}{rest}.{_made_up(line)}"


def _made_up(line: Line) -> str:
    """What the newest plan has of accepted substitutes, where by them the line would come in full."""
    instead = line.account.get("substituted")
    if not isinstance(instead, int) or not instead or line.allocated < line.promised:
        return ""
    return f" As it stands, {said(instead, is_kit=line.product.is_kit)} of what you take instead would make up for it."


def _choices(doubt: Doubt, ways: tuple[Way | None, Way | None]) -> Iterable[Choice]:
    line = doubt.line
    is_kit, product, on = line.product.is_kit, line.product, line.shipment.on
    if doubt.sure:
        sure = said(doubt.sure, is_kit=is_kit)
        yield Choice("take_less", doubt.sure, product.public_id, on, f"Take {sure}, which you can count on.")
    else:
        yield Choice("take_less", 0, product.public_id, on, "Take it off this order.")
    substitute, later = ways
    if substitute is not None:
        amount = said(substitute.amount, is_kit=is_kit)
        says = f"Order {amount} of {substitute.product_name} for the same day, and lower this one."
        yield Choice("substitute", substitute.amount, substitute.product, on, says)
    if later is not None and later.chance is not None:
        amount, surely = said(later.amount, is_kit=is_kit), words(later.chance).replace("_", " ")
        says = f"Order {amount} for {in_words(later.on)} ({surely}), and lower this one."
        yield Choice("next_date", later.amount, later.product, later.on, says)


# ---- For staff ------------------------------------------------------------------------------------------------------


def told_of(lines: Iterable[int]) -> Mapping[int, Mail]:
    """Line id → the mail by which its kitchen is told that it is doubtful, sent or still to go."""
    found = Doubt.objects.filter(line__in=list(lines), sure_at__isnull=True, mail__isnull=False).select_related("mail")
    return {each.line_id: each.mail for each in found if each.mail is not None}
