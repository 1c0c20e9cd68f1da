"""The servers that other tests lean on."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import psycopg
import pytest
import redis

from tests import servers

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture
def own_folder() -> Iterator[Path]:
    """Of this test alone, and where an unprivileged PostgreSQL can reach it."""
    with tempfile.TemporaryDirectory(dir=servers.session_folder()) as name:
        folder = Path(name)
        folder.chmod(0o711)
        yield folder


def test_the_sessions_postgresql_answers(postgres_url: str) -> None:
    with psycopg.connect(postgres_url) as connection:
        row = connection.execute("SELECT current_setting('synchronous_commit'), current_setting('server_version_num')")
        commit, version = row.fetchone() or ("", "0")
    assert commit == "on"
    assert int(version) >= 140000


def test_the_sessions_redis_refuses_instead_of_dropping(redis_url: str) -> None:
    with redis.Redis.from_url(redis_url) as client:
        assert client.ping()
        assert client.config_get("maxmemory-policy") == {"maxmemory-policy": "noeviction"}


@pytest.mark.usefixtures("postgres_url")
def test_a_killed_postgresql_comes_back_with_what_was_committed(own_folder: Path) -> None:
    server = servers.Postgres(own_folder / "postgres")
    server.start()
    try:
        with psycopg.connect(server.url, autocommit=True) as connection:
            connection.execute("CREATE TABLE kept (n int)")
            connection.execute("INSERT INTO kept VALUES (57)")
        server.kill()
        with pytest.raises(psycopg.OperationalError):
            psycopg.connect(server.url, connect_timeout=2)
        server.start()
        with psycopg.connect(server.url) as connection:
            assert connection.execute("SELECT n FROM kept").fetchall() == [(57,)]
    finally:
        server.kill()


@pytest.mark.usefixtures("redis_url")
def test_a_killed_redis_comes_back_empty(own_folder: Path) -> None:
    server = servers.Redis(own_folder / "redis")
    server.start()
    try:
        with redis.Redis.from_url(server.url) as client:
            client.set("bell", "rung")
        server.kill()
        server.start()
        with redis.Redis.from_url(server.url) as client:
            assert client.get("bell") is None
    finally:
        server.kill()
