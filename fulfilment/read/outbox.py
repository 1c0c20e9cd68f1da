"""The farm's mails as staff see them: which wait, which went, which failed and why.

A receiver is named, never addressed: an address is looked up where its person is.  Only the farm's own is shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from fulfilment.core import codes
from fulfilment.core.problems import Invalid, Missing
from fulfilment.models import Mail
from fulfilment.read.farm import farm
from fulfilment.read.mails import NOTES

KINDS: Final[Mapping[str, str]] = {
    "order_received": "order received",
    "shortage": "shortage notice",
    "promise_doubtful": "less sure than promised",
    "promise_sure_again": "sure again",
    "kit_sent": "kit sent",
    "care": "kit care",
    "safety": "safety notice",
    "webhook_disabled": "webhook switched off",
}
STATES: Final[Mapping[str, str]] = {
    Mail.State.PLANNED: "waits to go",
    Mail.State.SENDING: "is being sent",
    Mail.State.SENT: "sent",
    Mail.State.CANCELLED: "called back",
    Mail.State.LATE: "too late, not sent",
    Mail.State.UNKNOWN: "no answer from the server, tried once more",
    Mail.State.FAILED: "failed: somebody has to look",
}
MOST: Final = 200


@dataclass(frozen=True, slots=True)
class MailRow:
    """One mail in the list; ``number`` is where the next page begins (``before``)."""

    number: int
    public_id: str
    kind: str
    kind_words: str
    to: str
    due_at: datetime
    sent_at: datetime | None
    state: str
    state_words: str
    last_error: str
    tries: int

    @property
    def may_be_called_back(self) -> bool:
        return self.state == Mail.State.PLANNED

    @property
    def may_be_tried_again(self) -> bool:
        return self.state == Mail.State.FAILED


def listed(*, state: str = "", kind: str = "", before: int | None = None, limit: int = 50) -> list[MailRow]:
    """The newest mails first, of one state and kind where these are given, up to ``limit`` (200 at most)."""
    if state and state not in STATES:
        raise Invalid(f"A mail is {', '.join(STATES)}; not {state[:20]!r}.", code="unknown_state", where="state")
    rows = Mail.objects.select_related("kitchen", "buyer", "holder").order_by("-pk")
    if state:
        rows = rows.filter(state=state)
    if kind:
        rows = rows.filter(kind=kind)
    if before is not None:
        rows = rows.filter(pk__lt=before)
    return _seen(rows[: max(1, min(limit, MOST))])


def found(public_id: str) -> MailRow:
    """One mail; :class:`Missing` where there is none."""
    rows = _seen(
        Mail.objects.select_related("kitchen", "buyer", "holder").filter(public_id=codes.tidy(public_id) or "-")
    )
    if not rows:
        raise Missing(f"There is no mail {public_id[:20]}.")
    return rows[0]


def _seen(mails: Iterable[Mail]) -> list[MailRow]:
    staff = f"the farm ({farm().mail_from})"
    return [
        MailRow(
            number=mail.pk,
            public_id=mail.public_id,
            kind=mail.kind,
            kind_words=kind_in_words(mail.kind),
            to=_receiver(mail, staff=staff),
            due_at=mail.due_at,
            sent_at=mail.sent_at,
            state=mail.state,
            state_words=STATES[mail.state],
            last_error=mail.last_error,
            tries=mail.tries,
        )
        for mail in mails
    ]


def kind_in_words(kind: str) -> str:
    """``shortage notice``; to the staff ``to us: trouble with a kit``; one that has no words of its own, its name."""
    if kind in NOTES:
        return f"to us: {NOTES[kind][0]}"
    return KINDS.get(kind, kind.replace("_", " "))


def kinds() -> list[tuple[str, str]]:
    """The kinds of which there are mails, with their words, for a choice."""
    found = Mail.objects.order_by("kind").values_list("kind", flat=True).distinct()
    return [(kind, kind_in_words(kind)) for kind in found]


def _receiver(mail: Mail, *, staff: str) -> str:
    if mail.kitchen is not None:
        return mail.kitchen.name
    if mail.buyer is not None:
        return mail.buyer.name or "a buyer"
    if mail.holder is not None:
        return mail.holder.name or "a kit's holder"
    return staff
