"""Kitchens are told once, and early, when something promised them has become doubtful; and once when it is sure again.

``follow_plan`` is called after every plan.  What the plan sees as doubtful (``read.doubts``) is told in one mail for
each kitchen and delivery, while the kitchen can still order elsewhere: before its tell-me-by time.  A doubt is no
shortage yet and plans change by the hour, so its mail keeps the hours in which people read: found at two in the night
it goes at eight, unless the tell-me-by time comes first, and a doubt that is over by then is never told by mail.
The kitchen's page and the API show it at once.

A line has one open doubt at a time, and so is told once until it has been said to be sure again.  If the kitchen or
staff have made it another order meanwhile there is nothing to be said again: they know.  Past the cut-off a line that
comes short is a shortage, and told as one (``services.freezing``).

The kitchen may answer (``answer``, by the rules of ``services.answers``): what is not to come is lowered with its rank
kept, and the doubt is closed; who keeps the line as it is, is told no more than that it is sure again.

Locks: doubts by id, then lines, then mails.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import date, datetime

from django.db import transaction
from django.db.models import F, Q

from fulfilment.core.calendar import in_words, instant, zone_of
from fulfilment.core.care.plan import next_opening
from fulfilment.core.problems import Conflict
from fulfilment.core.units import said
from fulfilment.models import Doubt, Kitchen, Line, Mail, Promise, Shipment
from fulfilment.read import doubts as reading
from fulfilment.read.doubts import DOUBTFUL, SURE_AGAIN
from fulfilment.read.farm import farm, today
from fulfilment.read.ways import Told, Way
from fulfilment.services import answers, events, mails

NIGHT = "night"


def follow_plan(*, now: datetime) -> int:
    """Tell what the newest plan sees as doubtful, or as sure again; returns of how many lines."""
    day = today(now)
    with transaction.atomic():
        open_ones = Doubt.objects.filter(Doubt.is_open(), line__shipment__on__gte=day).order_by("pk")
        held = set(open_ones.select_for_update(no_key=True).values_list("line", flat=True))
        lines = _lines(day, held)
        # Read again with the lines held: another worker may have told of one of them meanwhile.
        known = {each.line_id: each for each in open_ones.select_related("mail", "promise")}
        over = [line for line in lines if line.pk in known and _is_sure_again(line)]
        still = [line for line in lines if line.pk in known and not _is_sure_again(line)]
        new = [line for line in lines if line.pk not in known and _is_to_be_told(line, now=now)]
        _end(over, known, now=now)
        _see_again(still, known, day=day)
        _begin(new, day=day, now=now)
        _withdraw({each.mail for each in known.values() if each.mail is not None}, now=now)
    return len(over) + len(new)


def answer(
    doubt: str, *, choice: str, kitchen: str = "", on: date | None = None, product: str = "",
    amount: int | None = None, by: str, now: datetime,
) -> Doubt:  # fmt: skip
    """The kitchen's answer before its cut-off (``services.answers``); ``keep`` leaves the line as it is."""
    with transaction.atomic():
        row = answers.answer(
            _KIND, doubt, choice=choice, kitchen=kitchen, on=on, product=product, amount=amount, by=by, now=now
        )
        if row.mail is not None:
            _withdraw({row.mail}, now=now)
    return row


def look(told: str, *, choice: str, kitchen: str, now: datetime) -> tuple[Told, Way]:
    """What an answer would mean, without giving it."""
    return answers.look(_KIND, told, choice=choice, kitchen=kitchen, now=now)


def _find_open(public_id: str, now: datetime) -> Doubt | None:
    return reading.answerable_rows(now=now).filter(public_id=public_id).first()


def _why_not(row: Doubt, now: datetime) -> Conflict:
    line, shipment = row.line, row.line.shipment
    day = in_words(shipment.on)
    if shipment.on < today(now):
        return Conflict(f"{day} is over: there is nothing left to choose.", code="too_late")
    if line.cancelled_at is not None:
        return Conflict(
            f"Line {line} was cancelled since you were told: look at the order as it is now, and place another one if "
            "you want it after all.",
            code="changed_since",
        )
    if line.picked or shipment.state != Shipment.State.PLACED:
        return Conflict(
            f"Line {line} is packed already, so it comes as it is. Please call the farm.", code="already_packed"
        )
    if now >= shipment.cut_off_at:
        local = shipment.cut_off_at.astimezone(zone_of(farm().zone))
        return Conflict(
            f"The cut-off for {day} was on {in_words(local.date())} at {local:%H:%M}, so the line stays as it is: "
            "please call the farm. If less comes than was promised, you are told and can choose then.",
            code="past_cut_off", cut_off_at=shipment.cut_off_at.isoformat(),
        )  # fmt: skip
    if line.promise_id != row.promise_id:
        return Conflict(
            f"Line {line} was changed since you were told: look at the order as it is now. You can change it yourself "
            "until its cut-off.",
            code="changed_since",
        )
    return Conflict(
        f"Line {line} is as sure again as it was promised: {said(line.promised, is_kit=line.product.is_kit)} on {day}. "
        "There is nothing to answer.",
        code="sure_again",
    )


def _lines(day: date, known: Collection[int]) -> list[Line]:
    """The lines to be delivered from ``day`` on that are doubtful or were told to be (``known``), held."""
    chance = F("chance_pct")
    waiting = reading.live(Line.objects.filter(shipment__on__gte=day)).alias(made_at=reading.target())
    concerned = Q(made_at__gt=chance + reading.POINTS) | Q(pk__in=list(known))
    return list(waiting.filter(concerned).order_by("pk").select_for_update(no_key=True, of=("self",)))


def _is_sure_again(line: Line) -> bool:
    assert line.promise is not None, "what is promised has a promise"
    chance = line.chance_pct or 0
    return chance >= reading.target_of(line.promise) and not reading.is_for_shortage(line)


def _is_to_be_told(line: Line, *, now: datetime) -> bool:
    return now < reading.tell_by(_kitchen(line), on=line.shipment.on) and not reading.is_for_shortage(line)


def _begin(lines: Sequence[Line], *, day: date, now: datetime) -> None:
    """A doubt for each of these; one that was to be called sure again but was not yet goes on instead."""
    sure = reading.sure_amounts(lines, day=day)
    taken_back = {
        each.line_id: each
        for each in Doubt.objects.filter(line__in=lines, sure_mail__state=Mail.State.PLANNED).select_related(
            "sure_mail"
        )
    }
    for line in lines:
        chance = line.chance_pct or 0
        before = taken_back.get(line.pk)
        if before is not None and before.sure_mail is not None:
            mail, before.sure_at, before.sure_mail = before.sure_mail, None, None
            before.chance_pct, before.sure, before.promise = chance, sure[line.pk], _promise(line)
            before.save(update_fields=["sure_at", "sure_mail", "chance_pct", "sure", "promise"])
            if not mail.doubts_over.exists():
                mails.withdraw(mail, by=NIGHT, now=now)
            continue
        doubt = Doubt(line=line, promise=_promise(line), chance_pct=chance, sure=sure[line.pk], told_at=now)
        doubt.mail = _mail(DOUBTFUL, doubt, until=reading.tell_by(_kitchen(line), on=line.shipment.on), now=now)
        doubt.save()
        _record("doubt_told", doubt, now=now)


def _see_again(lines: Sequence[Line], known: Mapping[int, Doubt], *, day: date) -> None:
    """What still stands is kept as the newest plan sees it, so that pages and mails need ask no book."""
    sure = reading.sure_amounts(lines, day=day)
    for line in lines:
        doubt, chance = known[line.pk], line.chance_pct or 0
        if (doubt.chance_pct, doubt.sure, doubt.promise_id) != (chance, sure[line.pk], line.promise_id):
            doubt.chance_pct, doubt.sure, doubt.promise = chance, sure[line.pk], _promise(line)
            doubt.save(update_fields=["chance_pct", "sure", "promise"])


def _end(lines: Sequence[Line], known: Mapping[int, Doubt], *, now: datetime) -> None:
    for line in lines:
        doubt = known[line.pk]
        doubt.line, doubt.sure_at, doubt.chance_pct, doubt.sure = line, now, line.chance_pct or 0, line.promised
        if (_was_heard(doubt) or doubt.answer) and not _was_changed(doubt):
            begins = instant(line.shipment.on, _kitchen(line).window_from, farm().zone)
            doubt.sure_mail = _mail(SURE_AGAIN, doubt, until=begins, now=now)
        doubt.save(update_fields=["sure_at", "chance_pct", "sure", "sure_mail"])
        _record("doubt_over", doubt, now=now)


def _was_heard(doubt: Doubt) -> bool:
    return doubt.mail is not None and doubt.mail.state in (Mail.State.SENDING, Mail.State.SENT, Mail.State.UNKNOWN)


def _was_changed(doubt: Doubt) -> bool:
    """Whether somebody other than the night has made it another promise since."""
    later = Promise.objects.filter(line=doubt.line_id, number__gt=doubt.promise.number)
    return later.exclude(by=NIGHT).exists()


def _mail(kind: str, doubt: Doubt, *, until: datetime, now: datetime) -> Mail | None:
    """The mail that tells of it: one that waits already for this kitchen and delivery, or a new one.

    It goes in reading hours, or at once where these come too late; None where the kitchen has no address.
    """
    kitchen, on = _kitchen(doubt.line), doubt.line.shipment.on.isoformat()
    if not kitchen.email:
        return None
    waits = Mail.objects.filter(kind=kind, kitchen=kitchen, state=Mail.State.PLANNED, subject__on=on)
    found = waits.select_for_update(no_key=True).order_by("pk").first()
    if found is not None:
        return found
    opening = next_opening(now, zone=farm().zone)
    return mails.queue(
        kind, kitchen=kitchen, subject={"on": on}, once=f"{kind}:{kitchen.public_id}:{on}:{doubt.public_id}",
        due_at=opening if opening < until else now, now=now,
    )  # fmt: skip


def _withdraw(told_by: Collection[Mail], *, now: datetime) -> None:
    """Mails that have not gone and have nothing left to tell."""
    for mail in told_by:
        if mail.state == Mail.State.PLANNED and not reading.speaks(mail, now=now):
            mails.withdraw(mail, by=NIGHT, now=now)


def _record(kind: str, doubt: Doubt, *, now: datetime) -> None:
    line = doubt.line
    events.record(
        kind, subject=line.order.public_id, by=NIGHT, at=now, kitchen=_kitchen(line),
        data={
            "doubt": doubt.public_id, "line": line.number, "promised": line.promised, "sure": doubt.sure,
            "chance": doubt.chance_pct,
        },
    )  # fmt: skip


def _promise(line: Line) -> Promise:
    assert line.promise is not None, "what is promised has a promise"
    return line.promise


def _kitchen(line: Line) -> Kitchen:
    assert line.order.kitchen is not None, "only kitchens are told"
    return line.order.kitchen


_KIND = answers.Kind(
    name="doubt",
    event="doubt_answered",
    rest="sure",
    after="Until the cut-off you can change the order yourself; after it, please call the farm.",
    choices=Doubt.Answer.values,
    rows=lambda: reading.with_lines(Doubt.objects.all()),
    find_open=_find_open,
    why_not=_why_not,
    view=lambda row, now: reading.view([row], now=now)[0],
    stays=lambda row, now: reading.sure_goods([row.line], day=today(now))[row.line.pk],
)
