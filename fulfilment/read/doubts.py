"""Promises to kitchens that have become less sure than they were made: which, how sure still, and what can be done.

A promise is *doubtful* where the last plan sees it kept in more than five points fewer of a hundred than it was made
at, and *sure again* once it is back where it was made; in between it stays what it was, so that it is not told to and
fro.  What of it is still as sure as it was promised is ``sure``: the largest amount, in whole packs, that its goods
bring together at the chance it was made at (:mod:`fulfilment.core.promises.keeping`).

Worked example.  2 kg were promised at 90 %.  A bag is lost: all 2 kg come in 80 of 100 stories, so the promise is
doubtful; 1.5 kg come in 93.  The kitchen reads that it can count on 1.5 kg, and what it can have for the other 500 g.

Until the cut-off it can answer by one press (:mod:`.ways`): keep it as it is, take what is sure, or that and something
else with it or on another day, or none.  Who keeps it is told no more before it is sure again or comes short.

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
from fulfilment.core.promises import still_sure, words
from fulfilment.core.units import Goods, said
from fulfilment.models import Book, Doubt, Line, Mail, PromisePart, Shipment
from fulfilment.read import shortages, supply, ways
from fulfilment.read.farm import farm, today
from fulfilment.read.ways import Told, Trouble

if TYPE_CHECKING:
    from django.db.models import QuerySet

    from fulfilment.core.promises.split import Amounts
    from fulfilment.models import Kitchen, Promise
    from fulfilment.read.ways import Way

DOUBTFUL: Final = "promise_doubtful"
SURE_AGAIN: Final = "promise_sure_again"
"""The kinds of the two mails; the doubts that point to them say of which lines."""
POINTS: Final = 5
"""A promise whose chance falls more than this many points under the one it was made at is doubtful."""


@dataclass(frozen=True, slots=True)
class Seen(Told):
    """One open doubt as its kitchen reads it; what ``stays`` is what is sure.

    ``open_until`` is the cut-off; ``ways`` is empty past it and where the kitchen has ``kept`` the line as it is.
    """

    chance: int
    kept: bool

    @property
    def sure(self) -> int:
        return self.stays


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
    """Line id → what can be counted on at the chance it was promised at, in whole packs."""
    return {line: sum(goods.values()) for line, goods in sure_goods(lines, day=day).items()}


def sure_goods(lines: Collection[Line], *, day: date) -> dict[int, dict[Goods, int]]:
    """Line id → how much of each of its goods stays sure, all of it together."""
    by_promise = {line.promise_id: line for line in lines}
    parts: dict[int, list[PromisePart]] = {line.pk: [] for line in lines}
    for part in PromisePart.objects.filter(promise__in=by_promise).order_by("rank", "pk"):
        parts[by_promise[part.promise_id].pk].append(part)
    wanted = {part.book_id for own in parts.values() for part in own}
    rows = list(Book.objects.filter(pk__in=wanted).select_related("forecast").order_by("pk"))
    goods = {row.pk: Goods(row.strain_id, row.grade) for row in rows}
    books = supply.books(rows, today=day)
    found = {}
    for line in lines:
        assert line.promise is not None, "what is promised has a promise"
        received: dict[Goods, Amounts] = {}
        for part in parts[line.pk]:
            of = goods[part.book_id]
            got = books[of].received.get(part.pk, np.zeros(1, dtype=np.int32))
            received[of] = received[of] + got if of in received else got
        found[line.pk] = still_sure(
            received, promised=line.promised, chance=target_of(line.promise), pack=line.product.pack
        )
    return found


def open_rows(*, now: datetime) -> QuerySet[Doubt]:
    """Doubts that stand at ``now``, with what :func:`view` needs: told, not sure again, and nothing of them packed."""
    return with_lines(
        Doubt.objects.filter(
            Doubt.is_open(), line__cancelled_at__isnull=True, line__promised__gt=0, line__picked=0,
            line__shipment__state=Shipment.State.PLACED, line__shipment__on__gte=today(now),
        ).exclude(_is_short())
    )  # fmt: skip


def seen_rows(*, now: datetime) -> QuerySet[Doubt]:
    """Those of them that speak of what is promised now: one whose line was changed since waits for the next plan."""
    return open_rows(now=now).filter(line__promise=F("promise"))


def answerable_rows(*, now: datetime) -> QuerySet[Doubt]:
    """Those of them that the kitchen can still answer, and has not."""
    return seen_rows(now=now).filter(answer="", line__shipment__cut_off_at__gt=now)


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
        return open_rows(now=now).filter(mail=mail, answer="").exists()
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
    return tuple(view(list(seen_rows(now=now).filter(line__order__kitchen=kitchen_id)), now=now))


def view(doubts: Sequence[Doubt], *, now: datetime) -> list[Seen]:
    """These doubts as they stand, in the order given and in a fixed number of statements.

    What is sure, and the ways, are looked up where the kitchen can still choose; else it is as the last plan saw it.
    """
    choosing = [each for each in doubts if _can_choose(each, now=now)]
    sure = {each.pk: each.sure for each in doubts}
    if choosing:
        fresh = sure_amounts([each.line for each in choosing], day=today(now))
        sure |= {each.pk: fresh[each.line_id] for each in choosing}
    found = ways.ways([_trouble(each.line, sure=sure[each.pk]) for each in choosing], now=now)
    own = dict(zip((each.pk for each in choosing), found, strict=True))
    return [_seen(each, own.get(each.pk, ()), sure=sure[each.pk]) for each in doubts]


def _can_choose(doubt: Doubt, *, now: datetime) -> bool:
    """As :func:`answerable_rows`, of one that is read already and may be over."""
    line = doubt.line
    stands = doubt.sure_at is None and line.cancelled_at is None and not line.picked
    return stands and not doubt.answer and line.promise_id == doubt.promise_id and now < line.shipment.cut_off_at


def _trouble(line: Line, *, sure: int) -> Trouble:
    is_kit, name, day = line.product.is_kit, line.product.name, in_words(line.shipment.on)
    return Trouble(
        line=line,
        stays=sure,
        missing=max(0, line.promised - sure),
        rest=f"{said(sure, is_kit=is_kit)} of {name} stays ordered for {day}",
        nothing=f"Nothing of {name} is ordered for {day} any more",
        keeps=f"All {said(line.ordered, is_kit=is_kit)} of {name} stays ordered for {day}. We write once more when it "
        "is sure again, or if it really comes short.",
    )


def _seen(doubt: Doubt, ways: tuple[Way, ...], *, sure: int) -> Seen:
    line = doubt.line
    kitchen = line.order.kitchen
    assert kitchen is not None, "only kitchens are told"
    return Seen(
        code=doubt.public_id,
        kitchen=kitchen.public_id,
        order=line.order.public_id,
        line=f"{line.order.public_id}/{line.number}",
        product=line.product.public_id,
        product_name=line.product.name,
        is_kit=line.product.is_kit,
        on=line.shipment.on,
        ordered=line.ordered,
        promised=line.promised,
        stays=sure,
        missing=max(0, line.promised - sure),
        says=in_short(doubt, sure=sure),
        told_at=doubt.told_at,
        open_until=line.shipment.cut_off_at,
        ways=ways,
        chance=doubt.chance_pct,
        kept=doubt.answer == Doubt.Answer.KEEP,
    )


def in_short(doubt: Doubt, *, sure: int) -> str:
    """How sure the line is, as its kitchen reads it."""
    line = doubt.line
    is_kit, on = line.product.is_kit, in_words(line.shipment.on)
    promised = said(line.promised, is_kit=is_kit)
    if doubt.sure_at is not None:
        return f"{promised} for {on}: {'promised' if is_kit else words(doubt.chance_pct).replace('_', ' ')}."
    if words(doubt.chance_pct) != "do_not_plan_on_it":
        still = "It is still likely, but less sure than we said"
    else:
        still = f"Do not plan on {'all of it' if sure else 'it'} any more"
    rest = f": you can count on {said(sure, is_kit=is_kit)}" if sure else ""
    return f"{promised} was promised for {on}. {still}{rest}.{_made_up(line)}"


def _made_up(line: Line) -> str:
    """What the newest plan has of accepted substitutes, where by them the line would come in full."""
    instead = line.account.get("substituted")
    if not isinstance(instead, int) or not instead or line.allocated < line.promised:
        return ""
    return f" As it stands, {said(instead, is_kit=line.product.is_kit)} of what you take instead would make up for it."


# ---- For staff ------------------------------------------------------------------------------------------------------


def told_of(lines: Iterable[int]) -> Mapping[int, Doubt]:
    """Line id → its open doubt, with the mail by which its kitchen is told, sent or still to go."""
    found = Doubt.objects.filter(Doubt.is_open(), line__in=list(lines)).select_related("mail")
    return {each.line_id: each for each in found}
