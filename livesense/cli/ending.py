"""Ending a command that goes on for ever: Ctrl-C and its kin set an event."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from typing import Any


@contextlib.contextmanager
def ending_signals(stop: threading.Event) -> Iterator[None]:
    """End cleanly on Ctrl-C, SIGTERM and (on Windows) CTRL_BREAK; a second one ends at once."""
    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)]
    before: dict[signal.Signals, Any] = {}

    def ask(number: int, frame: object) -> None:
        if stop.is_set():
            raise KeyboardInterrupt
        stop.set()

    for name in names:
        number = getattr(signal, name)
        before[number] = signal.signal(number, ask)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
