"""A real Chromium on a page whose run needs no logbook."""

import importlib.util
import os
import shutil
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from dashboard.app import Server, Settings

CHROMIUM = next(
    (p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None
)
ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
PATIENCE_S = 60.0


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session")
def browser_type_launch_args() -> dict[str, Any]:
    if CHROMIUM is None:
        if os.environ.get("CI"):
            pytest.fail("CI runs the browser tests: install chromium")
        pytest.skip("no Chromium here: install chromium to run the browser tests")
    return {"executable_path": CHROMIUM, "args": ARGUMENTS}


@pytest.fixture(scope="session")
def base_url() -> None:
    """Stands before the plugin's own, whose form newer pytests warn of; every page has its own address."""


@pytest.fixture(scope="session")
def fake() -> Any:
    if "fake_run" not in sys.modules:
        path = Path(__file__).parents[1] / "dashboard" / "fake_run.py"
        spec = importlib.util.spec_from_file_location("fake_run", path)
        assert spec is not None and spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules["fake_run"] = module
        spec.loader.exec_module(module)
    return sys.modules["fake_run"]


@pytest.fixture
def state(fake):
    return fake.FakeState()


@dataclass
class Served:
    server: Server
    thread: threading.Thread

    def stop(self) -> None:
        self.server.close()
        self.thread.join(10)
        assert not self.thread.is_alive()


@pytest.fixture
def stretches(monkeypatch):
    """What the outline is told of the run: its currents are no codes that stretches could be found in."""
    rows = [
        {"from_s": 0.0, "to_s": 20.0, "kind": "start", "word": "start", "title": "start, 20 s"},
        {"from_s": 20.0, "to_s": 290.0, "kind": "steady", "word": "steady", "title": "steady, 270 s"},
    ]
    monkeypatch.setattr("dashboard.run_stretches.stretches_of", lambda *_: {"marks": rows})
    return rows


@pytest.fixture
def served(fake, state, stretches):
    server = Server(Settings(Path("none.db"), token="t", open_browser=False), fake.FakeReading(state))
    thread = threading.Thread(target=server.run)
    thread.start()
    served = Served(server, thread)
    yield served
    served.stop()


class Screen:
    """One page of the browser, and what went wrong on it."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.complaints: list[str] = []
        page.on(
            "console", lambda m: self.complaints.append(m.text) if m.type in ("error", "warning") else None
        )
        page.on("pageerror", lambda e: self.complaints.append(str(e)))

    def wait(self, expression: str) -> Any:
        """Wait until an expression is true; the page's policy forbids Playwright's own way."""
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            value = self.page.evaluate(expression)
            if value:
                return value
            self.page.wait_for_timeout(20)
        shown = self.page.evaluate("document.body.innerText").strip()[:2000]
        pytest.fail(
            f"still false after {PATIENCE_S:g} s: {expression}; complaints: {self.complaints};"
            f" shown:\n{shown}"
        )

    def live(self, pictures: int = 3) -> None:
        self.wait(f"!!(window.livesense && livesense.live && livesense.live.frames >= {pictures})")

    def text(self, selector: str) -> str:
        return str(self.page.locator(selector).inner_text())


@pytest.fixture
def window(new_context) -> Any:
    """Open an empty window; complaints of its console fail the test."""
    screens: list[Screen] = []

    def window(scheme: str = "light", width: int = 1440, **more: Any) -> Screen:
        context = new_context(viewport={"width": width, "height": 900}, color_scheme=scheme, **more)
        screens.append(Screen(context.new_page()))
        return screens[-1]

    yield window
    complaints = [text for screen in screens for text in screen.complaints]
    assert not complaints


@pytest.fixture
def opened(served, window) -> Any:
    """Open a path of the served page."""

    def opened(path: str = "", scheme: str = "light", width: int = 1440) -> Screen:
        screen = window(scheme, width)
        screen.page.goto(served.server.url)
        if path:
            screen.page.goto(served.server.address + path)
        return screen

    return opened


Opened = Callable[..., Screen]
