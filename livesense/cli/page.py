"""What `serve` and `demo` have in common: a browser that may be there."""

from __future__ import annotations

import os
import sys


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
