"""Pictures of page and bench card for README and docs: ``python docs/images/make_images.py [NAME …]``.

Everything on them is the simulated coolant pump: a live recording of its bring-up, and a logbook with two
runs, made for this and thrown away. Pictures are written beside this file; without names, all of them. Needs
a Chromium and playwright. The size chart (size-pump.svg) is no picture of a screen: `livesense size --chart`
draws it, and a test holds it to the command.
"""

from __future__ import annotations

import argparse
import contextlib
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page, sync_playwright

from dashboard.app import Server, Settings
from livesense.cli.main import main as livesense
from simulator.main import BENCH

HERE = Path(__file__).parent
ARGUMENTS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking"]
PATIENCE_S = 180.0
RUNNING_S = 13.0
"""By then the pump of the story runs at speed."""

ON_LIVE = (
    "!!(window.livesense?.live?.frames > 20 && livesense.live.trend.told?.strips?.length"
    " && livesense.live.tiles.level === 0 && /^Running/.test(livesense.live.facts.sentence.text))"
)
"""At speed, and with figures that are not late: on a busy computer they are, now and then."""
ON_RUN = "!!(window.livesense?.run?.found && livesense.run.held && livesense.run.stretches.marks.length)"
ON_COMPARE = "!!(window.livesense?.compare?.drawn && document.querySelector('#compare-pairs td'))"


@dataclass(frozen=True)
class Shot:
    """One picture: where it is taken, how wide and high the window is, what must be there first."""

    name: str
    path: str
    ready: str
    live: bool = False
    width: int = 1440
    height: int = 1000
    scheme: str = "light"


SHOTS = (
    Shot("live-page", "", ON_LIVE, live=True, height=1460),
    Shot("live-dark", "", ON_LIVE, live=True, height=1460, scheme="dark"),
    Shot("live-narrow", "", ON_LIVE, live=True, width=390, height=1180),
    Shot("record-page", "record", "!!document.querySelector('[data-screen=record]')", live=True),
    Shot("bench-page", "bench", "!!document.querySelector('[data-screen=bench]')", live=True),
    Shot("walk-page", "walk", "!!document.querySelector('[data-screen=walk], #now')", live=True),
    Shot("runs-page", "runs", "document.querySelectorAll('.ag-row a').length >= 2", height=460),
    Shot("run-page", "runs/2", ON_RUN, height=1420),
    Shot("run-close", "runs/2?from=11.9&to=12.1", ON_RUN),
    Shot("compare-page", "compare/1/2", ON_COMPARE, height=1300),
)
CARD = "bench-card"


def main() -> int:
    """Make pictures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    names = [shot.name for shot in SHOTS] + [CARD]
    parser.add_argument("names", metavar="NAME", nargs="*", help=f"one of {', '.join(names)}; default: all")
    wanted = parser.parse_args().names or names
    unknown = [name for name in wanted if name not in names]
    if unknown:
        parser.error(f"expected some of {', '.join(names)}, got {', '.join(unknown)}")
    known = ("chromium", "chromium-browser", "google-chrome")
    chromium = next((path for name in known if (path := shutil.which(name))), None)
    if chromium is None:
        parser.error("no Chromium here: install chromium")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        shots = [shot for shot in SHOTS if shot.name in wanted]
        if still := [shot for shot in shots if not shot.live]:
            with _served(_two_runs(Path(folder))) as server:
                _take(browser, server, still)
        if moving := [shot for shot in shots if shot.live]:
            with _recording(Path(folder)) as book, _served(book, Path(folder) / BENCH.name) as server:
                time.sleep(RUNNING_S)
                _take(browser, server, moving)
        if CARD in wanted:
            _card(browser, Path(folder))
        browser.close()
    return 0


def _two_runs(folder: Path) -> Path:
    """Record the bring-up, and the overload through shunts of 4 mΩ."""
    book, other = folder / "two.db", folder / "other.toml"
    other.write_text(BENCH.read_text(encoding="utf-8").replace('"5 mΩ"', '"4 mΩ"'), encoding="utf-8")
    for scenario, bench, name in (
        ("bring-up", BENCH, "first start on the bench"),
        ("overload", other, "4 mΩ shunts, debris in the impeller"),
    ):
        sent = folder / f"{scenario}.bin"
        _do("simulate", "--scenario", scenario, "--speed", "max", "--outlet", f"file:{sent}")
        port = ("--port", f"file:{sent}", "--until-closed", "--quiet")
        _do("record", bench, *port, "--logbook", book, "--name", name)
    return book


def _do(*arguments: Any) -> None:
    if (code := livesense([str(a) for a in arguments])) != 0:
        raise SystemExit(f"livesense {arguments[0]} ended with {code}")


@contextlib.contextmanager
def _recording(folder: Path) -> Iterator[Path]:
    """Play the pump in real time and record it."""
    book, bench = folder / "live.db", folder / BENCH.name
    bench.write_bytes(BENCH.read_bytes())
    command = [sys.executable, "-m", "livesense.cli.main"]
    pump = subprocess.Popen([*command, "simulate"], stdout=subprocess.PIPE, text=True, encoding="utf-8")
    assert pump.stdout is not None
    address = pump.stdout.readline().split()[-1]
    recorder = subprocess.Popen(
        [*command, "record", str(bench), "--port", address, "--wait", "--quiet", "--logbook", str(book)],
        stdout=subprocess.DEVNULL,
    )
    try:
        _until(book.exists)
        yield book
    finally:
        for child in (recorder, pump):
            child.terminate()
            child.wait(30)


@contextlib.contextmanager
def _served(book: Path, *benches: Path) -> Iterator[Server]:
    server = Server(Settings(book, benches=benches))
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield server
    finally:
        server.close()
        thread.join()


def _take(browser: Browser, server: Server, shots: list[Shot]) -> None:
    for shot in shots:
        context = browser.new_context(
            viewport={"width": shot.width, "height": shot.height}, color_scheme=_scheme(shot.scheme)
        )
        page = context.new_page()
        page.goto(server.url)
        page.goto(server.address + shot.path)
        _until(lambda page=page, shot=shot: bool(page.evaluate(shot.ready)))  # type: ignore[misc]
        # Figures and pictures settle.
        page.wait_for_timeout(300 if shot.live else 1500)
        _save(page, shot.name)
        context.close()


def _scheme(name: str) -> Any:
    return name


def _save(page: Page, name: str) -> None:
    path = HERE / f"{name}.png"
    page.screenshot(path=path)
    print(f"{path.name}: {path.stat().st_size // 1024} kB")


def _card(browser: Browser, folder: Path) -> None:
    card = folder / "card.html"
    _do("card", BENCH, "--out", card)
    context = browser.new_context(viewport={"width": 1521, "height": 952})
    page = context.new_page()
    page.goto(card.as_uri())
    _save(page, CARD)
    context.close()


def _until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not true():
        if time.monotonic() > end:
            raise SystemExit(f"still not there after {PATIENCE_S:g} s")
        time.sleep(0.1)


if __name__ == "__main__":
    raise SystemExit(main())
