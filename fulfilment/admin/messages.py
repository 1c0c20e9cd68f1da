"""What was said and what waits: mails, events, jobs.  A mail or a job that got stuck is let go again here."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.contrib import messages as said
from django.contrib.admin import EmptyFieldListFilter, action

from fulfilment.admin.forms import RecordForm
from fulfilment.admin.rows import Rows, Table, kept
from fulfilment.admin.site import hand_of
from fulfilment.core.problems import Problem
from fulfilment.models import Event, Job, Mail
from fulfilment.models.states import MAIL
from fulfilment.services import jobs, mails

if TYPE_CHECKING:
    from collections.abc import Callable

    from django.db.models import Model, QuerySet
    from django.http import HttpRequest

    from fulfilment.admin.site import Hand


class RetryMail(RecordForm):
    title, button, done = "Send it again", "Send it again", "It goes out with the next round of mails."
    note = "It goes to the same receiver under the same number, so that a mail program can tell it was there before."

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        return bool(row.state == Mail.State.FAILED)

    def do(self) -> Model:
        return mails.retry(self.row.public_id, by=self.hand.by, now=self.hand.now)


class CancelMail(RecordForm):
    title, button, done, danger = "Do not send it", "Cancel the mail", "The mail is cancelled.", True

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        return Mail.State.CANCELLED in MAIL[row.state]

    def do(self) -> Model:
        return mails.cancel(self.row, by=self.hand.by, now=self.hand.now)


class RetryJob(RecordForm):
    title, button, done = "Let it run again", "Let it run again", "The job is due again."
    note = "It was tried three times. See what is written under its last error before letting it run again."

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        return row.parked_at is not None

    def do(self) -> Model:
        return jobs.retry(self.row.kind, subject=self.row.subject, by=self.hand.by, now=self.hand.now)


def each_of(request: HttpRequest, rows: QuerySet[Any], does: Callable[[Any], object], *, word: str) -> None:
    """Do it with every row, and say of which it could not be done."""
    done = 0
    for row in rows:
        try:
            does(row)
        except Problem as problem:
            said.error(request, f"{row}: {problem.sentence}")
        else:
            done += 1
    if done:
        said.success(request, f"{word}: {done}.")


@kept(Mail)
class Mails(Rows):
    doings = {"retry": RetryMail, "cancel": CancelMail}
    actions = ("retry", "cancel")
    list_display = ("public_id", "kind", "to", "due_at", "state", "tries", "sent_at", "last_error")
    list_filter = ("state", "kind", "to_staff")
    date_hierarchy = "due_at"
    search_fields = (
        "public_id__istartswith", "kitchen__public_id__istartswith", "buyer__public_id__istartswith",
        "holder__public_id__istartswith",
    )  # fmt: skip
    search_help_text = "By id: its own or its receiver’s."
    ordering = ("-due_at", "-pk")
    tables = (Table("Care it tells", "care_mails", ("kit", "step", "cycle", "due_at", "state")),)

    def to(self, row: Mail) -> str:
        return "staff" if row.to_staff else str(row.kitchen or row.buyer or row.holder)

    @action(description="Send failed mails again", permissions=["change"])
    def retry(self, request: HttpRequest, rows: QuerySet[Mail]) -> None:
        hand = hand_of(request)
        each_of(request, rows, lambda mail: mails.retry(mail.public_id, by=hand.by, now=hand.now), word="Sent again")

    @action(description="Do not send planned mails", permissions=["change"])
    def cancel(self, request: HttpRequest, rows: QuerySet[Mail]) -> None:
        hand = hand_of(request)
        each_of(request, rows, lambda mail: mails.cancel(mail, by=hand.by, now=hand.now), word="Cancelled")


@kept(Event)
class Events(Rows):
    list_display = ("at", "kind", "subject", "by")
    list_filter = ("kind",)
    date_hierarchy = "at"
    search_fields = ("subject__istartswith", "by__icontains")
    search_help_text = "By the id of what it is about, or who did it."
    ordering = ("-pk",)
    list_select_related = False

    def subject_of(self, row: Any) -> str:
        return str(row.subject)


@kept(Job)
class Jobs(Rows):
    doings = {"retry": RetryJob}
    actions = ("retry",)
    list_display = ("kind", "subject", "due_at", "waits", "attempts", "parked_at", "done_at", "last_error")
    list_display_links = ("kind", "subject")
    list_filter = ("kind", ("parked_at", EmptyFieldListFilter))
    search_fields = ("subject__istartswith",)
    search_help_text = "By subject."
    ordering = ("-due_at", "-pk")
    leaves_out = ("lease",)

    def waits(self, row: Job) -> str:
        return "yes" if row.planned < row.wanted else "no"

    def subject_of(self, row: Any) -> str:
        return str((row.subject or row.kind)[:20])

    @action(description="Let parked jobs run again", permissions=["change"])
    def retry(self, request: HttpRequest, rows: QuerySet[Job]) -> None:
        hand = hand_of(request)
        each_of(
            request, rows, lambda job: jobs.retry(job.kind, subject=job.subject, by=hand.by, now=hand.now),
            word="Due again",
        )  # fmt: skip
