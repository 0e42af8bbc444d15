"""A whole look at a line: first which wire it is, then its rows."""

from __future__ import annotations

from livesense.listen.expected import Expected, by_bytes
from livesense.listen.hints import hints
from livesense.listen.listener import Listener
from livesense.listen.rows import Row
from livesense.listen.seen import Hint, Line, Seen
from livesense.listen.tally import Tally
from livesense.samples import Arrival, GapCause

WAIT_S = 2.0
"""So long bytes are gathered until they tell the wire; a device describes itself each second."""

ENOUGH_BYTES = 1 << 13

MOST_WAITING = 1 << 20
"""Bytes that wait at most; older ones are forgotten."""

NOWHERE = Line("device", "", None)

FIRST_TRY = 128
"""Bytes at which the wire is looked for first, then at four times as many: to look takes a while."""


class Session:
    """Takes bytes from the first to the last.

    Parameters
    ----------
    expected
        What comes; None where the bytes have to tell it.
    wire
        The wire, where only that is stated.
    live
        Whether the bytes come from a port.
    """

    def __init__(self, expected: Expected | None, wire: str | None, *, live: bool) -> None:
        self._wire = wire
        self._live = live
        self._listener: Listener | None = None
        self._waiting: list[tuple[bytes, Arrival | None, float | None]] = []
        self._next_try = FIRST_TRY
        self._next_look_s = WAIT_S
        self._tally = Tally()
        """Of bytes that wait."""
        if expected is not None:
            self._listener = Listener(expected, live=live)

    @property
    def tally(self) -> Tally:
        """What came so far."""
        return self._listener.tally if self._listener is not None else self._tally

    @property
    def expected(self) -> Expected | None:
        """What is expected to come; None while nothing tells it."""
        return self._listener.expected if self._listener is not None else None

    @property
    def listener(self) -> Listener | None:
        """None while the wire is not known."""
        return self._listener

    def feed(self, data: bytes, arrival: Arrival | None = None, at_s: float | None = None) -> list[Row]:
        """Take bytes that came ``at_s`` seconds after the beginning; returns the rows that are decided."""
        if self._listener is not None:
            return [*self._listener.feed(data, arrival, at_s), *self._turned_out_other()]
        self._waiting.append((data, arrival, at_s))
        self._tally.take(data)
        if self._tally.size < self._next_try:
            return []
        last = self._tally.size >= ENOUGH_BYTES
        self._next_try = 4 * self._tally.size if last else min(4 * self._tally.size, ENOUGH_BYTES)
        return self._begin(last=last)

    def waited(self, at_s: float) -> list[Row]:
        """Take note of the time, in seconds; bytes that wait for too long are read as they are."""
        if self._listener is not None:
            return self._listener.waited(at_s)
        first_s = self._waiting[0][2] if self._waiting else None
        if first_s is None or at_s - first_s < self._next_look_s:
            return []
        self._next_look_s *= 2
        return self._begin(last=True)

    def interrupted(self, cause: GapCause) -> list[Row]:
        """Take note that bytes were lost."""
        if self._listener is not None:
            return self._listener.interrupted(cause)
        rows = self._begin(last=True)
        return rows + self.interrupted(cause) if self._listener is not None else rows

    def finish(self) -> list[Row]:
        """End the stream; returns all rows that were left."""
        rows = [] if self._listener is not None else self._begin(last=True)
        return rows + (self._listener.finish() if self._listener is not None else [])

    def _begin(self, *, last: bool) -> list[Row]:
        """Look which wire it is, and read what waited."""
        data = b"".join(piece for piece, _, _ in self._waiting)
        expected = by_bytes(data[-2 * ENOUGH_BYTES :], self._wire, last=last) if data else None
        if expected is None:
            # Of records that nobody has declared the layout may never be found.
            while sum(len(piece) for piece, _, _ in self._waiting) > MOST_WAITING:
                del self._waiting[0]
            return []
        self._listener = Listener(expected, live=self._live)
        self._next_try = len(data) + ENOUGH_BYTES
        waiting, self._waiting = self._waiting, []
        return [row for data, arrival, at_s in waiting for row in self._listener.feed(data, arrival, at_s)]

    def _turned_out_other(self) -> list[Row]:
        """Look once more which wire it is, where nothing was read so far: firmware may greet in words."""
        listener = self._listener
        assert listener is not None
        if listener.expected.source not in {"found", "assumed"}:
            return []
        if listener.tally.size < self._next_try or not self._seen(NOWHERE).nothing_read:
            return []
        self._next_try = 2 * listener.tally.size
        expected = by_bytes(listener.tally.sample, None, last=False)
        if expected is None or expected.wire == listener.expected.wire:
            return []
        rows = listener.finish()
        self._listener = Listener(expected, live=True, tally=listener.tally.bytes_only())
        return rows

    def _seen(self, line: Line) -> Seen:
        placing = self._listener.placing if self._listener is not None else None
        return Seen(line, self.tally, self.expected, placing)

    def hints(self, line: Line) -> list[Hint]:
        """Tell from what came so far what to look at."""
        return hints(self._seen(line))
