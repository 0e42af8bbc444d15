"""Where bytes of a played device go: a TCP port, a pseudo-terminal or a file.

An outlet takes bytes in bursts. Like a board with a small buffer it keeps what the
other side does not take at once, up to :data:`BACKLOG_BYTES`, and drops whole bursts
beyond that; nothing it is sent is ever read.
"""

from __future__ import annotations

import contextlib
import select
import socket
import threading
import time
from pathlib import Path
from typing import Protocol

from livesense.errors import UsageError

BACKLOG_BYTES = 1 << 19
"""About two seconds of the default stream: rides out a busy computer, not an absent one."""

_POLL_S = 0.1
_DRAIN_S = 5.0


class Outlet(Protocol):
    """What the sender needs of an outlet."""

    address: str
    """The port to give to a receiver."""

    dropped_bytes: int

    def wait_for_receiver(self, stop: threading.Event) -> bool:
        """Wait until somebody can receive; False when asked to stop first."""

    def send(self, data: bytes, stop: threading.Event, *, patient: bool) -> None:
        """Send a burst; a patient outlet waits until all is taken, another drops what does not fit."""

    def close(self, stop: threading.Event) -> None:
        """Let the rest drain for a moment, then close."""


def open_outlet(text: str) -> Outlet:
    """Open an outlet by its name: ``tcp:PORT`` (0: any free port), ``pty`` or ``file:PATH``.

    Raises
    ------
    UsageError
        The name is not of these, or the port or file cannot be had.
    """
    kind, _, rest = text.partition(":")
    if kind == "tcp":
        return TcpOutlet(_port(rest, text))
    if kind == "file" and rest:
        return FileOutlet(Path(rest))
    if text == "pty":
        # Pseudo-terminals are POSIX only: the import waits until one is wanted.
        from livesense.pty_outlet import open_pty

        return open_pty()
    raise UsageError(f"outlet: expected tcp:PORT, pty or file:PATH, got {text!r}; tcp:0 takes any free port")


def _port(rest: str, text: str) -> int:
    if rest.isascii() and rest.isdigit() and int(rest) <= 65535:
        return int(rest)
    raise UsageError(
        f"outlet: expected tcp:PORT with a port from 0 to 65535, got {text!r}; tcp:0 takes any free port"
    )


class TcpOutlet:
    """Serves one receiver at a time on the loopback interface; the next waits its turn."""

    def __init__(self, port: int) -> None:
        self.dropped_bytes = 0
        self._pending = bytearray()
        self._client: socket.socket | None = None
        self._listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            # Windows: without this another program could take the same port; elsewhere a port
            # that was in use a moment ago must be free again.
            exclusive = getattr(socket, "SO_EXCLUSIVEADDRUSE", None)
            self._listener.setsockopt(socket.SOL_SOCKET, exclusive or socket.SO_REUSEADDR, 1)
            self._listener.bind(("127.0.0.1", port))
            self._listener.listen(4)
        except OSError as error:
            self._listener.close()
            raise UsageError(
                f"outlet tcp:{port}: expected a free port, got {error.strerror or error}; "
                "choose another, or tcp:0"
            ) from error
        self._listener.setblocking(False)
        self.address = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"

    def wait_for_receiver(self, stop: threading.Event) -> bool:
        """Wait until a receiver has connected."""
        while not stop.is_set():
            if self._accept(_POLL_S):
                return True
        return False

    def _accept(self, wait_s: float) -> bool:
        if self._client is not None:
            return True
        ready, _, _ = select.select([self._listener], [], [], wait_s)
        if not ready:
            return False
        try:
            client, _ = self._listener.accept()
        except OSError:
            return False
        client.setblocking(False)
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._client = client
        self._pending.clear()
        return True

    def send(self, data: bytes, stop: threading.Event, *, patient: bool) -> None:
        """Send a burst; without a receiver it is dropped, or waits for the next if patient."""
        if patient and not self.wait_for_receiver(stop):
            return
        full = not patient and len(self._pending) + len(data) > BACKLOG_BYTES
        if full or not self._accept(0.0):
            self.dropped_bytes += len(data)
            return
        self._pending += data
        self._push()
        while patient and self._pending and not stop.is_set():
            self._push(_POLL_S)

    def _push(self, wait_s: float = 0.0) -> None:
        client = self._client
        if client is None:
            self._pending.clear()
            return
        try:
            readable, writable, _ = select.select([client], [client], [], wait_s)
            # Whatever a receiver says is not listened to; only its leaving matters.
            if readable and not client.recv(4096):
                raise ConnectionResetError
            if writable and self._pending:
                sent = client.send(self._pending)
                del self._pending[:sent]
        except (BlockingIOError, InterruptedError):
            return
        except OSError:
            self._leave()

    def _leave(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None
        self._pending.clear()

    def close(self, stop: threading.Event) -> None:
        """Send what is left, say that there is no more, close."""
        give_up_s = time.monotonic() + _DRAIN_S
        while self._pending and not stop.is_set() and time.monotonic() < give_up_s:
            self._push(_POLL_S)
        if self._client is not None:
            with contextlib.suppress(OSError):
                self._client.shutdown(socket.SHUT_WR)
        self._leave()
        self._listener.close()


class FileOutlet:
    """Writes the stream into a file."""

    def __init__(self, path: Path) -> None:
        self.dropped_bytes = 0
        self.address = f"file:{path}"
        try:
            self._stream = open(path, "wb")
        except OSError as error:
            raise UsageError(
                f"outlet file:{path}: expected a file that can be written, got {error.strerror or error}; "
                "choose another path"
            ) from error

    def wait_for_receiver(self, stop: threading.Event) -> bool:
        """Go on at once: a file is always there."""
        return not stop.is_set()

    def send(self, data: bytes, stop: threading.Event, *, patient: bool) -> None:
        """Write a burst."""
        self._stream.write(data)
        if not patient:
            self._stream.flush()

    def close(self, stop: threading.Event) -> None:
        """Close the file."""
        self._stream.close()
