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

BACKLOG_S = 0.2
FEWEST_READS = 5

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
        arrivals: list[tuple[float, int]] = []
        end_s = time.monotonic() + seconds
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
                pieces.append(data)
                size += len(data)
                arrivals.append((time.monotonic(), size))
        bytes_per_s = probe_rate(arrivals) if self._address.has_clock else None
        took_s = size / bytes_per_s if bytes_per_s else None
        return Heard(b"".join(pieces), took_s, self._baud, self.closed)


def probe_rate(arrivals: Sequence[tuple[float, int]]) -> float | None:
    """Fit bytes per second to what had come by when; None where that tells nothing.

    What had waited in buffers comes at once and is left out: it was sent before the clock ran. A line
    through all the rest does not depend on which burst came last.
    """
    if not arrivals:
        return None
    settled = [a for a in arrivals if a[0] >= arrivals[0][0] + BACKLOG_S]
    used = settled if len(settled) >= FEWEST_READS else arrivals
    mean_s = sum(t for t, _ in used) / len(used)
    mean = sum(size for _, size in used) / len(used)
    squares = sum((t - mean_s) ** 2 for t, _ in used)
    slope = sum((t - mean_s) * (size - mean) for t, size in used) / squares if squares > 0 else 0.0
    return slope if slope > 0 else None


def baud_order(given: int | None) -> Sequence[int]:
    """Rates to try: the given one alone, or the likely ones."""
    return (given,) if given is not None else LIKELY_BAUDS
