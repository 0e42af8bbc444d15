"""What a serial driver counts of broken bytes, where the system tells: Linux, for most real ports."""

from __future__ import annotations

import struct
from dataclasses import dataclass

COUNTERS = 20
"""Integers of Linux's ``struct serial_icounter_struct`` (include/uapi/linux/serial.h)."""

FRAMING, OVERRUN, PARITY, BREAK, BUFFER = 6, 7, 8, 9, 10
"""Which of them are which."""


@dataclass(frozen=True, slots=True)
class LineErrors:
    """Bytes without a stop bit, breaks, and bytes that the adapter or the system lost."""

    framing: int = 0
    breaks: int = 0
    overruns: int = 0

    def since(self, before: LineErrors) -> LineErrors:
        """Give what came since an earlier count."""
        return LineErrors(
            self.framing - before.framing, self.breaks - before.breaks, self.overruns - before.overruns
        )


def read_line_errors(descriptor: int) -> LineErrors | None:
    """Ask the driver; None where it does not tell."""
    try:
        import fcntl
        import termios

        answer = fcntl.ioctl(descriptor, termios.TIOCGICOUNT, bytes(4 * COUNTERS))  # type: ignore[attr-defined,unused-ignore]
    except (ImportError, AttributeError, OSError):
        return None
    counts = struct.unpack(f"={COUNTERS}i", answer)
    return LineErrors(counts[FRAMING], counts[BREAK], counts[OVERRUN] + counts[BUFFER])
