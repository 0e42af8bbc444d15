"""What the benchmarks of the page share: a browser, the programs beside it, a plain page to compare with."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import threading
from typing import Any

from dash import Dash
from playwright.sync_api import Browser
from playwright.sync_api import Page as BrowserPage
from waitress import create_server

ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


def chromium() -> str:
    """Find a browser; ends the program where there is none."""
    found = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if found is None:
        raise SystemExit("needs a Chromium: none was found")
    return found


def started(*command: str) -> subprocess.Popen[str]:
    """Start a command of livesense."""
    return subprocess.Popen(
        [sys.executable, "-m", "livesense.cli.main", *command],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip


def address_in(process: subprocess.Popen[str], sign: str) -> str:
    """Read on until a line tells an address that begins like this."""
    assert process.stdout is not None
    for line in process.stdout:
        if sign in line:
            return line[line.index(sign) :].split()[0]
    raise SystemExit(f"{process.args!r} ended without an address")


def plain_page(app: Dash, browser: Browser) -> BrowserPage:
    """Serve a page with a graph named ``graph`` and open it."""
    server = create_server(app.server, host="127.0.0.1", port=0, threads=8)
    threading.Thread(target=server.run, daemon=True).start()
    page = browser.new_page(viewport={"width": 1440, "height": 1000})
    page.goto(f"http://127.0.0.1:{server.effective_port}/")
    page.wait_for_selector("#graph .plot-container")
    return page


def tell(result: dict[str, Any], file: str | None) -> None:
    """Print what was found, and write it where that is asked."""
    text = json.dumps(result, indent=2)
    print(text)
    if file:
        with open(file, "w", encoding="utf-8") as out:
            out.write(text + "\n")
