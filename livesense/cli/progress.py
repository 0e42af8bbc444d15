"""A bar on standard error for what takes long, and a clean end when somebody asks for it."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from livesense.cli.ending import ending_signals

BAR_SIGNS = 30
RENEW_S = 0.1
"""A terminal is not written to more often."""

Tell = Callable[[str, int, int], None]


@contextmanager
def progress(*, quiet: bool = False) -> Iterator[Tell]:
    """Hand out what is told ``(what, done, total)`` as work goes on; ``total`` 0 where it is not known.

    It draws on a terminal only, and raises KeyboardInterrupt once Ctrl-C or SIGTERM asked for the end: the
    work then stops between two steps, never amid one.
    """
    stop = threading.Event()
    drawn_s = float("-inf")
    draws = sys.stderr.isatty() and not quiet

    def tell(what: str, done: int, total: int) -> None:
        nonlocal drawn_s
        if stop.is_set():
            raise KeyboardInterrupt
        now_s = time.monotonic()
        if draws and now_s - drawn_s >= RENEW_S:
            drawn_s = now_s
            sys.stderr.write("\r\x1b[2K" + bar(what, done, total))
            sys.stderr.flush()

    try:
        with ending_signals(stop):
            yield tell
    finally:
        if draws:
            sys.stderr.write("\r\x1b[2K")
            sys.stderr.flush()


def bar(what: str, done: int, total: int) -> str:
    """Write ``[####······] 40 %  what``."""
    if total < 1:
        return f"{what} …"
    part = min(max(done / total, 0.0), 1.0)
    full = int(part * BAR_SIGNS)
    return f"[{'#' * full}{'.' * (BAR_SIGNS - full)}] {int(part * 100):3d} %  {what}"
