"""A real browser on the served demo farm, each test on a farm of its own."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from uuid import uuid4

import pytest

from tests import servers
from tests.pages.serving import MORNING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, ConsoleMessage, Page, ViewportSize

CHROMIUM: Final = shutil.which("chromium") or shutil.which("chromium-browser") or ""
FLAGS: Final = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
PHONE: Final[ViewportSize] = {"width": 390, "height": 844}
DESK: Final[ViewportSize] = {"width": 1280, "height": 900}
ROOT: Final = Path(__file__).parents[2]


@dataclass(slots=True)
class Demo:
    """A served farm: its address, its rows, who may sign in."""

    url: str
    folder: Path
    passwords: dict[str, str] = field(default_factory=dict)

    def rows(self, statement: str, *values: object) -> list[tuple[Any, ...]]:
        """What a statement finds in the farm's own file."""
        with sqlite3.connect(self.folder / "farm.sqlite3", timeout=20) as connection:
            return connection.execute(statement, values).fetchall()

    def one(self, statement: str, *values: object) -> Any:
        """The first column of the first row; fails where there is none."""
        found = self.rows(statement, *values)
        assert found, statement
        return found[0][0]

    def until(self, statement: str, *values: object, seconds: float = 20) -> Any:
        """Waits until a statement finds something true: the worker takes a moment."""
        return self.row_until(statement, *values, seconds=seconds)[0]

    def row_until(self, statement: str, *values: object, seconds: float = 20) -> tuple[Any, ...]:
        """The first row, once its first column is true."""
        ends = time.monotonic() + seconds
        while time.monotonic() < ends:
            found = self.rows(statement, *values)
            if found and found[0][0]:
                return found[0]
            time.sleep(0.2)
        raise AssertionError(f"not within {seconds} s: {statement}")

    def link(self, purpose: str, subject: str, version: int = 1) -> str:
        """The signed address of a kitchen's or a holder's page."""
        from fulfilment.read import links

        token = links.sign(purpose, subject=subject, version=version, now=MORNING)  # type: ignore[arg-type]
        return f"{self.url}{links.PATHS[purpose]}{token}/"


@dataclass(slots=True)
class Visitor:
    """Opens pages as somebody, and fails where a page's script or policy complains."""

    browser: Browser
    demo: Demo
    complaints: list[str] = field(default_factory=list)

    def visit(self, user: str = "", *, phone: bool = False, **context: Any) -> Page:
        """A page of a browser of its own, signed in as ``user`` where one is named."""
        page = self.browser.new_context(viewport=PHONE if phone else DESK, **context).new_page()
        page.set_default_timeout(30_000)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("console", lambda message: self._heard(message))
        if user:
            page.goto(f"{self.demo.url}/sign-in/")
            page.get_by_label("Username").fill(user)
            page.get_by_label("Password").fill(self.demo.passwords[user])
            page.get_by_role("button", name="Sign in").click()
            page.wait_for_url(lambda url: "/sign-in" not in url)
        return page

    def _heard(self, message: ConsoleMessage) -> None:
        # A refused form is told by its status, which the browser reports as a failed load.
        if message.type == "error" and "the server responded with a status of 4" not in message.text:
            self.complaints.append(message.text)


def accessible(page: Page) -> None:
    """axe finds nothing, and nothing scrolls sideways."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page).response["violations"]
    told = [(each["id"], [node["html"] for node in each["nodes"]][:3]) for each in found]
    assert not told, (page.url, told)
    wide = page.evaluate("document.documentElement.scrollWidth > document.documentElement.clientWidth")
    assert not wide, f"{page.url} scrolls sideways"


@pytest.fixture(scope="session")
def built_demo() -> Path:
    """The folder of a farm that nobody has touched since its morning; built once for all workers of a run."""
    folder = servers.session_folder() / "demo"
    try:
        folder.mkdir()
    except FileExistsError:
        for _ in range(9000):
            if (folder / "built").exists():
                return folder
            time.sleep(0.1)
        pytest.fail("the demo farm was not built by the worker that began it")
    built = subprocess.run(
        [sys.executable, "-m", "tests.pages.serving", "build", str(folder)],
        cwd=ROOT, env=_environment(), capture_output=True, text=True, timeout=900, check=False,
    )  # fmt: skip
    assert built.returncode == 0, built.stderr[-3000:]
    (folder / "built").touch()
    return folder


@pytest.fixture
def demo(built_demo: Path) -> Iterator[Demo]:
    """A farm of the test's own, served."""
    folder = built_demo.with_name(f"demo-{uuid4().hex}")
    shutil.copytree(built_demo, folder)
    with _served(folder) as url:
        notes = [line.split() for line in (folder / "demo_login.txt").read_text().splitlines() if line.strip()]
        yield Demo(url, folder, {note[0]: note[1] for note in notes})
    shutil.rmtree(folder)


@pytest.fixture
def visitor(demo: Demo) -> Iterator[Visitor]:
    """A real browser; what its pages complained of fails the test."""
    if not CHROMIUM:
        if servers.CI:
            pytest.fail("CI skips nothing: there is no Chromium")
        pytest.skip("no server: no Chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        visitor = Visitor(browser, demo)
        yield visitor
        browser.close()
    assert not visitor.complaints


@contextmanager
def _served(folder: Path) -> Iterator[str]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = subprocess.Popen(
        [sys.executable, "-m", "tests.pages.serving", "serve", str(folder), str(port)],
        cwd=ROOT, env=_environment(), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
    )  # fmt: skip
    try:
        for _ in range(3600):
            if (folder / "served").exists():
                break
            assert server.poll() is None, (server.stderr.read() if server.stderr else b"").decode()[-3000:]
            time.sleep(0.05)
        else:
            pytest.fail("the demo farm was not served within three minutes")
        yield f"http://127.0.0.1:{port}"
    finally:
        server.send_signal(signal.SIGKILL)
        server.communicate()


def _environment() -> dict[str, str]:
    return {**os.environ, "LOG_LEVEL": "ERROR", "PYTHONWARNINGS": "ignore"}
