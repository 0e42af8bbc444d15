"""A short listen: bytes from a link for some seconds, without a logbook."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass

from livesense.errors import LinkError
from livesense.link.address import Address
from livesense.link.sources import NOTHING_SENT, SerialSource, Source, open_source

LIKELY_BAUDS = (
    115200, 921600, 3_000_000, 2_000_000, 1_000_000, 460800, 500_000, 230400, 250_000, 1_500_000, 57600,
    38400, 19200, 9600,
)  # fmt: skip
"""Rates that firmware uses, the likeliest first (common practice, no source)."""

MOST_BYTES = 8 << 20
"""Bytes kept of one listen."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What came: ``seconds`` is how long the bytes took, None where there is no clock (a file or a pipe)."""

    data: bytes
    seconds: float | None
    baud: int | None
    closed: bool


class Probe:
    """An open link that is listened to in stretches.

    The port stays open between them, since opening one may reset the board.

    Raises
    ------
    LinkError
        It cannot be opened; says what stands in the way and what to do.
    """

    def __init__(self, address: Address, baud: int) -> None:
        self._address = address
        self._baud: int | None = baud
        self._source: Source = open_source(address, baud, NOTHING_SENT)
        self.closed = False
        # A pseudo-terminal and everything but a device carries bytes at whatever speed.
        self.has_baud = isinstance(self._source, SerialSource) and not self._source.pushes_back
        if not self.has_baud:
            self._baud = None

    def __enter__(self) -> Probe:
        return self

    def __exit__(self, *_: object) -> None:
        self._source.close()

    def set_baud(self, baud: int) -> None:
        """Listen at another rate from now on, and forget what came at the one before."""
        if self.has_baud and isinstance(self._source, SerialSource):
            self._source.set_baud(baud)
            self._baud = baud

    def listen(self, seconds: float) -> Heard:
        """Gather bytes for some seconds, or until the link ends or enough came."""
        pieces: list[bytes] = []
        size = 0
        first_s = last_s = None
        end_s = time.monotonic() + seconds
        skipped = 0
        while size < MOST_BYTES and not self.closed and time.monotonic() < end_s:
            try:
                data = self._source.read()
            except OSError as error:
                if size:
                    self.closed = True
                    break
                raise LinkError(f"the port {self._address.given!r} went away: {error}") from error
            if data is None:
                self.closed = True
            elif data:
                now_s = time.monotonic()
                if first_s is None:
                    # What had waited in the system's buffers came before the clock ran.
                    first_s, skipped = now_s, len(data)
                last_s = now_s
                pieces.append(data)
                size += len(data)
        took_s = None
        if self._address.has_clock and first_s is not None and last_s is not None and size > skipped:
            took_s = (last_s - first_s) * size / (size - skipped)
        return Heard(b"".join(pieces), took_s, self._baud, self.closed)


def baud_order(given: int | None) -> Sequence[int]:
    """Rates to try: the given one alone, or the likely ones."""
    return (given,) if given is not None else LIKELY_BAUDS
