"""Mails from the wish to the mark: queued in the writer's commit, claimed under a lease, marked when the talk is over.

The mail's row is the queue.  ``due_at`` says since when it should have gone and never moves; ``lease_until`` says until
when nobody else may touch it: the worker that talks, or the pause before another try.  States move along
``models.states.MAIL``:

* planned → sending (leased, committed) → *talk, outside any transaction* → sent;
* a refusal that may pass: back to planned after a pause that doubles, failed after the fifth time;
* no answer, or a lease that ran out: unknown; tried once more after a quarter of an hour under the same Message-ID;
  no answer again: failed, and shown to a person.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from django.db import connection, transaction
from django.db.models import F, Q

from fulfilment import bell
from fulfilment.core.calendar import farm_day, instant
from fulfilment.core.care.plan import LATEST, next_opening
from fulfilment.core.care.programme import OPENS
from fulfilment.core.problems import Invalid
from fulfilment.models import CareMail, Mail
from fulfilment.models.states import MAIL, move
from fulfilment.read import doubts
from fulfilment.services import events, rows

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from django.db.models import QuerySet

    from fulfilment.models import Buyer, Holder, Kitchen

    Rows = QuerySet[Mail]
    Fates = dict[str, list[Mail]]

CARE: Final = "care"
"""The kind that obeys unsubscribing and lateness; what concerns safety has a kind of its own."""

LEASE: Final = timedelta(minutes=10)
UNKNOWN_PAUSE: Final = timedelta(minutes=15)
FIRST_PAUSE: Final = timedelta(minutes=2)
SERVER_PAUSE: Final = timedelta(minutes=1)
"""Before a mail server that cannot be reached is called again."""

MOST_TRIES: Final = 5
SILENT: Final = "No answer: it may or may not have been sent."

# By hand, since they are what every moment and every mail costs.
_ANY_DUE = """
SELECT 1 FROM fulfilment_mail WHERE state IN ('planned', 'sending', 'unknown') AND due_at <= %s ORDER BY due_at LIMIT 1
"""
_SENT = """
UPDATE fulfilment_mail SET state = 'sent', sent_at = %s, lease_until = NULL, last_error = ''
WHERE id = %s AND state = 'sending' AND lease_until = %s
"""


def queue(
    kind: str,
    *,
    kitchen: Kitchen | None = None,
    buyer: Buyer | None = None,
    holder: Holder | None = None,
    to_staff: bool = False,
    subject: Mapping[str, object],
    once: str,
    due_at: datetime | None = None,
    now: datetime,
) -> Mail:
    """The mail that ``once`` names, made in the caller's transaction if it is not there yet; to one receiver.

    ``subject`` says by ids what it is about; the words are found when it is sent.  Due at once unless said otherwise.
    """
    leave(
        kind, kitchen=kitchen, buyer=buyer, holder=holder, to_staff=to_staff, subject=subject, once=once,
        due_at=due_at or now,
    )  # fmt: skip
    return Mail.objects.get(once=once)


def leave(
    kind: str,
    *,
    kitchen: Kitchen | None = None,
    buyer: Buyer | None = None,
    holder: Holder | None = None,
    to_staff: bool = False,
    subject: Mapping[str, object],
    once: str,
    due_at: datetime,
) -> None:
    """The same for a caller that has no more to do with it."""
    if not once or len(once) > 80:
        raise Invalid("A mail is named by 1 to 80 signs that make it this mail.", where="once")
    if [kitchen is not None, buyer is not None, holder is not None, to_staff].count(True) != 1:
        raise Invalid("A mail has one receiver: a kitchen, a buyer, a holder or the staff.", where="to")
    made = Mail(
        kind=kind, kitchen=kitchen, buyer=buyer, holder=holder, to_staff=to_staff, subject=dict(subject), once=once,
        due_at=due_at,
    )  # fmt: skip
    Mail.objects.bulk_create([made], ignore_conflicts=True)
    transaction.on_commit(bell.ring, robust=True)


def cancel(found: Mail, *, by: str, now: datetime) -> Mail:
    """A planned mail does not go; one that is being sent or was cannot be called back (:class:`Conflict`)."""
    with transaction.atomic():
        row = rows.lock(Mail, found.public_id)
        row.state = move(MAIL, row.state, Mail.State.CANCELLED, what="mail")
        row.save(update_fields=["state"])
        events.record("mail_cancelled", subject=row.public_id, by=by, at=now, data={"kind": row.kind})
    return row


def withdraw(mail: Mail, *, by: str, now: datetime) -> bool:
    """In the caller's transaction: a mail that has not begun to go does not go; False where it has."""
    done = Mail.objects.filter(pk=mail.pk, state=Mail.State.PLANNED).update(
        state=Mail.State.CANCELLED, lease_until=None
    )
    if done:
        events.record("mail_cancelled", subject=mail.public_id, by=by, at=now, data={"kind": mail.kind})
    return bool(done)


def retry(public_id: str, *, by: str, now: datetime) -> Mail:
    """A person lets a failed mail go again, under the same Message-ID."""
    with transaction.atomic():
        row = rows.lock(Mail, public_id)
        row.state = move(MAIL, row.state, Mail.State.PLANNED, what="mail")
        row.tries, row.due_at, row.lease_until, row.last_error = 0, now, None, ""
        row.save(update_fields=["state", "tries", "due_at", "lease_until", "last_error"])
        events.record("mail_retried", subject=row.public_id, by=by, at=now, data={"kind": row.kind})
        transaction.on_commit(bell.ring, robust=True)
    return row


def claim(*, now: datetime, limit: int) -> list[Mail]:
    """Up to ``limit`` due mails marked as being sent, leased to the caller and committed.

    What must not go any more is settled on the way: care mails that were overtaken by a newer one, are over three days
    late or were unsubscribed from, doubts that are over, and whatever was for somebody erased meanwhile.
    """
    free = Q(lease_until__isnull=True) | Q(lease_until__lte=now)
    due = Mail.objects.filter(free, state__in=["planned", "sending", "unknown"], due_at__lte=now)
    due = due.order_by("due_at", "pk")
    if not _any_due(now):
        return []
    with transaction.atomic():
        found = list(
            due.select_related("kitchen", "buyer", "holder").select_for_update(
                skip_locked=True, no_key=True, of=("self",)
            )[:limit]
        )
        silent = [mail for mail in found if mail.state == Mail.State.SENDING]
        _unanswered(silent, now=now)
        by_fate = _fates([mail for mail in found if mail.state != Mail.State.SENDING], now=now)
        for fate in (Mail.State.LATE, Mail.State.CANCELLED, Mail.State.FAILED):
            _settle(by_fate[fate], fate)
        taken = by_fate[Mail.State.SENDING]
        Mail.objects.filter(pk__in=[mail.pk for mail in taken]).update(
            state=Mail.State.SENDING, tries=F("tries") + 1, lease_until=now + LEASE
        )
    for mail in taken:
        mail.state, mail.tries, mail.lease_until = Mail.State.SENDING, mail.tries + 1, now + LEASE
    return taken


def sent(done: Iterable[Mail], *, now: datetime) -> None:
    """Somebody accepted these; one whose lease had run out is no longer the caller's to mark and stays as it is."""
    instant = connection.ops.adapt_datetimefield_value
    marks = [(instant(now), mail.pk, instant(mail.lease_until)) for mail in done]
    if marks:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.executemany(_SENT, marks)


def refused(mail: Mail, *, error: str, passing: bool, now: datetime) -> None:
    """It was not accepted: tried again after a pause where that may help, else failed."""
    if passing and mail.tries < MOST_TRIES:
        pause = FIRST_PAUSE * 2.0 ** (mail.tries - 1)
        _mine([mail]).update(state=Mail.State.PLANNED, lease_until=now + pause, last_error=error[:200])
    else:
        _fail([mail], error=error[:200], now=now)


def unanswered(mail: Mail, *, now: datetime) -> None:
    """The talk broke off: nobody knows whether it was accepted."""
    with transaction.atomic():
        _unanswered([mail], now=now)


def put_back(untouched: Iterable[Mail], *, until: datetime | None = None) -> None:
    """These were claimed but never talked about: planned again, not before ``until``, the try not counted.

    One that had been unknown keeps its mark, so that it is not tried a third time.
    """
    _mine(untouched).update(state=Mail.State.PLANNED, lease_until=until, tries=F("tries") - 1)


def _mine(mails: Iterable[Mail]) -> Rows:
    """Those whose lease is still the one that was taken: nobody else has claimed or settled them meanwhile."""
    ways = Q(pk__in=[])
    grouped: dict[datetime | None, list[int]] = defaultdict(list)
    for mail in mails:
        grouped[mail.lease_until].append(mail.pk)
    for lease, pks in grouped.items():
        ways |= Q(pk__in=pks, lease_until=lease)
    return Mail.objects.filter(ways, state=Mail.State.SENDING)


def _any_due(now: datetime) -> bool:
    with connection.cursor() as cursor:
        cursor.execute(_ANY_DUE, [connection.ops.adapt_datetimefield_value(now)])
        return cursor.fetchone() is not None


def _unanswered(mails: Iterable[Mail], *, now: datetime) -> None:
    again = [mail for mail in mails if mail.last_error == SILENT]
    _fail(again, error=SILENT, now=now)
    once = [mail for mail in mails if mail not in again]
    _mine(once).update(state=Mail.State.UNKNOWN, lease_until=now + UNKNOWN_PAUSE, last_error=SILENT)


def _fail(mails: Iterable[Mail], *, error: str, now: datetime) -> None:
    with transaction.atomic():
        for mail in mails:
            if _mine([mail]).update(state=Mail.State.FAILED, lease_until=None, last_error=error):
                events.record("mail_failed", subject=mail.public_id, by="worker", at=now, data={"kind": mail.kind})


def _fates(mails: Iterable[Mail], *, now: datetime) -> Fates:
    """Planned and unknown mails by what becomes of them now; some have to wait and are in none."""
    fates: Fates = defaultdict(list)
    unknown = [mail for mail in mails if mail.state == Mail.State.UNKNOWN]
    planned = [mail for mail in mails if mail.state == Mail.State.PLANNED]
    overtaken = _overtaken([mail for mail in planned if mail.kind == CARE], now=now)
    heard: set[int | None] = set()
    for mail in planned:
        if _unwanted(mail, now=now):
            fates[Mail.State.CANCELLED].append(mail)
        elif mail.kind != CARE:
            fates[Mail.State.SENDING].append(mail)
        elif mail.pk in overtaken or mail.due_at < now - LATEST:
            fates[Mail.State.LATE].append(mail)
        elif not _waits(mail, now=now, heard=mail.holder_id in heard):
            heard.add(mail.holder_id)
            fates[Mail.State.SENDING].append(mail)
    fates[Mail.State.FAILED] = [mail for mail in unknown if _unwanted(mail, now=now)]
    if not fates[Mail.State.SENDING]:
        # Alone, so that a mail which kills its worker cannot take others with it twice.
        fates[Mail.State.SENDING] = [mail for mail in unknown if not _unwanted(mail, now=now)][:1]
    return fates


def _unwanted(mail: Mail, *, now: datetime) -> bool:
    buyer, holder = mail.buyer, mail.holder
    if mail.kind in (doubts.DOUBTFUL, doubts.SURE_AGAIN):
        return not doubts.speaks(mail, now=now)
    if buyer is not None:
        return buyer.erased_at is not None
    if holder is not None:
        return holder.erased_at is not None or (mail.kind == CARE and holder.unsubscribed_at is not None)
    return False


def _waits(mail: Mail, *, now: datetime, heard: bool) -> bool:
    """A care mail held up by an outage still keeps its holder's hours, and still is the only one of its day."""
    assert mail.holder is not None, "care is for a holder"
    zone = mail.holder.zone
    then = next_opening(now, zone=zone)
    if heard:
        then = instant(farm_day(then, zone) + timedelta(days=1), OPENS, zone)
    if then == now:
        return False
    Mail.objects.filter(pk=mail.pk).update(lease_until=then)
    return True


def _overtaken(mails: Iterable[Mail], *, now: datetime) -> set[int]:
    """Care mails whose every kit has a newer one that is due as well."""
    pks = [mail.pk for mail in mails]
    if not pks:
        return set()
    kits: dict[int, set[int]] = defaultdict(set)
    newest: dict[int, tuple[datetime, int]] = {}
    due = CareMail.objects.filter(
        mail__kind=CARE,
        mail__state=Mail.State.PLANNED,
        mail__due_at__lte=now,
        kit__in=CareMail.objects.filter(mail__in=pks).values("kit"),
    )
    for kit, mail, due_at in due.values_list("kit", "mail", "mail__due_at"):
        kits[mail].add(kit)
        newest[kit] = max(newest.get(kit, (due_at, mail)), (due_at, mail))
    return {pk for pk in pks if kits[pk] and all(newest[kit][1] != pk for kit in kits[pk])}


def _settle(mails: Iterable[Mail], fate: Mail.State) -> None:
    pks = [mail.pk for mail in mails]
    if pks:
        Mail.objects.filter(pk__in=pks).update(state=fate, lease_until=None)
        if fate in (Mail.State.LATE, Mail.State.CANCELLED):
            CareMail.objects.filter(mail__in=pks).update(state=fate)
