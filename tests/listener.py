"""Somebody's program that is told of events: a real listener, HTTP or HTTPS, that answers as it is told."""

from __future__ import annotations

import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Final

from standardwebhooks import Webhook

Answers = Callable[[BaseHTTPRequestHandler], None]


@dataclass(frozen=True)
class Got:
    """One post as it came."""

    path: str
    headers: dict[str, str]
    body: str

    @property
    def id(self) -> str:
        return self.headers["webhook-id"]

    def signed_by(self, *secrets: str) -> bool:
        """Whether these secrets and no others signed it, the first first, whenever that was."""
        at = datetime.fromtimestamp(int(self.headers["webhook-timestamp"]), UTC)
        signatures = [Webhook(secret).sign(self.id, at, self.body) for secret in secrets]
        return self.headers["webhook-signature"] == " ".join(signatures)


def says(status: int, **headers: str) -> Answers:
    """Answers with this status."""

    def answer(to: BaseHTTPRequestHandler) -> None:
        to.send_response(status)
        for name, value in {"Content-Length": "2", **headers}.items():
            to.send_header(name.replace("_", "-"), value)
        to.end_headers()
        to.wfile.write(b"ok")

    return answer


OK: Final = says(204)


def never_answers(to: BaseHTTPRequestHandler) -> None:
    """Answers nothing for as long as anybody waits."""
    threading.Event().wait(5)


@dataclass
class Listener:
    """``answer`` says what comes back; ``got`` is all that came, ``connections`` how often somebody connected."""

    address: str = ""
    answer: Answers = OK
    got: list[Got] = field(default_factory=list)
    connections: int = 0
    over: threading.Event = field(default_factory=threading.Event)

    @property
    def ids(self) -> list[str]:
        return [each.id for each in self.got]

    @property
    def port(self) -> int:
        return int(self.address.split(":")[2].split("/")[0])


@contextmanager
def listening(*, tls: ssl.SSLContext | None = None, host: str = "127.0.0.1") -> Iterator[Listener]:
    """A listener at ``listener.address`` until the block is over."""
    heard = Listener()

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def setup(self) -> None:
            heard.connections += 1
            super().setup()

        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"])).decode()
            heard.got.append(Got(self.path, {name.lower(): value for name, value in self.headers.items()}, body))
            with suppress(OSError):
                heard.answer(self)
            self.close_connection = True

        def log_message(self, *_: Any) -> None:
            """Nobody reads it."""

    class Server(ThreadingHTTPServer):
        daemon_threads = True

        def handle_error(self, *_: Any) -> None:
            """Whoever hung up in the middle is meant to."""

    with Server((host, 0), Handler) as server:
        if tls is not None:
            server.socket = tls.wrap_socket(server.socket, server_side=True, do_handshake_on_connect=False)
        heard.address = f"http{'s' if tls else ''}://{host}:{server.server_port}/hooks"
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        try:
            yield heard
        finally:
            heard.over.set()
            server.shutdown()
            thread.join()
