"""The whole stack for screens that act: simulator → TCP → recorder → logbook → server → browser."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from axe_playwright_python.sync_playwright import Axe

from dashboard.app import Server, Settings
from simulator.main import BENCH

SIMULATE = [sys.executable, "-m", "livesense.cli.main", "simulate", "--outlet", "tcp:0", "--rate", "4000"]
PATIENCE_S = 60

WATCH = """
window.shifts = [];
window.shifters = [];
new PerformanceObserver((list) => {
  for (const entry of list.getEntries()) {
    if (entry.hadRecentInput) continue;
    const where = entry.sources.map((s) => s.node && (s.node.id || s.node.className || s.node.nodeName));
    window.shifts.push(entry.value);
    window.shifters.push(`${entry.value.toFixed(4)} ${where}`);
  }
}).observe({ type: 'layout-shift', buffered: true });"""


@contextlib.contextmanager
def simulated(scenario: str = "bring-up") -> Iterator[str]:
    """Play a scenario on a TCP port of its own; gives its address."""
    process = subprocess.Popen([*SIMULATE, "--scenario", scenario], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        yield next(word for word in process.stdout.readline().split() if word.startswith("socket://"))
    finally:
        process.terminate()
        process.communicate(timeout=PATIENCE_S)


class Stack:
    """A page in a folder of its own, with the pump's bench file and links to simulators."""

    def __init__(self, folder: Path, *links: str, bench: str | None = None) -> None:
        self.folder, self.links = folder, links
        self.logbook, self.bench = folder / "livesense.db", folder / "pump.toml"
        self.bench.write_text(bench or BENCH.read_text(encoding="utf-8"), encoding="utf-8")
        self.begin()

    def begin(self) -> None:
        """Serve, with a new port and a token that is known."""
        settings = Settings(self.logbook, token="t", benches=(self.bench,), links=self.links)
        self.server = Server(settings)
        self.thread = threading.Thread(target=self.server.run)
        self.thread.start()

    def end(self) -> None:
        """Close the server; recorders go on."""
        self.server.close()
        self.thread.join(PATIENCE_S)
        assert not self.thread.is_alive()

    def close(self) -> None:
        """Close the server and let every recorder end."""
        control = self.server.page.control
        with contextlib.suppress(Exception):
            for work in control.look()["recordings"]:
                control.stop(work["run"])
        processes = [started.process for started in control.recorders._started]
        for process in processes:
            process.wait(PATIENCE_S)
        self.end()


def clean(screen: Any) -> None:
    """Nothing for axe to say and nothing beyond the edge, wide and narrow, light and dark."""
    before = screen.page.viewport_size
    for width in (1440, 390):
        screen.page.set_viewport_size({"width": width, "height": 900})
        for scheme in ("light", "dark"):
            screen.page.emulate_media(color_scheme=scheme)
            screen.wait(f"document.documentElement.dataset.mantineColorScheme === '{scheme}'")
            screen.page.wait_for_timeout(300)
            # Commands are code: no backtick is left of how livesense's own texts name them.
            assert "`" not in screen.page.evaluate("document.body.innerText")
            found = Axe().run(screen.page)
            assert found.violations_count == 0, found.generate_report()
            assert screen.page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "sideways"
    screen.page.set_viewport_size(before)


def tab_to(screen: Any, selector: str, most: int = 120) -> None:
    """Go on with the Tab key until an element has the focus."""
    for _ in range(most):
        if screen.page.evaluate(f"document.activeElement.matches({selector!r})"):
            return
        screen.page.keyboard.press("Tab")
    raise AssertionError(f"the keyboard does not reach {selector}")
