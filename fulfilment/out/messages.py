"""A mail as bytes: text, the same as HTML, and a calendar file where there is one.

The standard library's generator walks a tree of objects and folds every header anew; for a mail whose shape is always
the same that took several times as long as sending it.  Here the shape is written down once and only what differs is
encoded, by the library's own encoders.  The tests read every mail back with the standard library's parser.
"""

from __future__ import annotations

import binascii
import re
from dataclasses import dataclass
from email.charset import QP, Charset
from email.header import Header
from email.utils import formataddr
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from django.core.mail import EmailMessage
from django.core.mail.message import BadHeaderError, sanitize_address

if TYPE_CHECKING:
    from collections.abc import Mapping

UTF_8: Final = Charset("utf-8")
UTF_8.header_encoding = QP
LONGEST_HEADER: Final = 76
_PLAIN: Final = re.compile(r"[A-Za-z0-9._%+-]+@[A-Za-z0-9.-]+")


@dataclass(frozen=True, slots=True)
class Content:
    """What is to be read, apart from the headers."""

    text: str
    html: str
    calendar: bytes = b""
    calendar_name: str = "dates.ics"


class Written(EmailMessage):
    """A message that any of Django's mail backends can send; ``body`` is its plain text."""

    def __init__(
        self,
        *,
        subject: str,
        content: Content,
        sender: str,
        sender_name: str,
        to: str,
        headers: dict[str, str],
        boundary: str,
    ) -> None:
        shown = formataddr((sender_name, sender))
        super().__init__(subject=subject, body=content.text, from_email=shown, to=[to], headers=headers)
        self.content = content
        self.boundary = boundary
        self.sender = sender

    @property
    def plainly_addressed(self) -> bool:
        """Whether both addresses are nothing but an address that any server takes as it stands."""
        return all(_PLAIN.fullmatch(address) for address in (self.sender, *self.to))

    def message(self) -> Ready:  # type: ignore[override]  # what the backends ask of it, and no more
        """Its bytes; :class:`BadHeaderError` where something given would break out of its header."""
        headers = {
            "Subject": self.subject,
            "From": _address(self.from_email),
            "To": _address(self.to[0]),
            **self.extra_headers,
        }
        return Ready(headers, self.content, self.boundary)


@dataclass(frozen=True, slots=True)
class Ready:
    """A message about to leave."""

    headers: Mapping[str, str]
    content: Content
    boundary: str

    def as_bytes(self, unixfrom: bool = False, linesep: str = "\n") -> bytes:  # noqa: ARG002 - the backends' signature
        """The whole message, all of it seven-bit, whatever language it is in."""
        head = [_header(name, value) for name, value in self.headers.items()]
        outer, inner = f"=_mixed-{self.boundary}", f"=_either-{self.boundary}"
        both = [
            f'Content-Type: multipart/alternative; boundary="{inner}"', "",
            f"--{inner}", "Content-Type: text/plain; charset=utf-8", *_quoted(self.content.text),
            f"--{inner}", "Content-Type: text/html; charset=utf-8", *_quoted(self.content.html),
            f"--{inner}--", "",
        ]  # fmt: skip
        if self.content.calendar:
            name = self.content.calendar_name
            both = [
                f'Content-Type: multipart/mixed; boundary="{outer}"', "",
                f"--{outer}", *both,
                f"--{outer}", "Content-Type: text/calendar; charset=utf-8; method=PUBLISH",
                f'Content-Disposition: attachment; filename="{name}"', *_encoded(self.content.calendar),
                f"--{outer}--", "",
            ]  # fmt: skip
        lines = "\n".join([*head, "MIME-Version: 1.0", *both])
        return (lines if linesep == "\n" else lines.replace("\n", linesep)).encode("ascii")

    def get_charset(self) -> None:
        """None of its own: all of it is seven-bit."""


def _address(given: str) -> str:
    return given if given.isascii() else sanitize_address(given, "utf-8")


def _header(name: str, value: str) -> str:
    if "\n" in value or "\r" in value:
        raise BadHeaderError(f"A line break in {name}.")
    if value.isascii() and len(name) + 2 + len(value) <= LONGEST_HEADER:
        return f"{name}: {value}"
    if value.isascii() and " " not in value:
        return f"{name}: {value}"  # one word cannot be folded
    return f"{name}: {Header(value, None if value.isascii() else UTF_8, header_name=name).encode()}"


def _quoted(words: str) -> list[str]:
    return ["Content-Transfer-Encoding: quoted-printable", "", *map(_quoted_line, words.split("\n"))]


@lru_cache(maxsize=4096)
def _quoted_line(line: str) -> str:
    """Most lines of a mail are those of the mail before."""
    return binascii.b2a_qp(line.encode(), istext=True, header=False).decode("ascii")


def _encoded(content: bytes) -> list[str]:
    lines = [binascii.b2a_base64(content[at : at + 57], newline=False).decode() for at in range(0, len(content), 57)]
    return ["Content-Transfer-Encoding: base64", "", *lines]
