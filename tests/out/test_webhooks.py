"""Posts as they leave: signed by the standard, to the number that was looked at, and left behind in time."""

from __future__ import annotations

import json
import socket
import ssl
import threading
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler
from time import monotonic
from typing import TYPE_CHECKING, Any

import pytest
import trustme
from pytest_django import Settings
from standardwebhooks import Webhook
from standardwebhooks.webhooks import WebhookVerificationError

from fulfilment.out import webhooks
from fulfilment.read.webhooks import Outcome, Post, Turn
from tests.listener import Listener, listening, never_answers, says

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
OTHER = "whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD"
NOW = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
BODY = '{"type":"order.placed","timestamp":"2026-05-04T06:00:00Z","data":{"order":"K7Q2-M4XJ","says":"€ ü"}}'


@pytest.fixture(autouse=True)
def _here(settings: Settings) -> None:
    settings.WEBHOOKS_TO_LOOPBACK = True


@pytest.fixture
def listener() -> Iterator[Listener]:
    with listening() as heard:
        yield heard


def turn(*addresses: str, posts: int = 1, secrets: tuple[str, ...] = (SECRET,)) -> list[Turn]:
    return [
        Turn(
            place, f"E{place}", address, secrets, tuple(Post(n, f"msg_{place}_{n}", 1, BODY) for n in range(posts)),
            "lease", NOW,
        )
        for place, address in enumerate(addresses)
    ]  # fmt: skip


def outcome(address: str) -> Outcome:
    [(_, [result])] = webhooks.post(turn(address), now=NOW)
    return result.outcome


# ---- What is sent ---------------------------------------------------------------------------------------------------


def test_a_signature_is_the_published_one() -> None:
    """The vector of the standard's own reference libraries (standard-webhooks/standard-webhooks, TestWebhookSign)."""
    post = Post(1, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1, '{"test": 2432232314}')
    sent = webhooks.headers(post, secrets=[SECRET], at=datetime.fromtimestamp(1614265330, UTC))
    assert sent["webhook-signature"] == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
    assert (sent["webhook-id"], sent["webhook-timestamp"]) == ("msg_p5jXN8AQM9LWM0D4loKWxJek", "1614265330")


def test_the_standard_s_library_verifies_what_arrives(listener: Listener) -> None:
    now = datetime.now(UTC)
    [(_, [result])] = webhooks.post(turn(listener.address + "?v=1", secrets=(SECRET, OTHER)), now=now)
    [got] = listener.got
    for secret in (SECRET, OTHER):
        assert Webhook(secret).verify(got.body, got.headers) == json.loads(BODY)
    assert len(got.headers["webhook-signature"].split(" ")) == 2, "one for each secret"
    with pytest.raises(WebhookVerificationError):
        Webhook("whsec_" + "AAAA" * 8).verify(got.body, got.headers)
    with pytest.raises(WebhookVerificationError):
        Webhook(SECRET).verify(got.body.replace("K7Q2", "K7Q3"), got.headers)
    assert got.body == BODY
    assert got.path == "/hooks?v=1"
    assert got.headers["content-type"] == "application/json"
    assert got.headers["user-agent"] == webhooks.USER_AGENT
    assert got.headers["host"] == f"127.0.0.1:{listener.port}"
    assert not {"cookie", "authorization", "accept-encoding"} & got.headers.keys()
    assert (result.outcome, result.status) == (Outcome.DELIVERED, 204)
    assert timedelta(0) < result.took < timedelta(seconds=5)


# ---- What an answer means -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("status", "means"),
    [
        (200, "delivered"), (204, "delivered"), (299, "delivered"), (301, "redirected"), (308, "redirected"),
        (400, "refused"), (401, "refused"), (404, "refused"), (410, "gone"), (429, "throttled"), (500, "refused"),
        (502, "throttled"), (503, "throttled"), (504, "throttled"), (599, "refused"),
    ],
)  # fmt: skip
def test_each_status_means_what_the_standard_says(listener: Listener, status: int, means: str) -> None:
    """Standard Webhooks 1.0.0, "Delivery success and failure"."""
    listener.answer = says(status)
    assert outcome(listener.address) == means


def test_a_redirect_is_not_followed(listener: Listener) -> None:
    with listening() as elsewhere:
        listener.answer = says(307, Location=elsewhere.address)
        assert outcome(listener.address) is Outcome.REDIRECTED
    assert len(listener.got) == 1
    assert elsewhere.got == []


@pytest.mark.parametrize(
    ("said", "wait"),
    [
        ("120", 120), ("0", 0), ("Mon, 04 May 2026 06:10:00 GMT", 600), ("Mon, 04 May 2026 05:00:00 GMT", None),
        ("soon", None), ("-5", None), ("9" * 40, None), ("٣", None), ("Mon, 99 Foo", None),
    ],
)  # fmt: skip
def test_what_is_asked_for_is_read(listener: Listener, said: str, wait: int | None) -> None:
    """RFC 9110, 10.2.3."""
    listener.answer = says(429, Retry_After=said.encode().decode("latin-1"))
    [(_, [result])] = webhooks.post(turn(listener.address), now=NOW)
    if wait is None:
        assert result.retry_after is None
    else:
        assert result.retry_after is not None
        assert abs(result.retry_after.total_seconds() - wait) < 2


# ---- Who does not answer as one should ------------------------------------------------------------------------------


@pytest.fixture
def _hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(webhooks, "TOTAL_S", 0.6)
    monkeypatch.setattr(webhooks, "BODY_S", 0.2)


def drip(to: BaseHTTPRequestHandler) -> None:
    """A byte now and then, for ever."""
    over: threading.Event = drip.over  # type: ignore[attr-defined]  # set by the test
    to.wfile.write(b"HTTP/1.1 200 OK\r\n")
    while not over.wait(0.05):
        to.wfile.write(b"x")
        to.wfile.flush()


def headers_for_ever(to: BaseHTTPRequestHandler) -> None:
    to.wfile.write(b"HTTP/1.1 200 OK\r\n")
    for number in range(100_000):
        to.wfile.write(b"x-%d: %s\r\n" % (number, b"y" * 1000))


def continues_for_ever(to: BaseHTTPRequestHandler) -> None:
    for _ in range(100_000):
        to.wfile.write(b"HTTP/1.1 100 Continue\r\n\r\n")


@pytest.mark.usefixtures("_hurried")
def test_who_only_drips_is_left_behind(listener: Listener) -> None:
    drip.over = listener.over  # type: ignore[attr-defined]  # read above
    listener.answer = drip
    begun = monotonic()
    assert outcome(listener.address) is Outcome.TIMED_OUT
    assert monotonic() - begun < 3


@pytest.mark.usefixtures("_hurried")
def test_who_never_answers_is_left_behind(listener: Listener) -> None:
    listener.answer = never_answers
    assert outcome(listener.address) is Outcome.TIMED_OUT


@pytest.mark.parametrize("answer", [headers_for_ever, continues_for_ever])
def test_headers_without_end_are_not_read_to_the_end(listener: Listener, answer: Any) -> None:
    listener.answer = answer
    assert outcome(listener.address) is Outcome.NOT_HTTP


def test_of_a_body_without_end_little_is_read(listener: Listener, monkeypatch: pytest.MonkeyPatch) -> None:
    sent: list[int] = []

    def huge(to: BaseHTTPRequestHandler) -> None:
        to.send_response(200)
        to.send_header("Content-Length", str(10**12))
        to.end_headers()
        sent.extend(to.wfile.write(b"z" * 64 * 1024) for _ in range(2_000))

    listener.answer = huge
    read: list[int] = []
    receive = webhooks._Line.receive

    def counted(line: webhooks._Line, into: memoryview) -> int:
        read.append(receive(line, into))
        return read[-1]

    monkeypatch.setattr(webhooks._Line, "receive", counted)
    assert outcome(listener.address) is Outcome.DELIVERED, "the status counts"
    assert sum(read) <= webhooks.MOST_BODY + 2 * 8192
    assert sum(sent) < 2_000 * 64 * 1024


@pytest.mark.usefixtures("_hurried")
def test_a_body_that_drips_after_a_good_status_is_delivered(listener: Listener) -> None:
    def slow(to: BaseHTTPRequestHandler) -> None:
        to.wfile.write(b"HTTP/1.1 200 OK\r\nContent-Length: 100\r\n\r\n")
        while not listener.over.wait(0.05):
            to.wfile.write(b"x")

    listener.answer = slow
    assert outcome(listener.address) is Outcome.DELIVERED


@pytest.mark.parametrize(
    ("said", "means"),
    [
        (b"", Outcome.UNREACHABLE),
        (b"SSH-2.0-OpenSSH\r\n", Outcome.NOT_HTTP),
        (b"HTTP/1.1 abc OK\r\n\r\n", Outcome.NOT_HTTP),
        (b"HTTP/1.1 99 OK\r\n\r\n", Outcome.NOT_HTTP),
        (b"\x00" * 70_000, Outcome.NOT_HTTP),
        (b"HTTP/1.1 200 OK\r\nX: \xff\xfe\r\n\r\n", Outcome.DELIVERED),
        (b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n", Outcome.DELIVERED),
    ],
)
def test_an_answer_that_is_none_breaks_nothing(listener: Listener, said: bytes, means: Outcome) -> None:

    def answer(to: BaseHTTPRequestHandler) -> None:
        to.wfile.write(said)

    listener.answer = answer
    assert outcome(listener.address) is means


def test_nobody_listens() -> None:
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))
        assert outcome(f"http://127.0.0.1:{nobody.getsockname()[1]}/") is Outcome.UNREACHABLE


# ---- Where to -------------------------------------------------------------------------------------------------------


def leads_to(monkeypatch: pytest.MonkeyPatch, *answers: list[str]) -> list[str]:
    """A resolver that gives these numbers, a list a question; the names that were asked for."""
    asked: list[str] = []

    def look(host: str, port: int, **_: Any) -> list[Any]:
        numbers = answers[min(len(asked), len(answers) - 1)]
        asked.append(host)
        return [
            (socket.AF_INET6, 1, 6, "", (number, port, 0, 0))
            if ":" in number
            else (socket.AF_INET, 1, 6, "", (number, port))
            for number in numbers
        ]

    monkeypatch.setattr(socket, "getaddrinfo", look)
    return asked


@pytest.fixture
def never(monkeypatch: pytest.MonkeyPatch) -> list[object]:
    """Where somebody tried to connect to, if anybody did."""
    tried: list[object] = []

    def connect(places: list[webhooks.Place], *, deadline: float) -> socket.socket:
        tried.extend(place[0] for _, place in places)
        raise ConnectionRefusedError

    monkeypatch.setattr(webhooks, "_connected", connect)
    return tried


@pytest.mark.parametrize(
    "numbers",
    [
        ["127.0.0.1"], ["10.0.0.5"], ["169.254.169.254"], ["192.168.1.1"], ["::1"], ["fe80::1"], ["fd00:ec2::254"],
        ["::ffff:10.0.0.1"], ["64:ff9b::a00:1"], ["2002:a00:1::"], ["0.0.0.1"], ["224.0.0.1"],
        ["8.8.8.8", "10.0.0.5"], ["2001:4860:4860::8888", "fe80::1%eth0"],
    ],
)  # fmt: skip
def test_a_name_with_one_foot_inside_is_refused_whole(
    monkeypatch: pytest.MonkeyPatch, never: list[object], numbers: list[str]
) -> None:
    leads_to(monkeypatch, numbers)
    assert outcome("https://kitchen.example.org/hooks") is Outcome.UNSAFE_ADDRESS
    assert never == []


def test_a_name_of_the_internet_is_connected_to_by_its_numbers(
    monkeypatch: pytest.MonkeyPatch, never: list[object]
) -> None:
    leads_to(monkeypatch, ["8.8.8.8", "2001:4860:4860::8888"])
    assert outcome("https://kitchen.example.org/hooks") is Outcome.UNREACHABLE
    assert never == ["8.8.8.8", "2001:4860:4860::8888"]


def test_a_name_is_asked_for_once_and_what_it_leads_to_later_is_nothing(
    monkeypatch: pytest.MonkeyPatch, never: list[object]
) -> None:
    """Rebinding: first a number that may be posted to, then one inside."""
    asked = leads_to(monkeypatch, ["8.8.8.8"], ["127.0.0.1"])
    outcome("https://kitchen.example.org/hooks")
    assert (asked, never) == (["kitchen.example.org"], ["8.8.8.8"])


def test_the_connection_is_made_to_the_number_and_the_name_is_said(
    monkeypatch: pytest.MonkeyPatch, listener: Listener
) -> None:
    """The same on a real line: the second answer of the resolver would lead to nobody."""
    asked = leads_to(monkeypatch, ["127.0.0.1"], ["127.0.0.9"])
    assert outcome(f"http://localhost:{listener.port}/hooks") is Outcome.DELIVERED
    assert asked == ["localhost"]
    assert listener.got[0].headers["host"] == f"localhost:{listener.port}"


def test_an_address_that_was_stored_under_another_rule_is_refused(settings: Settings, listener: Listener) -> None:
    settings.WEBHOOKS_TO_LOOPBACK = False
    assert outcome(listener.address) is Outcome.UNSAFE_ADDRESS
    assert listener.connections == 0


def test_localhost_that_leads_elsewhere_is_refused(monkeypatch: pytest.MonkeyPatch, never: list[object]) -> None:
    leads_to(monkeypatch, ["10.0.0.1"])
    assert outcome("http://localhost:8080/") is Outcome.UNSAFE_ADDRESS
    assert never == []


def test_a_name_that_leads_nowhere(monkeypatch: pytest.MonkeyPatch) -> None:
    def nobody(*_: Any, **__: Any) -> list[Any]:
        raise socket.gaierror(socket.EAI_NONAME, "no such name")

    monkeypatch.setattr(socket, "getaddrinfo", nobody)
    assert outcome("https://kitchen.example.org/") is Outcome.UNREACHABLE


def test_a_resolver_that_thinks_for_ever_is_left_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    over = threading.Event()

    def slow(*_: Any, **__: Any) -> list[Any]:
        over.wait(20)
        return []

    monkeypatch.setattr(socket, "getaddrinfo", slow)
    monkeypatch.setattr(webhooks, "CONNECT_S", 0.2)
    assert outcome("https://kitchen.example.org/") is Outcome.TIMED_OUT
    over.set()


def test_no_proxy_is_asked(monkeypatch: pytest.MonkeyPatch, listener: Listener) -> None:
    with listening() as proxy:
        for name in ("http_proxy", "https_proxy", "HTTP_PROXY", "HTTPS_PROXY", "all_proxy"):
            monkeypatch.setenv(name, proxy.address)
        assert outcome(listener.address) is Outcome.DELIVERED
    assert proxy.connections == 0


# ---- TLS ------------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


def context(authority: trustme.CA, *names: str) -> ssl.SSLContext:
    made = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert(*names).configure_cert(made)
    return made


@pytest.fixture
def _trusted(authority: trustme.CA, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The system vouches for what this authority signed, and nothing else."""
    authority.cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "ca.pem"))


@pytest.mark.usefixtures("_trusted")
def test_https_with_a_name_somebody_vouches_for(authority: trustme.CA) -> None:
    for names, address in (("127.0.0.1", "https://127.0.0.1:{}/"), ("localhost", "https://localhost:{}/")):
        with listening(tls=context(authority, names)) as listener:
            assert outcome(address.format(listener.port)) is Outcome.DELIVERED
            assert len(listener.got) == 1


@pytest.mark.usefixtures("_trusted")
def test_the_certificate_is_held_against_the_name(authority: trustme.CA) -> None:
    with listening(tls=context(authority, "kitchen.example.org")) as listener:
        assert outcome(listener.address) is Outcome.TLS_FAILED
        assert listener.got == []


def test_nobody_vouches_for_it() -> None:
    with listening(tls=context(trustme.CA(), "127.0.0.1")) as listener:
        assert outcome(listener.address) is Outcome.TLS_FAILED
        assert listener.got == []


def test_plain_http_behind_an_https_address(listener: Listener) -> None:
    assert outcome(listener.address.replace("http:", "https:")) is Outcome.TLS_FAILED
    assert listener.got == []


# ---- A turn ---------------------------------------------------------------------------------------------------------


def test_a_turn_ends_with_the_first_that_fails(listener: Listener) -> None:
    answers = iter([says(200), says(500), says(200)])
    listener.answer = lambda to: next(answers)(to)
    [(_, results)] = webhooks.post(turn(listener.address, posts=3), now=NOW)
    assert [each.outcome for each in results] == [Outcome.DELIVERED, Outcome.REFUSED]
    assert listener.ids == ["msg_0_0", "msg_0_1"]


@pytest.mark.usefixtures("_hurried")
def test_a_slow_endpoint_does_not_hold_up_the_others(listener: Listener) -> None:
    with listening() as slow:
        arrived: list[float] = []
        slow.answer = never_answers

        def noted(to: BaseHTTPRequestHandler) -> None:
            arrived.append(monotonic())
            says(200)(to)

        listener.answer = noted
        begun = monotonic()
        done = webhooks.post(turn(slow.address, listener.address, posts=5), now=NOW)
    assert [[each.outcome.value for each in results] for _, results in done] == [["timed_out"], ["delivered"] * 5]
    assert arrived[-1] - begun < webhooks.TOTAL_S, "they were not waited for one after the other"


def test_a_turn_that_takes_long_leaves_the_rest_for_later(listener: Listener, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(webhooks, "A_TURN_S", 0.3)
    listener.answer = lambda to: (listener.over.wait(0.2), says(200)(to))[1]
    [(_, results)] = webhooks.post(turn(listener.address, posts=20), now=NOW)
    assert 1 <= len(results) < 20


def test_the_time_that_is_signed_is_that_of_the_try(listener: Listener) -> None:
    webhooks.post(turn(listener.address), now=NOW)
    assert abs(int(listener.got[0].headers["webhook-timestamp"]) - int(NOW.timestamp())) <= 1
