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
            return self._listener.feed(data, arrival, at_s)
        self._waiting.append((data, arrival, at_s))
        self._tally.take(data)
        if self._tally.size < self._next_try:
            return []
        self._next_try = min(4 * self._tally.size, ENOUGH_BYTES)
        return self._begin(last=self._tally.size >= ENOUGH_BYTES)

    def waited(self, at_s: float) -> list[Row]:
        """Take note of the time, in seconds; bytes that wait for too long are read as they are."""
        if self._listener is not None or not self._waiting:
            return []
        first_s = self._waiting[0][2]
        return self._begin(last=True) if first_s is not None and at_s - first_s >= WAIT_S else []

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
        expected = by_bytes(data, self._wire, last=last) if data else None
        if expected is None:
            return []
        self._listener = Listener(expected, live=self._live)
        waiting, self._waiting = self._waiting, []
        return [row for data, arrival, at_s in waiting for row in self._listener.feed(data, arrival, at_s)]

    def hints(self, line: Line) -> list[Hint]:
        """Tell from what came so far what to look at."""
        placing = self._listener.placing if self._listener is not None else None
        return hints(Seen(line, self.tally, self.expected, placing))
