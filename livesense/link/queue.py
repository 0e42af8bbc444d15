"""What lies between the reader thread and the worker: bytes and messages, in the order they came."""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass

from livesense.samples import Arrival

QUEUE_LIMIT_BYTES = 64 << 20
"""What may wait for the worker: twenty seconds of a 3 MB/s stream."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes as they came, and when (None: the source has no arrival clock)."""

    data: bytes
    arrival: Arrival | None


@dataclass(frozen=True, slots=True)
class LinkDown:
    """The port vanished; ``text`` says how."""

    text: str
    wall_s: float


@dataclass(frozen=True, slots=True)
class LinkUp:
    """The port is open (for the first time, or again)."""

    wall_s: float


@dataclass(frozen=True, slots=True)
class Overflow:
    """So many bytes were dropped here because the worker fell behind."""

    count: int


@dataclass(frozen=True, slots=True)
class LinkEnd:
    """Nothing more will come. ``error`` is None at an ordinary end; ``trouble`` as of a LinkError."""

    error: str | None
    trouble: str = ""


LinkItem = Chunk | LinkDown | LinkUp | Overflow | LinkEnd


class LinkQueue:
    """A queue bounded in bytes, between the reader thread and the worker."""

    def __init__(self, limit_bytes: int = QUEUE_LIMIT_BYTES) -> None:
        self._limit = limit_bytes
        self._items: deque[LinkItem] = deque()
        self._bytes = 0
        self._changed = threading.Condition()

    @property
    def waiting_bytes(self) -> int:
        """Bytes that wait for the worker."""
        return self._bytes

    def put(self, item: LinkItem) -> None:
        """Append a message; messages are few and are never refused."""
        with self._changed:
            self._items.append(item)
            self._changed.notify_all()

    def wait_for_room(self, size: int, wait_s: float) -> bool:
        """Wait for room for ``size`` bytes; False when there was none in time."""
        with self._changed:
            return self._changed.wait_for(lambda: self._bytes + size <= self._limit, wait_s)

    def put_chunk(self, chunk: Chunk, wait_s: float) -> None:
        """Append bytes, waiting ``wait_s`` for room.

        Without room in time the bytes are dropped, which the queue records in
        their place as an :class:`Overflow`. While such a loss goes on nothing
        waits: the port must be drained whatever the worker does.
        """
        size = len(chunk.data)
        with self._changed:
            if self._items and isinstance(self._items[-1], Overflow):
                wait_s = 0.0
            if self._changed.wait_for(lambda: self._bytes + size <= self._limit, wait_s):
                self._items.append(chunk)
                self._bytes += size
            elif self._items and isinstance(last := self._items[-1], Overflow):
                self._items[-1] = Overflow(last.count + size)
            else:
                self._items.append(Overflow(size))
            self._changed.notify_all()

    def take(self, timeout_s: float) -> list[LinkItem]:
        """Everything that waits, in order; empty when nothing came in time."""
        with self._changed:
            self._changed.wait_for(lambda: bool(self._items), timeout_s)
            items = list(self._items)
            self._items.clear()
            self._bytes = 0
            self._changed.notify_all()
            return items
