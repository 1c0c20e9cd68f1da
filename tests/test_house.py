"""The house's own rules, kept by machine; each is also broken on purpose, to see that it would be told."""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
from pathlib import Path

import pytest
import pytest_socket
from django.db import connection

ROOT = Path(__file__).resolve().parent.parent
PROGRAMS = Path(sys.executable).parent

# Where the line is planted, the line, and the contract that must be broken by it.
WRONG_IMPORTS = (
    ("fulfilment/core/planted.py", "from django.db import models", "Core is pure"),
    ("fulfilment/bell.py", "import celery", "Core is pure"),
    ("fulfilment/core/planted_too.py", "from fulfilment.models import Lot", "Rooms stand above one another"),
    ("fulfilment/services/planted.py", "import fulfilment.out", "Rooms stand above one another"),
    ("fulfilment/web/planted.py", "from fulfilment.models import Lot", "Pages never name models"),
    ("fulfilment/read/planted.py", "from rest_framework import serializers", "The REST framework is known in api only"),
    ("fulfilment/services/planted_too.py", "import celery", "Celery is known in tasks"),
    ("fulfilment/models/planted.py", "import fulfilment.models.planted_too", "No room leads back to itself"),
    ("farm_orders/planted.py", "import fulfilment.services", "The deployment has no farm logic"),
)


def run(*command: str, folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """The source, to be spoiled."""
    for name in ("farm_orders", "fulfilment"):
        shutil.copytree(ROOT / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    return tmp_path


def plant(copy: Path, where: str, line: str) -> None:
    path = copy / where
    path.parent.mkdir(exist_ok=True)
    path.write_text((path.read_text() if path.exists() else "") + f"\n{line}\n")


def imports(folder: Path) -> subprocess.CompletedProcess[str]:
    return run(str(PROGRAMS / "lint-imports"), "--no-cache", folder=folder)


def broken(output: str) -> set[str]:
    return {line.partition(" BROKEN")[0] for line in output.splitlines() if " BROKEN" in line}


def test_every_import_goes_downwards() -> None:
    done = imports(ROOT)
    assert done.returncode == 0, done.stdout
    assert not broken(done.stdout)


def test_wrong_imports_are_told(copy: Path) -> None:
    for where, line, _ in WRONG_IMPORTS:
        plant(copy, where, line)
    plant(copy, "fulfilment/models/planted_too/__init__.py", "import fulfilment.models.planted")
    done = imports(copy)
    assert done.returncode == 1
    names = broken(done.stdout)
    for where, line, contract in WRONG_IMPORTS:
        assert any(name.startswith(contract) for name in names), (where, line, done.stdout)
    report = " ".join(done.stdout.split())
    assert "fulfilment.services.planted -> fulfilment.out" in report
    assert "fulfilment.core.planted_too -> fulfilment.models" in report


def test_a_room_nobody_planned_is_told(copy: Path) -> None:
    plant(copy, "fulfilment/utils.py", "")
    done = imports(copy)
    assert done.returncode == 1
    assert "Rooms stand above one another" in "".join(broken(done.stdout))
    assert "utils" in done.stdout


CLOCKS = (
    "from datetime import UTC, datetime\nprint(datetime.now(UTC))",
    "from datetime import date\nprint(date.today())",
    "from django.utils import timezone\nprint(timezone.now())",
    "import time\nprint(time.time())",
    "from django.db.models.functions import Now\nprint(Now())",
)


@pytest.mark.parametrize("lines", CLOCKS)
def test_a_clock_is_read_at_the_edge_only(copy: Path, lines: str) -> None:
    for room in ("core", "services", "read", "models", "out"):
        plant(copy, f"fulfilment/{room}/planted_clock.py", lines)
    for edge in ("web", "api", "management/commands"):
        plant(copy, f"fulfilment/{edge}/planted_clock.py", lines)
    done = run(
        *(str(PROGRAMS / "ruff"), "check", "--no-cache", "--select", "TID251", "--output-format", "concise", "."),
        folder=copy,
    )
    told = {line.split(":")[0] for line in done.stdout.splitlines() if "planted_clock" in line}
    assert told == {f"fulfilment/{room}/planted_clock.py" for room in ("core", "services", "read", "models", "out")}


def test_a_web_process_starts_without_what_only_the_night_needs() -> None:
    heavy = "celery highspy kombu matplotlib networkx pandas pyvrp scipy typst"
    script = (
        "import sys\n"
        "from farm_orders.wsgi import application\n"
        "from django.urls import get_resolver\n"
        "get_resolver().url_patterns\n"
        f"print(sorted(name for name in {heavy.split()!r} if name in sys.modules))\n"
    )
    done = run("env", "-u", "REDIS_URL", sys.executable, "-c", script, folder=ROOT)
    assert done.stdout.strip() == "[]", done.stdout + done.stderr


@pytest.mark.filterwarnings("ignore:A test tried to use:UserWarning")
def test_no_test_reaches_another_machine() -> None:
    with socket.socket() as outside, pytest.raises(pytest_socket.SocketConnectBlockedError):
        # 192.0.2.0/24 is reserved for documentation: RFC 5737.
        outside.connect(("192.0.2.1", 80))


@pytest.mark.django_db
def test_sqlite_is_a_file_that_several_processes_may_write() -> None:
    if connection.vendor != "sqlite":
        pytest.skip("runs on PostgreSQL now")
    with connection.cursor() as cursor:
        figures = {
            name: cursor.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("journal_mode", "synchronous", "busy_timeout", "foreign_keys")
        }
    assert figures == {"journal_mode": "wal", "synchronous": 2, "busy_timeout": 20_000, "foreign_keys": 1}
    assert connection.settings_dict["OPTIONS"]["transaction_mode"] == "IMMEDIATE"
