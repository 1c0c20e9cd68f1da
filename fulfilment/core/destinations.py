"""Where a message may be posted to: addresses on the public internet, and nothing that only looks like one.

Somebody outside writes an address and this house posts to it from inside its own walls.  Whoever writes
``http://169.254.169.254/`` or a name that leads to ``10.0.0.5`` would have the house knock at doors that are closed to
everybody outside (request forgery by the server).  So three things must hold, the first two here:

1. The text is ``https://host[:port][/path][?query]`` in one plain spelling (:func:`parse`).  A host is a name of at
   least two labels or an IP address in its usual form; ``0x7f000001``, ``2130706433``, ``017700000001``, ``127.1``,
   ``user@``, a trailing dot, a backslash, a zone id or a letter that is not ASCII are refused and never interpreted:
   two readers that read one spelling in two ways are how such checks are passed by.
2. Every number that the name leads to is globally reachable unicast (:func:`reachable`).  For IPv4 this is what is left
   of the registry of special-purpose addresses; for IPv6 it is 2000::/3 without what that registry takes out of it, so
   that addresses which carry an IPv4 one inside (mapped, 6to4, Teredo, NAT64) are out altogether.
3. The connection is made to the very number that was looked at (``out.webhooks``).

>>> parse("https://kitchen.example.org/hooks?v=1")
Destination(scheme='https', host='kitchen.example.org', port=443, path='/hooks?v=1')
>>> reachable("192.168.1.5"), reachable("::ffff:8.8.8.8"), reachable("198.51.101.7")
(False, False, True)

Sources: IANA special-purpose address registries (RFC 6890 and its updates); special-use names (RFC 6761, 6762, 7686,
8375, 9476; ICANN's reservation of .internal); host names (RFC 1123, 2.1); ports that no browser posts to (WHATWG Fetch,
port blocking); 168.63.129.16, a public number that answers only inside one cloud, from memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from ipaddress import AddressValueError, IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address
from typing import Final

from fulfilment.core.problems import Invalid

LONGEST: Final = 500
LONGEST_HOST: Final = 253
USUAL_PORTS: Final = {"https": 443, "http": 80}
LOWEST_OTHER: Final = 1024
BLOCKED_PORTS: Final = frozenset(
    {1719, 1720, 1723, 2049, 3659, 4045, 4190, 5060, 5061, 6000, 6566, 6665, 6666, 6667, 6668, 6669, 6679, 6697, 10080}
)

_ADDRESS: Final = re.compile(
    r"(?P<scheme>[a-z]+)://(?P<host>\[[0-9a-f:.]+\]|[a-z0-9.-]+)(?::(?P<port>[0-9]{1,5}))?"
    r"(?P<path>/[A-Za-z0-9._~!$&'()*+,;=:@%/-]*)?(?P<query>\?[A-Za-z0-9._~!$&'()*+,;=:@%/?-]*)?",
    re.ASCII,
)
_BEFORE_PATH: Final = re.compile(r"\A[^/?]*//[^/?]*")
_LABEL: Final = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?", re.ASCII)
_NUMBER: Final = re.compile(r"[0-9]+|0x[0-9a-f]*", re.ASCII)
_QUAD: Final = re.compile(r"(?:(?:0|[1-9][0-9]{0,2})\.){3}(?:0|[1-9][0-9]{0,2})", re.ASCII)

NO_NAMES: Final = frozenset(
    {
        "localhost", "local", "localdomain", "internal", "intranet", "lan", "home", "corp", "private", "home.arpa",
        "onion", "alt", "invalid", "test", "arpa",
    }
)  # fmt: skip
"""Names under these lead to nobody, or to somebody inside."""

NOT_GLOBAL_4: Final = tuple(
    IPv4Network(each)
    for each in (
        "0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8", "169.254.0.0/16", "172.16.0.0/12", "192.0.0.0/24",
        "192.0.2.0/24", "192.31.196.0/24", "192.52.193.0/24", "192.88.99.0/24", "192.168.0.0/16", "192.175.48.0/24",
        "198.18.0.0/15", "198.51.100.0/24", "203.0.113.0/24", "224.0.0.0/4", "240.0.0.0/4", "168.63.129.16/32",
    )
)  # fmt: skip
GLOBAL_6: Final = IPv6Network("2000::/3")
NOT_GLOBAL_6: Final = tuple(
    IPv6Network(each) for each in ("2001::/23", "2001:db8::/32", "2002::/16", "2620:4f:8000::/48", "3fff::/20")
)
LOOPBACK: Final = ("localhost", "127.0.0.1", "[::1]")


@dataclass(frozen=True, slots=True)
class Destination:
    """A whole address in its parts; ``host`` is in brackets where it is an IPv6 number, ``path`` has the query."""

    scheme: str
    host: str
    port: int
    path: str

    @property
    def bare_host(self) -> str:
        """As a resolver and a certificate name it."""
        return self.host.strip("[]")

    @property
    def authority(self) -> str:
        """As the ``Host`` header has it."""
        return self.host if self.port == USUAL_PORTS[self.scheme] else f"{self.host}:{self.port}"

    def __str__(self) -> str:
        return f"{self.scheme}://{self.authority}{self.path}"


def parse(text: str, *, loopback: bool = False, where: str = "address") -> Destination:
    """The parts of ``text``; :class:`Invalid` with what is wrong.  ``loopback`` also lets this machine itself be named,
    by plain http too: for trying things out.
    """
    if not 1 <= len(text) <= LONGEST:
        raise _wrong(f"An address has 1 to {LONGEST} signs, as https://kitchen.example.org/hooks.", where)
    if "@" in text.partition("://")[2].partition("/")[0]:
        raise _wrong("An address holds no name or password before an @: we sign what we send.", where)
    if not text.isascii():
        raise _wrong("Write an international name in its ASCII form, which begins with xn--.", where)
    if "#" in text:
        raise _wrong("Leave out the # and what follows it: no server ever sees that.", where)
    found = _ADDRESS.fullmatch(_BEFORE_PATH.sub(lambda part: part[0].lower(), text))
    if found is None:
        raise _wrong("An address is written https://kitchen.example.org/hooks, without blanks or other signs.", where)
    host = found["host"]
    local = loopback and host in LOOPBACK
    scheme = found["scheme"]
    if scheme != "https" and not (local and scheme == "http"):
        raise _wrong("An address begins with https://, so that nobody on the way can read along.", where)
    port = int(found["port"] or USUAL_PORTS[scheme])
    if not local:
        _check_host(host, where)
    _check_port(port, scheme, where)
    return Destination(scheme, _tidy(host), port, (found["path"] or "/") + (found["query"] or ""))


def reachable(number: str) -> bool:
    """Whether this IP address (in text, as a resolver gives it) is one that everybody on the internet can reach."""
    try:
        ip = ip_address(number)
    except ValueError:
        return False
    if isinstance(ip, IPv4Address):
        return not any(ip in net for net in NOT_GLOBAL_4)
    return ip.scope_id is None and ip in GLOBAL_6 and not any(ip in net for net in NOT_GLOBAL_6)


def this_machine(number: str) -> bool:
    """Whether this IP address is the machine itself, spelled in no other way."""
    return number == "::1" or (bool(_QUAD.fullmatch(number)) and IPv4Address(number).is_loopback)


def _check_host(host: str, where: str) -> None:
    if host.startswith("["):
        try:
            number = str(IPv6Address(host[1:-1]))
        except AddressValueError as error:
            raise _wrong(f"{host} is no IPv6 address.", where) from error
        _check_number(number, where)
        return
    labels = host.split(".")
    if host.endswith("."):
        raise _wrong("Leave out the dot at the end of the name.", where)
    if _NUMBER.fullmatch(labels[-1]):
        # What ends in a number is read as a number by whoever connects, in forms that are easily taken for a name.
        if not _QUAD.fullmatch(host) or any(int(part) > 255 for part in labels):
            raise _wrong("A number is written as four decimal parts, as 198.51.100.7; better is a name.", where)
        _check_number(host, where)
        return
    if len(host) > LONGEST_HOST or not all(_LABEL.fullmatch(label) for label in labels):
        raise _wrong(f"{host[:60]} is no host name.", where)
    if len(labels) < 2 or any(host == name or host.endswith(f".{name}") for name in NO_NAMES):
        raise _wrong(f"{host[:60]} is a name inside somebody's own network: name a host on the internet.", where)


def _check_number(number: str, where: str) -> None:
    if not reachable(number):
        raise _wrong(f"{number} is not an address on the public internet: we post to nobody inside a network.", where)


def _check_port(port: int, scheme: str, where: str) -> None:
    if port == USUAL_PORTS[scheme]:
        return
    if not LOWEST_OTHER <= port <= 65_535 or port in BLOCKED_PORTS:
        raise _wrong(f"Port {port} is another service's: use 443, or one from {LOWEST_OTHER} up.", where)


def _tidy(host: str) -> str:
    """An IPv6 number in its one short form (RFC 5952)."""
    return f"[{IPv6Address(host[1:-1])}]" if host.startswith("[") else host


def _wrong(sentence: str, where: str) -> Invalid:
    return Invalid(sentence, code="bad_address", where=where)
