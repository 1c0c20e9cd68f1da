"""Lots and coming harvests are given to lines; of the new plan only what differs from the one before is written.

The plan is computed outside any transaction.  When it is written, lines that somebody changed meanwhile are left as
they were and a new plan is asked for; so are lots that can no longer give what the plan took from them.  A plan that an
independent audit finds wrong is not saved at all: the one before it stays, and staff are told.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime

from django.db import connection, transaction

from fulfilment.core import allocation
from fulfilment.core.allocation import Account, Difference, Piece, Unrest, allocate, audit, difference, unrest
from fulfilment.core.chances import chances
from fulfilment.core.fairness import Rule
from fulfilment.core.promises import percent
from fulfilment.core.units import Goods
from fulfilment.models import Allocation, Book, Forecast, Line, Lot, Plan
from fulfilment.read import doubts, holds, next_dates, plans, supply, worths
from fulfilment.read.farm import farm
from fulfilment.services import events, jobs, mails
from fulfilment.services.rows import lock_all

Told = dict[str, int | str | None]
"""An account as it is stored."""


def allot(*, today: date, now: datetime, cause: str) -> Plan | None:
    """Make and save the plan; None where it failed its audit."""
    question = plans.question(today=today)
    made = allocate(question.wants, question.sources, today=today, rule=Rule(farm().sharing_rule))
    wrong = audit(made, question.wants, question.sources, today=today)
    if wrong:
        _tell_wrong(wrong, now=now)
        return None
    goods = {source.key: source.goods for source in question.sources}
    before = [
        Piece(want.line_id, key, _goods_of(key, goods), amount)
        for want in question.wants
        for key, amount in want.previous
    ]
    change = difference(before, made.pieces)
    moved = unrest(before, made.pieces, days={want.line_id: want.day for want in question.wants}, today=today)
    kept = _chances(today)
    accounts = _told(made.accounts, today=today, now=now)
    with transaction.atomic():
        plan = _save(question, made, accounts, change, moved, cause=cause, now=now)
        _let_go(today)
        _note_chances(kept, now=now)
    return plan


def _let_go(today: date) -> None:
    """What was planned for a day that is over and never left the store is free again."""
    over = [line.pk for line in lock_all(Line.objects.filter(allocated__gt=0, shipment__on__lt=today))]
    Allocation.objects.filter(line__in=over).delete()
    Line.objects.filter(pk__in=over).update(allocated=0)


def _goods_of(key: str, known: Mapping[str, Goods]) -> Goods:
    if key in known:
        return known[key]
    return allocation.parse_coming(key)[0] if key.startswith("coming:") else Goods(0, "")


def _save(
    question: plans.Question, made: allocation.Plan, accounts: Mapping[int, Told], change: Difference, rest: Unrest, *,
    cause: str, now: datetime,
) -> Plan:  # fmt: skip
    moved = _moved(question, made)
    touched = moved | _retold(accounts)
    lots = {lot.pk: lot for lot in lock_all(Lot.objects.filter(pk__in=_lots_in(made.pieces)))}
    lines = {line.pk: line for line in lock_all(Line.objects.filter(pk__in=touched))}
    held = holds.held_lot_ids()
    stale = {pk for pk, line in lines.items() if line.version != question.versions[pk]}
    for piece in made.pieces:
        lot = lots.get(int(piece.source.removeprefix("lot:"))) if piece.source.startswith("lot:") else None
        if lot is not None and (lot.quantity < question.lots[lot.pk] or lot.pk in held):
            stale.add(piece.line_id)
    if stale:
        jobs.add("replan", due_at=now)
    plan = Plan.objects.create(
        made_at=now, cause=cause[:40], forecast=Forecast.objects.order_by("-pk").first(),
        figures=_figures(made, change, rest, skipped=len(stale)),
        bags=[_bag_as_data(each) for each in worths.bag_plans()],
    )  # fmt: skip
    write = (moved & lines.keys()) - stale
    _write_pieces([piece for piece in made.pieces if piece.line_id in write], lines=write, plan=plan)
    _write_accounts({pk: accounts[pk] for pk in lines.keys() - stale if pk in accounts})
    events.record("planned", subject=plan.public_id, by="night", at=now, data=plan.figures)
    return plan


def _moved(question: plans.Question, made: allocation.Plan) -> set[int]:
    """Lines whose pieces are to be written otherwise than they stand."""
    pieces: dict[int, dict[str, int]] = {line: {} for line in question.stored}
    for piece in made.pieces:
        own = pieces[piece.line_id]
        own[piece.source] = own.get(piece.source, 0) + piece.amount
    return {line for line, own in pieces.items() if own != question.stored[line]}


def _told(accounts: Mapping[int, Account], *, today: date, now: datetime) -> dict[int, Told]:
    """Each line's account as it is stored; short ones with the next day on which they can be full."""
    short = [pk for pk, account in accounts.items() if account.allocated < account.ordered]
    days = next_dates.first_full(short, today=today, now=now)
    return {pk: as_data(account, full_on=days.get(pk)) for pk, account in accounts.items()}


def _retold(accounts: Mapping[int, Told]) -> set[int]:
    """Lines whose stored account or amount says something else than the new one."""
    stored = dict(Line.objects.filter(pk__in=accounts).values_list("pk", "account"))
    return {pk for pk, account in accounts.items() if pk in stored and stored[pk] != account}


def as_data(account: Account, *, full_on: date | None) -> Told:
    """A line's account as it is stored: whole numbers, a day, and the code its sentence is made from."""
    return {
        "code": str(account.code),
        "ordered": account.ordered,
        "promised": account.promised,
        "allocated": account.allocated,
        "there": account.there,
        "promised_before": account.promised_before,
        "kept_back": account.kept_back,
        "rule": account.rule,
        "share_pct": int(account.share),
        "substituted": account.substituted,
        "part_pack": account.part_pack,
        "full_on": full_on.isoformat() if full_on is not None else None,
    }


def _bag_as_data(bags: worths.BagPlan) -> dict[str, object]:
    """What the plan says of a batch's bags as it is stored: ids and whole numbers."""
    return {
        "batch": bags.batch,
        "seal": bags.seal,
        "open": bags.open,
        "opens_on": bags.opens_on.isoformat() if bags.opens_on else None,
        "fresh_minor": bags.fresh.amount if bags.fresh else None,
        "fresh_g": bags.grams,
        "fresh_sold_g": bags.sold,
    }


def _lots_in(pieces: Iterable[Piece]) -> set[int]:
    return {int(piece.source.removeprefix("lot:")) for piece in pieces if piece.source.startswith("lot:")}


def _write_pieces(pieces: Sequence[Piece], *, lines: Iterable[int], plan: Plan) -> None:
    Allocation.objects.filter(line__in=list(lines)).delete()
    rows = []
    for piece in pieces:
        lot, coming_on = None, None
        if piece.source.startswith("lot:"):
            lot = int(piece.source.removeprefix("lot:"))
        else:
            coming_on = allocation.parse_coming(piece.source)[1]
        rows.append(
            Allocation(
                line_id=piece.line_id, strain_id=piece.goods.strain_id, grade=piece.goods.grade, lot_id=lot,
                coming_on=coming_on, amount=piece.amount, plan=plan,
            )
        )  # fmt: skip
    Allocation.objects.bulk_create(rows)


def _write_accounts(accounts: Mapping[int, Told]) -> None:
    field = Line._meta.get_field("account")  # noqa: SLF001 - public by Django's documentation
    rows = [(account["allocated"], field.get_db_prep_save(account, connection), pk) for pk, account in accounts.items()]
    if rows:
        with connection.cursor() as cursor:
            cursor.executemany("UPDATE fulfilment_line SET allocated = %s, account = %s WHERE id = %s", rows)


def _chances(today: date) -> dict[int, int]:
    """The chance of every promised line as the books stand, in percent."""
    rows = list(Book.objects.select_related("forecast"))
    parts = [part for own in supply.parts(rows, today=today).values() for part in own]
    return {line: percent(share) for line, share in chances(supply.supplies(rows, today=today), parts).by_line.items()}


def _note_chances(kept: Mapping[int, int], *, now: datetime) -> None:
    """Write each line's chance where it moved; a promise that becomes doubtful, or sure again, is noted then."""
    changed = []
    for line in (
        Line.objects.filter(pk__in=kept).select_related("promise", "order__kitchen", "order__buyer").order_by("pk")
    ):
        chance = kept[line.pk]
        if chance == line.chance_pct or line.promise is None:
            continue
        changed.append((chance, line.pk))
        target = doubts.target_of(line.promise)
        was_doubtful = line.chance_pct is not None and doubts.doubtful(line.chance_pct, target=target)
        if doubts.doubtful(chance, target=target) != was_doubtful:
            events.record(
                "promise_recovered" if was_doubtful else "promise_doubtful", subject=line.order.public_id, by="night",
                at=now, kitchen=line.order.kitchen, buyer=line.order.buyer,
                data={"line": line.number, "asked": line.promise.asked_pct, "chance": chance},
            )  # fmt: skip
    if changed:
        with connection.cursor() as cursor:
            cursor.executemany("UPDATE fulfilment_line SET chance_pct = %s WHERE id = %s", changed)


def _figures(made: allocation.Plan, change: Difference, rest: Unrest, *, skipped: int) -> dict[str, int]:
    codes: dict[str, int] = defaultdict(int)
    for account in made.accounts.values():
        codes[str(account.code)] += 1
    totals = made.totals
    return {
        "lines": len(made.accounts),
        "ordered": totals.ordered,
        "promised": totals.promised,
        "allocated": totals.allocated,
        "substituted": totals.substituted,
        "left": totals.left,
        "lines_changed": len(change.line_ids),
        "resourced": change.resourced_g,
        "resourced_weighted": rest.resourced_weighted,
        "changed": rest.changed,
        "changed_weighted": rest.changed_weighted,
        "lines_skipped": skipped,
        **{f"lines_{code}": count for code, count in sorted(codes.items())},
    }


def _tell_wrong(wrong: Sequence[str], *, now: datetime) -> None:
    with transaction.atomic():
        events.record("plan_refused", subject=now.date().isoformat(), by="night", at=now, data={"found": len(wrong)})
        mails.queue(
            "plan_refused", to_staff=True, subject={"found": len(wrong)}, once=f"plan_refused:{now:%Y%m%d%H}",
            due_at=now, now=now,
        )  # fmt: skip
