"""Mails as they leave: words found from what a mail is about, and one connection to talk over.

Nothing here marks a row: :func:`send` says of each mail how its talk went, and whoever called it writes that down.
"""

from __future__ import annotations

import re
import smtplib
from dataclasses import dataclass
from email.utils import format_datetime
from enum import StrEnum
from functools import lru_cache
from typing import TYPE_CHECKING, Final, cast

import structlog
from django.core.mail import get_connection
from django.core.mail.backends.smtp import EmailBackend

from fulfilment.out import inlining
from fulfilment.out.calendars import as_file
from fulfilment.out.messages import Content, Written
from fulfilment.out.wording import as_html
from fulfilment.read import mails as about

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from datetime import datetime

    from django.core.mail.backends.base import BaseEmailBackend

    from fulfilment.models import Mail
    from fulfilment.read.mails import Letter, Needs

log = structlog.get_logger(__name__)

SERVICE_CLOSING: Final = 421


class Result(StrEnum):
    SENT = "sent"
    LATER = "later"
    """Refused for now."""
    NEVER = "never"
    """Refused for good, or it cannot be written at all."""
    UNKNOWN = "unknown"
    """The talk broke off before an answer."""
    NO_SERVER = "no_server"
    """Nobody could be talked to; this mail and all after it are as they were."""


@dataclass(frozen=True, slots=True)
class Outcome:
    result: Result
    error: str = ""


@dataclass(frozen=True, slots=True)
class Preview:
    """A mail to look at; ``calendar`` is empty where it has no days."""

    subject: str
    text: str
    html: str
    calendar: str = ""


def send(mails: Sequence[Mail], *, now: datetime, go_on: Callable[[], bool]) -> Iterator[tuple[Mail, Outcome]]:
    """Talk about one mail after the other over one connection and say how it went.

    Ends early where ``go_on`` says so or after ``NO_SERVER``; what was not yielded was not talked about.
    """
    found = about.gather(mails)
    connection: BaseEmailBackend | None = None
    try:
        for mail in mails:
            if not go_on():
                return
            try:
                message = write(about.letter(mail, found, now=now), now=now)
            except Exception as error:
                # A template or a row that is wrong concerns this mail only; it is marked failed and shown.
                log.exception("mail_cannot_be_written", mail=mail.public_id, kind=mail.kind)
                yield mail, Outcome(Result.NEVER, f"It cannot be written: {type(error).__name__}.")
                continue
            if connection is None:
                try:
                    connection = _connect()
                except (OSError, smtplib.SMTPException) as error:
                    yield mail, Outcome(Result.NO_SERVER, type(error).__name__)
                    return
            outcome, usable = _talk(connection, message)
            if not usable:
                _close(connection)
                connection = None
            yield mail, outcome
    finally:
        if connection is not None:
            _close(connection)


def write(letter: Letter, *, now: datetime) -> Written:
    """The message itself: text, the same as HTML, and a calendar file where days are coming or have moved."""
    mail = letter.mail
    subject, text, html = _words(letter)
    headers = {
        "Message-ID": mail.message_id,
        "Date": format_datetime(now),
        "Auto-Submitted": "auto-generated",
    }
    if letter.unsubscribe:
        headers["List-Unsubscribe"] = f"<{letter.unsubscribe}>"
        if letter.unsubscribe.startswith("https://"):
            # One click is promised only where it cannot be forged on the way (RFC 8058, section 3.1).
            headers["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
    return Written(
        subject=subject,
        content=Content(text, html, as_file(letter.days, now=now) if letter.days else b""),
        sender=letter.from_address,
        sender_name=letter.from_name,
        to=letter.to,
        headers=headers,
        boundary=mail.public_id,
    )


def preview(public_id: str, *, now: datetime) -> Preview:
    """A mail as it would go now; :class:`Missing` where there is none, or where what it is about is gone.

    For one that went it is what it would say today: words are kept nowhere, what they are made from is.
    """
    mail = about.find(public_id)
    return _preview(about.letter(mail, about.gather([mail]), now=now), now=now)


def preview_step(key: str, *, strain: str = "", now: datetime) -> Preview:
    """A care step's mail for an invented kit of a strain (its public id; without one, of the first there is)."""
    return _preview(about.rehearsed(key, strain=strain, now=now), now=now)


def _preview(letter: Letter, *, now: datetime) -> Preview:
    made = write(letter, now=now)
    content = made.content
    return Preview(str(made.subject), content.text, content.html, content.calendar.decode())


def _words(letter: Letter) -> tuple[str, str, str]:
    """Subject, text and HTML; the text template's first line is the subject."""
    facts = dict(letter.facts)
    sections = facts.get("sections")
    if isinstance(sections, tuple):
        facts["told"] = [
            (section, step := _step(section.template, section.needs, section.flush), as_html(step))
            for section in sections
        ]
    if facts["cautions"]:
        facts["cautions"] = cautions = _cautions(str(facts["allergens"]), cast("tuple[str, ...]", facts["tender"]))
        facts["cautions_html"] = as_html(cautions)
    subject, _, body = inlining.render(f"mail/{letter.template}.txt", facts).strip().partition("\n")
    facts["subject"] = subject = subject.strip()
    text = _GAPS.sub("\n\n", body.strip()) + "\n"
    return subject, text, _LINES.sub("\n", inlining.render(f"mail/{letter.template}.html", facts))


_GAPS: Final = re.compile(r"\n{3,}")
_LINES: Final = re.compile(r"\n\s*\n+")


@lru_cache(maxsize=512)
def _step(template: str, needs: Needs, flush: int) -> str:
    """A step's words: the same for every kit of a strain with the same start-by date."""
    return inlining.render(f"mail/care/{template}.txt", {"kit": needs, "tender": needs.tender, "flush": flush}).strip()


@lru_cache(maxsize=64)
def _cautions(allergens: str, tender: tuple[str, ...]) -> str:
    """The cautions of every kit mail, written once for both of its parts."""
    return inlining.render("mail/cautions.txt", {"allergens": " ".join(allergens.split()), "tender": tender}).strip()


def _connect() -> BaseEmailBackend:
    connection: BaseEmailBackend = get_connection()
    connection.open()
    return connection


def _talk(connection: BaseEmailBackend, message: Written) -> tuple[Outcome, bool]:
    """How it went, and whether the connection can be used for another."""
    try:
        if isinstance(connection, EmailBackend) and connection.connection is not None and message.plainly_addressed:
            # What the backend would do, without reading both addresses anew for every mail.
            content = message.message().as_bytes(linesep="\r\n")
            connection.connection.sendmail(message.sender, message.to, content)
        else:
            connection.send_messages([message])
    except smtplib.SMTPRecipientsRefused as refused:
        code, words = next(iter(refused.recipients.values()))
        return _refusal(code, words), code != SERVICE_CLOSING
    except smtplib.SMTPResponseException as refused:
        return _refusal(refused.smtp_code, refused.smtp_error), refused.smtp_code != SERVICE_CLOSING
    except (ValueError, smtplib.SMTPNotSupportedError) as error:
        # An address or a header that no server would be told.
        return Outcome(Result.NEVER, f"It cannot be sent: {type(error).__name__}."), True
    except (OSError, smtplib.SMTPException) as error:
        return Outcome(Result.UNKNOWN, type(error).__name__), False
    return Outcome(Result.SENT), True


def _refusal(code: int, words: bytes | str) -> Outcome:
    said = words.decode("utf-8", "replace") if isinstance(words, bytes) else words
    return Outcome(Result.LATER if 400 <= code < 500 else Result.NEVER, f"{code} {said}"[:200])


def _close(connection: BaseEmailBackend) -> None:
    try:
        connection.close()
    except (OSError, smtplib.SMTPException) as error:
        log.info("mail_server_left", error=type(error).__name__)
