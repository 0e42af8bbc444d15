"""Opening an address, greeting what answers, and reading bytes from it."""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from livesense.errors import LinkError
from livesense.link.address import Address
from livesense.link.line_errors import LineErrors, read_line_errors

if TYPE_CHECKING:
    import serial

READ_SIZE = 1 << 16
"""Bytes asked for at once."""

READ_WAIT_S = 0.1
"""Longest wait for a byte; short, so that stopping and unplugging are seen soon."""

SMALL_READ = 2048
"""A read of fewer bytes has emptied the system's buffer; more bytes take a while to come."""

WINDOWS_RECEIVE_BUFFER = 1 << 20
"""Windows opens ports with 4096 bytes, which is 14 ms at 3 MBd."""


@dataclass(frozen=True, slots=True)
class SendSettings:
    """What may be sent or set when a port opens; nothing unless the user allowed it."""

    on_open: str | None = None
    dtr: bool | None = None
    rts: bool | None = None

    def __bool__(self) -> bool:
        return bool(self.on_open) or self.dtr is not None or self.rts is not None


NOTHING_SENT = SendSettings()


class Source(Protocol):
    """An open port: hands over bytes as they come."""

    pushes_back: bool
    """Whether the sender waits while nothing is read; a real port loses bytes instead."""

    def read(self) -> bytes | None:
        """Return bytes, ``b""`` when none came in time, None at the end; OSError when the port vanished."""

    def close(self) -> None:
        """Let go of the port."""


class FileSource:
    """A file, read once from its beginning."""

    pushes_back = True

    def __init__(self, path: str) -> None:
        self._file = Path(path).open("rb", buffering=0)

    def read(self) -> bytes | None:
        """See :class:`Source`."""
        return self._file.read(READ_SIZE) or None

    def close(self) -> None:
        """See :class:`Source`."""
        self._file.close()


class StandardInput:
    """What is piped in."""

    pushes_back = True

    def read(self) -> bytes | None:
        """See :class:`Source`."""
        # The descriptor, not sys.stdin: a read that still waits when the program ends would
        # hold the buffer's lock, and the interpreter dies of that. A pipe gives what it has.
        return os.read(sys.stdin.fileno(), READ_SIZE) or None

    def close(self) -> None:
        """Leave it open: it belongs to whoever started the program."""


class SocketSource:
    """A plain TCP stream; a serial library's socket reader drops what it had gathered at the end."""

    pushes_back = True

    def __init__(self, address: Address) -> None:
        self._socket = socket.create_connection((address.host, address.port), timeout=3.0)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        # A peer that lost its power says nothing; without this the line would look quiet for ever.
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        self._socket.settimeout(READ_WAIT_S)

    def read(self) -> bytes | None:
        """See :class:`Source`."""
        try:
            data = self._socket.recv(READ_SIZE)
        except TimeoutError:
            return b""
        return data or None

    def write(self, data: bytes) -> None:
        """Send bytes; OSError when they cannot be sent."""
        self._socket.sendall(data)

    def close(self) -> None:
        """See :class:`Source`."""
        self._socket.close()


def is_pseudo_terminal(name: str) -> bool:
    """Whether a device is a pseudo-terminal: it carries bytes at whatever speed."""
    return os.name == "posix" and os.path.realpath(name).startswith(("/dev/pts/", "/dev/ttys"))


class SerialSource:
    """A serial port through pyserial.

    On POSIX the descriptor is read directly: pyserial's ``read(n)`` throws away
    what it has gathered when the port vanishes in the middle.
    """

    def __init__(self, port: serial.SerialBase, address: str, *, descriptor: bool) -> None:
        self._port = port
        self._descriptor: int | None = None
        self._errors: LineErrors | None = None
        self.pushes_back = False
        if descriptor and os.name == "posix":
            self._descriptor = port.fileno()
            self.pushes_back = is_pseudo_terminal(address)
            self._errors = read_line_errors(self._descriptor)

    def read(self) -> bytes | None:
        """See :class:`Source`."""
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

    def line_errors(self) -> LineErrors | None:
        """Give what the driver counted since the port was opened; None where it does not tell."""
        if self._descriptor is None or self._errors is None:
            return None
        now = read_line_errors(self._descriptor)
        return None if now is None else now.since(self._errors)

    def write(self, data: bytes) -> None:
        """Send bytes; OSError when they cannot be sent."""
        self._port.write(data)

    def set_baud(self, baud: int) -> None:
        """Change the rate without closing the port, which might reset a board; drops what had come."""
        self._port.baudrate = baud
        self._port.reset_input_buffer()

    def close(self) -> None:
        """See :class:`Source`."""
        with contextlib.suppress(OSError):
            self._port.close()


def _open_serial(address: Address, baud: int, send: SendSettings) -> SerialSource:
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
        return SerialSource(port, address.text, descriptor=address.kind == "device")
    except Exception as error:
        # Besides OSError: a port that vanishes while it is opened gives termios.error, which is none.
        with contextlib.suppress(Exception):
            port.close()
        raise _explain(address, error) from error


UNKNOWN_HOST = ("Name or service not known", "nodename nor servname", "getaddrinfo failed", "name resolution")
"""What systems say of a name that they cannot resolve."""


def _trouble(address: Address, error: Exception) -> str:
    """Name what stands in the way of opening a port; empty for what is not known."""
    text = str(error)
    number = getattr(error, "errno", None)
    if isinstance(error, socket.gaierror) or any(sign in text for sign in UNKNOWN_HOST):
        return "unknown_host"
    unreachable = {errno.ENETUNREACH, errno.EHOSTUNREACH}
    if isinstance(error, TimeoutError) or number in unreachable or "timed out" in text:
        return "no_answer"
    if number == 2 or "FileNotFoundError" in text or "No such file" in text:
        return "missing"
    if number == 13 or "PermissionError" in text or "Permission denied" in text:
        # Windows says so of a port that is open elsewhere.
        return "busy" if os.name == "nt" and address.kind == "device" else "permission"
    if "lock" in text.lower() or "busy" in text.lower() or number in {11, 16}:
        return "busy"
    return "refused" if "refused" in text.lower() else ""


def _explain(address: Address, error: Exception) -> LinkError:
    """Say what stands in the way of opening a port, and what to do about it."""
    if address.kind == "device" and Path(address.text).is_dir():
        return LinkError(
            f"expected a port, got the folder {address.text!r}; `livesense ports` lists what is there"
        )
    if address.kind == "device" and Path(address.text).is_file():
        return LinkError(
            f"expected a port, got the file {address.text!r}; file:{address.text} reads it, "
            "and `livesense ports` lists the ports"
        )
    trouble = _trouble(address, error)
    what = {
        "missing": "there is no such port; plug the board in, or choose one from `livesense ports`",
        "permission": "no permission; on Linux add yourself to the port's group "
        f"(often dialout or uucp: see `ls -l {address.text}`) and log in again",
        "busy": "another program holds it; close that program first",
        "refused": "nothing listens there; start the sender first (`livesense record --wait` waits for it)",
        "unknown_host": f"no computer of the name {address.host!r} is known; correct it, or give its number",
        "no_answer": "no answer; is it switched on, and in this network?",
    }.get(trouble, str(error))
    return LinkError(f"cannot open {address.text!r}: {what}", trouble)


def open_source(address: Address, baud: int, send: SendSettings) -> Source:
    """Open an address, and send or set what may be.

    Raises
    ------
    LinkError
        It cannot be opened or greeted; says what stands in the way and what to do.
    """
    source: SocketSource | SerialSource
    if address.kind == "stdin":
        return StandardInput()
    if address.kind == "file":
        try:
            return FileSource(address.text)
        except OSError as error:
            raise LinkError(f"cannot read the file {address.text!r}: {error.strerror or error}") from error
    if address.kind == "socket":
        try:
            source = SocketSource(address)
        except OSError as error:
            raise _explain(address, error) from error
    else:
        source = _open_serial(address, baud, send)
    if send.on_open:
        try:
            source.write(send.on_open.encode())
        except OSError as error:
            source.close()
            raise _explain(address, error) from error
    return source
