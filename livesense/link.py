"""Bytes from a port, a socket, a file or a pipe, read by a thread that does nothing else.

A thread (:class:`LinkReader`) opens the address, reads large pieces with short
waits, stamps each with both clocks and puts it in a bounded queue. It never
decodes, so that a busy worker cannot make the operating system's small receive
buffer overflow. When the port vanishes it says so, keeps what came, and tries
again with growing pauses.

Addresses: a device name (``COM5``, ``/dev/ttyACM0``), ``socket://host:port``,
``rfc2217://host:port``, ``file:PATH`` and ``-`` for standard input.
"""

from __future__ import annotations

import contextlib
import os
import re
import select
import socket
import sys
import threading
import time
from collections import deque
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from livesense.errors import LinkError
from livesense.samples import Arrival

if TYPE_CHECKING:
    import serial

READ_SIZE = 1 << 16
"""Bytes asked for at once."""

READ_WAIT_S = 0.1
"""Longest wait for a byte; short, so that stopping and unplugging are seen soon."""

SMALL_READ = 2048
"""A read of fewer bytes has emptied the system's buffer; more bytes take a while to come."""

GATHER_WAIT_S = 0.004
"""Pause after a small read, so that a slow trickle does not cost a wake-up per byte."""

QUEUE_LIMIT_BYTES = 64 << 20
"""What may wait for the worker: twenty seconds of a 3 MB/s stream."""

PUSH_BACK_S = 1.0
"""How long a source that pushes back (socket, pty) waits for a full queue before bytes are dropped."""

RETRY_FIRST_S = 0.1
RETRY_LONGEST_S = 2.0

WINDOWS_RECEIVE_BUFFER = 1 << 20
"""Windows opens ports with 4096 bytes, which is 14 ms at 3 MBd."""


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
    """Nothing more will come. ``error`` is None at an ordinary end."""

    error: str | None


LinkItem = Chunk | LinkDown | LinkUp | Overflow | LinkEnd


@dataclass(frozen=True, slots=True)
class Address:
    """A parsed address: ``kind`` is device, socket, rfc2217, file or stdin."""

    kind: str
    text: str
    host: str = ""
    port: int = 0
    given: str = ""
    """The address as the user wrote it."""

    @property
    def has_clock(self) -> bool:
        """Whether bytes arrive when they are made; a file's do not."""
        return self.kind in {"device", "socket", "rfc2217"}


def parse_address(text: str) -> Address:
    """Tell what kind of address this is.

    Raises
    ------
    LinkError
        for a scheme that is not served, or a host or port that is missing.
    """
    if not text or "\0" in text:
        raise LinkError(
            'expected a port such as "COM5", "/dev/ttyACM0" or "socket://host:port", got nothing; '
            "`livesense ports` lists what is there"
        )
    if text == "-":
        return Address("stdin", text, given=text)
    if text.startswith("file:"):
        path = text[len("file:") :]
        if not path:
            raise LinkError(f'expected a path after "file:", got {text!r}')
        return Address("file", path, given=text)
    scheme = re.match(r"([A-Za-z][A-Za-z0-9+.-]*)://", text)
    if scheme is None:
        return Address("device", text, given=text)
    kind = scheme.group(1).lower()
    if kind not in {"socket", "rfc2217"}:
        raise LinkError(f"expected a device name, socket://, rfc2217://, file:PATH or -, got {text!r}")
    rest = text[scheme.end() :]
    match = re.fullmatch(r"(\[[0-9A-Fa-f:.%]+\]|[^\s:/?#@\[\]]+):([0-9]{1,5})/?", rest)
    if match is None or not 0 < int(match.group(2)) < 65536:
        raise LinkError(f"expected {kind}://host:port and nothing after it, got {text!r}")
    return Address(kind, text, match.group(1).strip("[]"), int(match.group(2)), text)


class _Source(Protocol):
    pushes_back: bool

    def read(self) -> bytes | None:
        """Return bytes, ``b""`` when none came in time, None at the end; OSError when the port vanished."""

    def close(self) -> None: ...


class _FileSource:
    pushes_back = True

    def __init__(self, path: str) -> None:
        self._file = Path(path).open("rb", buffering=0)

    def read(self) -> bytes | None:
        return self._file.read(READ_SIZE) or None

    def close(self) -> None:
        self._file.close()


class _StandardInput:
    pushes_back = True

    def read(self) -> bytes | None:
        # The descriptor, not sys.stdin: a read that still waits when the program ends would
        # hold the buffer's lock, and the interpreter dies of that. A pipe gives what it has.
        return os.read(sys.stdin.fileno(), READ_SIZE) or None

    def close(self) -> None:
        """Leave it open: it belongs to whoever started the program."""


class _SocketSource:
    """A plain TCP stream; a serial library's socket reader drops what it had gathered at the end."""

    pushes_back = True

    def __init__(self, address: Address) -> None:
        self._socket = socket.create_connection((address.host, address.port), timeout=3.0)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        # A peer that lost its power says nothing; without this the line would look quiet for ever.
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        self._socket.settimeout(READ_WAIT_S)

    def read(self) -> bytes | None:
        try:
            data = self._socket.recv(READ_SIZE)
        except TimeoutError:
            return b""
        return data or None

    def write(self, data: bytes) -> None:
        self._socket.sendall(data)

    def close(self) -> None:
        self._socket.close()


class _SerialSource:
    """A serial port through pyserial.

    On POSIX the descriptor is read directly: pyserial's ``read(n)`` throws away
    what it has gathered when the port vanishes in the middle.
    """

    def __init__(self, port: serial.SerialBase, address: str, *, descriptor: bool) -> None:
        self._port = port
        self._descriptor: int | None = None
        self.pushes_back = False
        if descriptor and os.name == "posix":
            self._descriptor = port.fileno()
            self.pushes_back = os.path.realpath(address).startswith(("/dev/pts/", "/dev/ttys"))

    def read(self) -> bytes | None:
        if self._descriptor is not None:
            ready, _, _ = select.select([self._descriptor], [], [], READ_WAIT_S)
            if not ready:
                return b""
            data = os.read(self._descriptor, READ_SIZE)
            if not data:
                raise OSError("the port hung up")
            return data if len(data) < SMALL_READ else self._gather(data)
        waiting = self._port.in_waiting
        return bytes(self._port.read(min(max(1, waiting), READ_SIZE)))

    def _gather(self, data: bytes) -> bytes:
        """Read on while more is there: the system hands over a few kilobytes at a time."""
        assert self._descriptor is not None
        pieces, size = [data], len(data)
        while size < READ_SIZE:
            try:
                # pyserial opens ports non-blocking; a port that vanished fails again at the next read.
                piece = os.read(self._descriptor, READ_SIZE)
            except OSError:
                break
            if not piece:
                break
            pieces.append(piece)
            size += len(piece)
        return b"".join(pieces)

    def write(self, data: bytes) -> None:
        self._port.write(data)

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._port.close()


@dataclass(frozen=True, slots=True)
class SendSettings:
    """What may be sent or set when a port opens; nothing unless the user allowed it."""

    on_open: str | None = None
    dtr: bool | None = None
    rts: bool | None = None

    def __bool__(self) -> bool:
        return bool(self.on_open) or self.dtr is not None or self.rts is not None


NOTHING_SENT = SendSettings()


def _open_serial(address: Address, baud: int, send: SendSettings) -> _SerialSource:
    import serial

    port = serial.serial_for_url(address.text, do_not_open=True)
    try:
        port.baudrate = baud
        port.timeout = 0.01
        if address.kind == "device":
            if os.name == "posix":
                port.exclusive = True
            if send.dtr is not None:
                port.dtr = send.dtr
            if send.rts is not None:
                port.rts = send.rts
        port.open()
        if os.name == "nt" and address.kind == "device":  # pragma: no cover - Windows only
            port.set_buffer_size(rx_size=WINDOWS_RECEIVE_BUFFER)
        return _SerialSource(port, address.text, descriptor=address.kind == "device")
    except Exception as error:
        # Besides OSError: a port that vanishes while it is opened gives termios.error, which is none.
        with contextlib.suppress(Exception):
            port.close()
        raise LinkError(_explain(address, error)) from error


def _explain(address: Address, error: Exception) -> str:
    """Say what stands in the way of opening a port, and what to do about it."""
    text = str(error)
    number = getattr(error, "errno", None)
    lead = f"cannot open {address.text!r}"
    if number == 2 or "FileNotFoundError" in text or "No such file" in text:
        return f"{lead}: there is no such port; plug the board in, or choose one from `livesense ports`"
    if number == 13 or "PermissionError" in text or "Permission denied" in text:
        if os.name == "nt":  # pragma: no cover - Windows only
            return f"{lead}: another program holds it; close that program first"
        return (
            f"{lead}: no permission; on Linux add yourself to the port's group "
            f"(often dialout or uucp: see `ls -l {address.text}`) and log in again"
        )
    if "lock" in text.lower() or "busy" in text.lower() or number in {11, 16}:
        return f"{lead}: another program holds it; close that program first"
    if "refused" in text.lower():
        return f"{lead}: nothing listens there; start the sender first, or use --wait"
    return f"{lead}: {text}"


def _open(address: Address, baud: int, send: SendSettings) -> _Source:
    source: _SocketSource | _SerialSource
    if address.kind == "stdin":
        return _StandardInput()
    if address.kind == "file":
        try:
            return _FileSource(address.text)
        except OSError as error:
            raise LinkError(f"cannot read the file {address.text!r}: {error.strerror or error}") from error
    if address.kind == "socket":
        try:
            source = _SocketSource(address)
        except OSError as error:
            raise LinkError(_explain(address, error)) from error
    else:
        source = _open_serial(address, baud, send)
    if send.on_open:
        try:
            source.write(send.on_open.encode())
        except OSError as error:
            source.close()
            raise LinkError(_explain(address, error)) from error
    return source


def arrival_now() -> Arrival:
    """Read both clocks; where the system has one, the clock that goes on while it sleeps."""
    boot_clock = getattr(time, "CLOCK_BOOTTIME", None)
    if boot_clock is None:
        return Arrival(time.monotonic(), time.time())
    return Arrival(time.clock_gettime(boot_clock), time.time(), counts_sleep=True)


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
        self._thread = threading.Thread(target=self._run, name="livesense-link", daemon=True)

    def start(self) -> None:
        """Start reading."""
        self._thread.start()

    def stop(self) -> None:
        """Stop reading and close the port; what was read stays in the queue."""
        self._stop.set()
        # Standard input may block for ever in read(); the thread is a daemon, so do not wait long for it.
        self._thread.join(timeout=5.0 if self._address.kind != "stdin" else 0.3)

    def _run(self) -> None:
        try:
            self._serve()
        except LinkError as error:
            self._queue.put(LinkEnd(str(error)))
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

    def _open_patiently(self, *, first: bool) -> _Source | None:
        pause_s = RETRY_FIRST_S
        while not self._stop.is_set():
            try:
                return _open(self._address, self._baud, self._send)
            except LinkError:
                if first and not self._wait:
                    raise
            self._stop.wait(pause_s)
            pause_s = min(2 * pause_s, RETRY_LONGEST_S)
        return None

    def _drain(self, source: _Source) -> str | None:
        """Read until the port closes (returns why) or a stop is asked (returns None)."""
        has_clock = self._address.has_clock
        wait_s = PUSH_BACK_S if source.pushes_back else 0.0
        while not self._stop.is_set():
            try:
                data = source.read()
            except OSError as error:
                return f"the port vanished: {error.strerror or error}"
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


@dataclass(frozen=True, slots=True)
class PortRow:
    """One port that the system lists."""

    device: str
    description: str
    usb_id: str | None
    serial_number: str | None
    location: str | None


def list_ports() -> list[PortRow]:
    """Ports of this computer, with what the system knows of each."""
    from serial.tools.list_ports import comports

    return [
        PortRow(
            device=port.device,
            description=port.description if port.description not in {None, "n/a"} else "",
            usb_id=None if port.vid is None else f"{port.vid:04x}:{port.pid:04x}",
            serial_number=port.serial_number,
            location=port.location,
        )
        for port in sorted(comports(), key=lambda port: port.device)
    ]
