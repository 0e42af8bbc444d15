"""The reader thread, which does nothing else.

It opens the address, reads large pieces with short waits, stamps each with both clocks
and puts it in a bounded queue. It never decodes, so that a busy worker cannot make the
operating system's small receive buffer overflow. When the port vanishes it says so,
keeps what came, and tries again with growing pauses.
"""

from __future__ import annotations

import threading
import time

from livesense.errors import LinkError
from livesense.link.address import Address
from livesense.link.line_errors import LineErrors
from livesense.link.queue import Chunk, LinkDown, LinkEnd, LinkQueue, LinkUp
from livesense.link.sources import (
    NOTHING_SENT,
    READ_WAIT_S,
    SMALL_READ,
    SendSettings,
    SerialSource,
    Source,
    open_source,
)
from livesense.samples import Arrival

GATHER_WAIT_S = 0.004
"""Pause after a small read, so that a slow trickle does not cost a wake-up per byte."""

PUSH_BACK_S = 1.0
"""How long a source that pushes back (socket, pty) waits for a full queue before bytes are dropped."""

LOOK_EACH_S = 0.25
"""How often the driver is asked for its counts of broken bytes."""

RETRY_FIRST_S = 0.1
RETRY_LONGEST_S = 2.0


def arrival_now() -> Arrival:
    """Read both clocks; where the system has one, the clock that goes on while it sleeps."""
    boot_clock = getattr(time, "CLOCK_BOOTTIME", None)
    if boot_clock is None:
        return Arrival(time.monotonic(), time.time())
    return Arrival(time.clock_gettime(boot_clock), time.time(), counts_sleep=True)


class LinkReader:
    """The reader thread.

    Parameters
    ----------
    address, baud, send
        What to open and how.
    queue
        Where bytes and messages go.
    wait
        Whether to wait for a port that cannot be opened yet.
    until_closed
        End when the link closes, instead of waiting for its return.
    """

    def __init__(
        self,
        address: Address,
        baud: int,
        queue: LinkQueue,
        *,
        send: SendSettings | None = None,
        wait: bool = False,
        until_closed: bool = False,
    ) -> None:
        self._address = address
        self._baud = baud
        self._queue = queue
        self._send = send or NOTHING_SENT
        self._wait = wait
        self._until_closed = until_closed or not address.has_clock
        self._stop = threading.Event()
        self._line_errors: LineErrors | None = None
        self._thread = threading.Thread(target=self._run, name="livesense-link", daemon=True)

    def start(self) -> None:
        """Start reading."""
        self._thread.start()

    def stop(self) -> None:
        """Stop reading and close the port; what was read stays in the queue."""
        self._stop.set()
        # Standard input may block for ever in read(); the thread is a daemon, so do not wait long for it.
        self._thread.join(timeout=5.0 if self._address.kind != "stdin" else 0.3)

    @property
    def line_errors(self) -> LineErrors | None:
        """What the driver of an open port counts of broken bytes, looked at now and then; None if unknown."""
        return self._line_errors

    def _run(self) -> None:
        try:
            self._serve()
        except LinkError as error:
            self._queue.put(LinkEnd(str(error), error.trouble))
        except Exception as error:
            # The worker must learn of it: a silent end would look like a quiet line.
            self._queue.put(LinkEnd(f"reading {self._address.text!r} failed: {error!r}"))

    def _serve(self) -> None:
        source = self._open_patiently(first=True)
        while source is not None:
            self._queue.put(LinkUp(time.time()))
            try:
                ended = self._drain(source)
            finally:
                source.close()
            if ended is None:
                break
            if self._until_closed:
                self._queue.put(LinkEnd(None))
                return
            self._queue.put(LinkDown(ended, time.time()))
            source = self._open_patiently(first=False)
        self._queue.put(LinkEnd(None))

    def _open_patiently(self, *, first: bool) -> Source | None:
        pause_s = RETRY_FIRST_S
        while not self._stop.is_set():
            try:
                return open_source(self._address, self._baud, self._send)
            except LinkError:
                if first and not self._wait:
                    raise
            self._stop.wait(pause_s)
            pause_s = min(2 * pause_s, RETRY_LONGEST_S)
        return None

    def _drain(self, source: Source) -> str | None:
        """Read until the port closes (returns why) or a stop is asked (returns None)."""
        has_clock = self._address.has_clock
        wait_s = PUSH_BACK_S if source.pushes_back else 0.0
        look_s = time.monotonic()
        while not self._stop.is_set():
            try:
                data = source.read()
            except OSError as error:
                return f"the port vanished: {error.strerror or error}"
            if isinstance(source, SerialSource) and time.monotonic() >= look_s:
                self._line_errors = source.line_errors()
                look_s = time.monotonic() + LOOK_EACH_S
            if data is None:
                return "the other side closed the connection"
            if not data:
                continue
            arrival = arrival_now() if has_clock else None
            # A file waits for ever: its bytes can be had later just as well.
            while not has_clock and not self._queue.wait_for_room(len(data), READ_WAIT_S):
                if self._stop.is_set():
                    return None
            self._queue.put_chunk(Chunk(data, arrival), wait_s)
            if has_clock and len(data) < SMALL_READ:
                time.sleep(GATHER_WAIT_S)
        return None
