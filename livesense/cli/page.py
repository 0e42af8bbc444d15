"""What `serve` and `demo` have in common: a logbook that can be served, and a browser that may be there."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

BEGINNING_S = 1.0
"""A recorder that was started together with the page makes its file's tables within this time."""


def check_served(path: Path) -> None:
    """Refuse what can never be served; a logbook that is not there yet may come.

    Raises
    ------
    UsageError
        for a folder, a file that is no logbook, or one that a newer livesense wrote.
    """
    from livesense.errors import LivesenseError, UsageError
    from livesense.logbook.reader import Logbook

    if path.is_dir():
        raise UsageError(f"{path}: expected a logbook, found a folder; name a file in it")
    try:
        while path.exists() and path.stat().st_size:
            try:
                Logbook(path).close()
                return
            except LivesenseError as error:
                if time.time() - path.stat().st_mtime > BEGINNING_S:
                    raise UsageError(f"{error}; name a logbook with --logbook") from error
            time.sleep(0.1)
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror or error}") from error


def open_browser(url: str) -> None:
    """Open the page, or say that there is no browser to open it in."""
    import webbrowser

    opened = False
    if _has_screen():
        try:
            opened = webbrowser.open(url)
        except (webbrowser.Error, OSError):
            opened = False
    if not opened:
        print(f"No browser was opened here. Open this address in one on this computer:\n{url}", flush=True)


def _has_screen() -> bool:
    """Tell whether a browser of its own window can come up; one within the terminal would take it over."""
    if os.name == "nt" or sys.platform == "darwin":
        return True
    return any(os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY", "BROWSER"))
