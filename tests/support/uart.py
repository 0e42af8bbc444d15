"""A UART bit by bit: what a receiver hears of a line that is sent at another rate.

The receiver is the textbook one (common practice, no source; real ones differ in details): it waits for a
falling edge, looks whether the line is still low half a bit later, takes eight bits in their middles,
and the stop bit. A stop bit that is low is a framing error: the byte is handed on all the same, and the
receiver waits for the line to rise. It looks at the line sixteen times a bit.
"""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import dataclass

OVERSAMPLING = 16


@dataclass(frozen=True)
class Received:
    """Bytes as they came, and how many of them had no stop bit."""

    data: bytes
    framing_errors: int


def levels(packets: Iterable[bytes], idle_bits: int = 40, seed: int = 1) -> list[int]:
    """Levels of the line, one for each bit that is sent (8N1), and a pause of some behind each packet."""
    rng = random.Random(seed)
    line = [1] * 20
    for packet in packets:
        for byte in packet:
            line += [0, *((byte >> n) & 1 for n in range(8)), 1]
        line += [1] * rng.randint(0, idle_bits)
    return line + [1] * 20


def receive(line: list[int], sent_baud: float, heard_baud: float, seed: int = 2) -> Received:
    """What a receiver at ``heard_baud`` makes of levels that were sent at ``sent_baud``."""
    rng = random.Random(seed)
    bit = sent_baud / heard_baud
    length = len(line)
    falls = [n for n in range(1, length) if line[n - 1] and not line[n]]
    data = bytearray()
    errors = 0
    at_s = 0.0
    for fall in falls:
        if fall < at_s:
            continue
        # An edge is seen at the next look, which comes up to a sixteenth of a bit later.
        begin = fall + rng.random() * bit / OVERSAMPLING

        def level(place: float, begin: float = begin) -> int:
            return line[min(int(begin + place * bit), length - 1)]

        if level(0.5):
            at_s = begin + 0.5 * bit
            continue
        data.append(sum(level(1.5 + n) << n for n in range(8)))
        errors += not level(9.5)
        at_s = begin + 9.5 * bit
    return Received(bytes(data), errors)


def resampled(packets: Iterable[bytes], sent_baud: float, heard_baud: float, idle_bits: int = 40) -> Received:
    """Packets sent at one rate and heard at another."""
    return receive(levels(packets, idle_bits), sent_baud, heard_baud)
