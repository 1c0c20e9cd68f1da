"""What every test has: the servers, a way to empty a database with append-only tables, and quick sampling."""

from __future__ import annotations

from typing import TYPE_CHECKING

import hypothesis
import pytest
from django.test import TransactionTestCase

from tests import servers

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from _pytest.terminal import TerminalReporter

NO_SERVER = "no server: "

hypothesis.settings.register_profile("house", deadline=None, print_blob=True)
hypothesis.settings.load_profile("house")


@pytest.fixture(scope="session")
def postgres_url() -> str:
    """The address of the session's PostgreSQL, for a test that speaks to it directly."""
    return _url_or_skip(servers.postgres_url)


@pytest.fixture(scope="session")
def redis_url() -> str:
    """The address of this process's own database on the session's Redis-protocol server."""
    return _url_or_skip(servers.redis_url)


@pytest.fixture(scope="session", autouse=True)
def _databases_can_be_emptied() -> Iterator[None]:
    """A test that commits is followed by a flush, which the triggers on append-only tables would refuse.

    They are lifted before it; the flush ends with post_migrate, which lays them again.
    """
    from django.db import connections

    from fulfilment.models import triggers

    empty = TransactionTestCase._fixture_teardown  # type: ignore[attr-defined]  # private, and the only place

    def lifted(case: TransactionTestCase) -> None:
        for connection in connections.all():
            triggers.lift(connection)
        empty(case)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(TransactionTestCase, "_fixture_teardown", lifted)
        yield


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    if servers.POSTGRES_ASKED and (why := servers.why_missing()):
        if servers.CI:
            raise pytest.UsageError(f"CI runs no test without its servers: {why}")
        for item in items:
            item.add_marker(pytest.mark.skip(reason=NO_SERVER + why))


def pytest_terminal_summary(terminalreporter: TerminalReporter) -> None:
    skipped = [
        report
        for report in terminalreporter.stats.get("skipped", [])
        if isinstance(report.longrepr, tuple) and NO_SERVER in report.longrepr[2]
    ]
    if skipped:
        terminalreporter.write_line(f"{len(skipped)} tests skipped for want of a server", yellow=True)


def _url_or_skip(url: Callable[[], str]) -> str:
    try:
        return url()
    except servers.Missing as missing:
        if servers.CI:
            pytest.fail(f"CI skips nothing: {missing}")
        pytest.skip(NO_SERVER + str(missing))
