"""Messages as they leave: signed, posted to the very address that was looked at, and never for longer than agreed.

A post goes so, in at most :data:`TOTAL_S` seconds from first to last:

* the address is read anew (``core.destinations``), so that a rule made stricter holds for addresses stored before it;
* its name is looked up once, and *every* number it leads to must be reachable for everybody: a name with one foot
  inside a network is refused whole;
* the connection is made to one of these numbers themselves, never to the name again, so that a name which leads
  elsewhere a moment later (rebinding) leads nowhere; the certificate is held against the name;
* no proxy, no redirect, no cookie; of the answer the status is read, its headers to :data:`MOST_HEADERS` bytes, and of
  its body no more than ends the talk politely.

Nothing here marks a row or knows of the database: :func:`post` says how each talk went.
"""

from __future__ import annotations

import http.client
import io
import socket
import ssl
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from threading import Thread
from time import monotonic
from typing import TYPE_CHECKING, Final

import structlog
from django.conf import settings
from standardwebhooks import Webhook

from fulfilment.core import destinations
from fulfilment.core.problems import Invalid
from fulfilment.read.webhooks import Outcome, Result

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from fulfilment.core.destinations import Destination
    from fulfilment.read.webhooks import Post, Turn

log = structlog.get_logger(__name__)

TOTAL_S: Final = 15.0
CONNECT_S: Final = 5.0
A_TURN_S: Final = 5.0
"""No further message of a turn is begun after so long."""
MOST_HEADERS: Final = 64 * 1024
MOST_BODY: Final = 16 * 1024
BODY_S: Final = 1.0
USER_AGENT: Final = "farm-orders-webhooks/1"

_THROTTLING: Final = frozenset({429, 502, 503, 504})


class Unsafe(Exception):
    """The address is none that anything may be posted to."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back: the status, and how long the endpoint asks to be left alone, if it does."""

    status: int
    retry_after: timedelta | None = None


def post(turns: Sequence[Turn], *, now: datetime) -> list[tuple[Turn, list[Result]]]:
    """Each turn's posts until the first that fails; all turns at once, each endpoint in a thread of its own."""
    with ThreadPoolExecutor(max_workers=max(1, len(turns)), thread_name_prefix="webhooks") as pool:
        done = pool.map(lambda turn: _take(turn, now=now), turns)
        return list(zip(turns, done, strict=True))


def headers(post: Post, *, secrets: Sequence[str], at: datetime) -> dict[str, str]:
    """What a message carries (Standard Webhooks, "Webhook headers"): a signature for each secret that lives."""
    signatures = [Webhook(secret).sign(post.message_id, at, post.body) for secret in secrets]
    return {
        "webhook-id": post.message_id,
        "webhook-timestamp": str(int(at.timestamp())),
        "webhook-signature": " ".join(signatures),
        "content-type": "application/json",
        "user-agent": USER_AGENT,
    }


def _take(turn: Turn, *, now: datetime) -> list[Result]:
    begun = monotonic()
    results: list[Result] = []
    for each in turn.posts:
        if results and monotonic() - begun > A_TURN_S:
            break
        started = monotonic()
        at = now + timedelta(seconds=started - begun)
        outcome, answer = _talk(turn, each, at=at)
        results.append(
            Result(
                each, outcome, answer.status if answer else None, timedelta(seconds=monotonic() - started),
                answer.retry_after if answer else None,
            )
        )  # fmt: skip
        if outcome is not Outcome.DELIVERED:
            break
    return results


def _talk(turn: Turn, each: Post, *, at: datetime) -> tuple[Outcome, Answer | None]:
    try:
        signed = headers(each, secrets=turn.secrets, at=at)
        answer = send(turn.address, body=each.body.encode(), headers=signed, at=at)
    except (Unsafe, Invalid):
        return Outcome.UNSAFE_ADDRESS, None
    except TimeoutError:
        return Outcome.TIMED_OUT, None
    except ssl.SSLError:
        return Outcome.TLS_FAILED, None
    except OSError:
        return Outcome.UNREACHABLE, None
    except (http.client.HTTPException, ValueError):
        return Outcome.NOT_HTTP, None
    except Exception as error:
        # One endpoint's strange answer must not stop the others; it is counted as a failure like any other.
        log.exception("webhook_talk_broke", endpoint=turn.public_id, error=type(error).__name__)
        return Outcome.NOT_HTTP, None
    return outcome_of(answer.status), answer


def outcome_of(status: int) -> Outcome:
    """What a status means."""
    if 200 <= status <= 299:
        return Outcome.DELIVERED
    if 300 <= status <= 399:
        return Outcome.REDIRECTED
    if status == http.HTTPStatus.GONE:
        return Outcome.GONE
    return Outcome.THROTTLED if status in _THROTTLING else Outcome.REFUSED


# ---- The talk itself ------------------------------------------------------------------------------------------------


def send(address: str, *, body: bytes, headers: Mapping[str, str], at: datetime) -> Answer:
    """Post ``body`` and read what is answered.

    Raises :class:`Unsafe` or :class:`Invalid` where the address may not be posted to, else ``OSError`` (a
    ``TimeoutError`` where it took too long) or ``HTTPException``.
    """
    deadline = monotonic() + TOTAL_S
    destination = destinations.parse(address, loopback=settings.WEBHOOKS_TO_LOOPBACK)
    places = _looked_at(destination, resolve(destination.bare_host, destination.port, within=CONNECT_S))
    line = _connected(places, deadline=deadline)
    try:
        if destination.scheme == "https":
            line.settimeout(_left(deadline))
            line = ssl.create_default_context().wrap_socket(line, server_hostname=destination.bare_host)
        return _exchange(destination, _Line(line, deadline), body=body, headers=headers, at=at)
    finally:
        line.close()


Place = tuple[socket.AddressFamily, tuple[str, int] | tuple[str, int, int, int]]


def resolve(host: str, port: int, *, within: float) -> list[Place]:
    """Every place a name leads to, within so many seconds.

    The system's resolver knows no time-out, so a slow one is left behind in its thread.
    """
    found: list[Place] = []
    failed: list[OSError | UnicodeError] = []

    def look() -> None:
        try:
            for family, _, _, _, place in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM):
                if family in (socket.AF_INET, socket.AF_INET6):
                    found.append((family, place))  # type: ignore[arg-type]  # these two families have these two forms
        except (OSError, UnicodeError) as error:
            failed.append(error)

    thread = Thread(target=look, daemon=True)
    thread.start()
    thread.join(within)
    if thread.is_alive():
        raise TimeoutError("the name was not found in time")
    if failed or not found:
        raise OSError("the name leads nowhere")
    return found


def _looked_at(destination: Destination, places: list[Place]) -> list[Place]:
    """The same places, if all of them may be posted to."""
    local = destination.host in destinations.LOOPBACK
    fits = destinations.this_machine if local else destinations.reachable
    if not all(fits(place[0]) for _, place in places):
        raise Unsafe
    return places


def _connected(places: list[Place], *, deadline: float) -> socket.socket:
    failed: OSError = OSError("nowhere to connect to")
    for family, place in places:
        line = socket.socket(family, socket.SOCK_STREAM)
        try:
            line.settimeout(min(CONNECT_S, _left(deadline)))
            line.connect(place)
        except OSError as error:
            line.close()
            failed = error
        else:
            return line
    raise failed


def _exchange(
    destination: Destination, line: _Line, *, body: bytes, headers: Mapping[str, str], at: datetime
) -> Answer:
    talk = http.client.HTTPConnection(destination.bare_host, destination.port)
    talk.sock = line  # all that the library asks of a socket
    talk.putrequest("POST", destination.path, skip_host=True, skip_accept_encoding=True)
    for name, value in {"host": destination.authority, **headers, "connection": "close"}.items():
        talk.putheader(name, value)
    talk.putheader("content-length", str(len(body)))
    talk.endheaders(body)
    response = talk.getresponse()
    answer = Answer(response.status, _retry_after(response.getheader("retry-after", ""), at=at))
    # The status is what counts; a body is read a moment, so that a polite server is not cut off in mid-sentence.
    line.deadline, line.budget = min(line.deadline, monotonic() + BODY_S), MOST_BODY
    with suppress(OSError, http.client.HTTPException, ValueError):
        response.read(MOST_BODY)
    return answer


def _retry_after(text: str | None, *, at: datetime) -> timedelta | None:
    """Seconds, or a date (RFC 9110, 10.2.3); nothing where it is neither or has passed."""
    said = (text or "").strip()
    if said.isascii() and said.isdigit() and len(said) < 9:
        return timedelta(seconds=int(said))
    try:
        until = parsedate_to_datetime(said)
    except (ValueError, TypeError, IndexError):
        return None
    wait = (until if until.tzinfo else until.replace(tzinfo=UTC)) - at
    return wait if wait > timedelta(0) else None


def _left(deadline: float) -> float:
    left = deadline - monotonic()
    if left <= 0:
        raise TimeoutError("it took too long")
    return left


class _Line:
    """A connected socket that forgets neither the deadline nor how much may come: an endpoint that sends a byte every
    few seconds for ever, or gigabytes, is left behind all the same.
    """

    def __init__(self, line: socket.socket, deadline: float) -> None:
        self._line = line
        self.deadline = deadline
        self.budget = MOST_HEADERS

    def sendall(self, data: bytes) -> None:
        self._line.settimeout(_left(self.deadline))
        self._line.sendall(data)

    def receive(self, into: memoryview) -> int:
        if self.budget <= 0:
            raise http.client.HTTPException("the answer is too long")
        self._line.settimeout(_left(self.deadline))
        count = self._line.recv_into(into[: self.budget])
        self.budget -= count
        return count

    def makefile(self, _: str) -> io.BufferedReader:
        return io.BufferedReader(_Reading(self))

    def close(self) -> None:
        self._line.close()


class _Reading(io.RawIOBase):
    """What is read from a :class:`_Line`, as a file."""

    def __init__(self, line: _Line) -> None:
        self._line = line

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]  # a buffered reader gives a memoryview
        return self._line.receive(buffer)
