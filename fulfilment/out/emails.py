"""Mails as they leave: words found from what a mail is about, and one connection to talk over.

Nothing here marks a row: :func:`send` says of each mail how its talk went, and whoever called it writes that down.
"""

from __future__ import annotations

import re
import smtplib
from dataclasses import dataclass
from email.utils import format_datetime, formataddr
from enum import StrEnum
from typing import TYPE_CHECKING, Final

import structlog
from django.core.mail import EmailMessage, get_connection
from django.template.loader import render_to_string

from fulfilment.read import links
from fulfilment.read import mails as about

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from datetime import datetime

    from django.core.mail.backends.base import BaseEmailBackend

    from fulfilment.models import Mail
    from fulfilment.read.mails import Letter

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


def write(letter: Letter, *, now: datetime) -> EmailMessage:
    """The message itself; the template's first line is its subject."""
    mail = letter.mail
    text = render_to_string(f"mail/{letter.template}.txt", dict(letter.facts))
    subject, _, body = text.strip().partition("\n")
    headers = {
        "Message-ID": mail.message_id,
        "Date": format_datetime(now),
        "Auto-Submitted": "auto-generated",
    }
    if letter.may_unsubscribe and mail.holder is not None:
        address = links.to_unsubscribe(mail.holder, now=now)
        headers["List-Unsubscribe"] = f"<{address}>"
        if address.startswith("https://"):
            # One click is promised only where it cannot be forged on the way (RFC 8058, section 3.1).
            headers["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
    return EmailMessage(
        subject=subject.strip(),
        body=re.sub(r"\n{3,}", "\n\n", body.strip()) + "\n",
        from_email=formataddr((letter.from_name, letter.from_address)),
        to=[letter.to],
        headers=headers,
    )


def _connect() -> BaseEmailBackend:
    connection: BaseEmailBackend = get_connection()
    connection.open()
    return connection


def _talk(connection: BaseEmailBackend, message: EmailMessage) -> tuple[Outcome, bool]:
    """How it went, and whether the connection can be used for another."""
    try:
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
