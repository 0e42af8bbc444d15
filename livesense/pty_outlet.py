"""A pseudo-terminal as outlet: looks like a serial port to a receiver. POSIX only.

This is the one place where POSIX-only modules are imported.
"""

from __future__ import annotations

import contextlib
import os
import select
import threading
import time

from livesense.errors import UsageError
from livesense.outlets import BACKLOG_BYTES, Outlet

_POLL_S = 0.05
_SETTLE_S = 0.15
"""Receivers set up a port, and flush it, in the first moment after opening it."""


def open_pty() -> Outlet:
    """Make a pseudo-terminal.

    Raises
    ------
    UsageError
        This system has none.
    """
    try:
        return PtyOutlet()
    except (ImportError, OSError) as error:
        raise UsageError(
            f"outlet pty: expected a system with pseudo-terminals, got {error}; use tcp:0 instead"
        ) from error


class PtyOutlet:
    """Our end is the master; the receiver opens the path in ``address``."""

    def __init__(self) -> None:
        import pty
        import tty

        self.dropped_bytes = 0
        self._pending = bytearray()
        self._master, other = pty.openpty()
        tty.setraw(other)
        self.address = os.ttyname(other)
        self._other = -1
        # With the far end closed, poll() tells when a receiver opens it.
        os.close(other)
        os.set_blocking(self._master, False)

    def wait_for_receiver(self, stop: threading.Event) -> bool:
        """Wait until the path was opened; where the system cannot tell, start at once."""
        if self._other >= 0:
            return not stop.is_set()
        poll = select.poll()
        poll.register(self._master, select.POLLHUP)
        while any(event & select.POLLHUP for _, event in poll.poll(0)):
            if stop.wait(_POLL_S):
                return False
        import tty

        # Held open from here on, so that a receiver may leave and come back.
        self._other = os.open(self.address, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self._other)
        return not stop.wait(_SETTLE_S)

    def send(self, data: bytes, stop: threading.Event, *, patient: bool) -> None:
        """Send a burst; while nobody reads, the terminal's buffer and ours fill, then bursts are dropped."""
        if not patient and len(self._pending) + len(data) > BACKLOG_BYTES:
            self.dropped_bytes += len(data)
            return
        self._pending += data
        self._push(0.0)
        while patient and self._pending and not stop.is_set():
            self._push(_POLL_S)

    def _push(self, wait_s: float) -> None:
        while self._pending:
            _, writable, _ = select.select([], [self._master], [], wait_s)
            if not writable:
                return
            try:
                sent = os.write(self._master, self._pending)
            except BlockingIOError:
                return
            del self._pending[:sent]

    def close(self, stop: threading.Event) -> None:
        """Let the receiver take what is left, then close."""
        give_up_s = time.monotonic() + 2.0
        while self._pending and not stop.is_set() and time.monotonic() < give_up_s:
            self._push(_POLL_S)
        if not stop.is_set():
            # Closing discards what the receiver has not read yet.
            stop.wait(_SETTLE_S)
        for end in (self._other, self._master):
            if end >= 0:
                with contextlib.suppress(OSError):
                    os.close(end)
