"""How much of a link a stream of scans takes, by the formulas of docs/wire.md; pure functions.

Sizes are worst cases: real streams are never larger, and packets without a zero byte are exactly as large.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

LARGEST_PACKET = 4096
"""Bytes of a framed packet before stuffing, and of a record."""

HEAD = 6
"""Bytes of a packet of scans before its codes: kind, group, counter."""
CRC = 2
DELIMITER = 1

USUAL_CODES = 240
"""Bytes of codes in a packet where nothing else is asked for: with these it is stuffed with one byte."""
LONGEST_WAIT_S = 0.05
"""A packet that is longer on the way makes a live picture stutter (common practice, no source)."""

LEFT_OVER = 0.1
"""Part of a link that is left for notes, retries and clocks that are off (common practice, no source)."""

BITS_PER_BYTE = 10
"""Start bit, eight data bits, no parity, one stop bit."""

CODE_BITS = {"u16": 16, "i16": 16, "i32": 32, "u12": 12}


@dataclass(frozen=True, slots=True)
class Link:
    """What bytes go through; ``baud`` is None where it means nothing (USB)."""

    name: str
    baud: int | None
    bytes_per_s: float


def serial_link(baud: int) -> Link:
    """Name a serial line; it carries a tenth of its baud rate in bytes a second."""
    return Link(f"{baud} Bd", baud, baud / BITS_PER_BYTE)


# What a virtual serial port leaves of 12 and 480 Mbit/s (common practice, no source).
USB_FULL_SPEED = Link("USB full speed", None, 1e6)
USB_HIGH_SPEED = Link("USB high speed", None, 40e6)

LINKS = (
    *map(serial_link, (115_200, 230_400, 460_800, 921_600, 2_000_000, 3_000_000)),
    USB_FULL_SPEED,
    USB_HIGH_SPEED,
)
"""From the slowest to the fastest; the usual rates of serial adapters (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Stream:
    """One group of channels on the wire.

    Attributes
    ----------
    wire
        ``framed``, ``text`` or ``record``.
    rate_hz
        Scans a second.
    code
        ``u16``, ``i16``, ``i32`` or ``u12``. On the text wire only its sign counts; records
        are not packed, ``u12`` takes two bytes there.
    bits
        Width of the ADC's codes: gives their digits on the text wire.
    scans
        In one packet or record; 0: the usual ones (:func:`usual_scans`).
    """

    wire: str = "framed"
    channels: int = 4
    rate_hz: float = 20_000.0
    code: str = "u16"
    bits: int = 12
    scans: int = 0


def code_bytes(code: str, codes: int) -> int:
    """Bytes of so many codes in one packet: ``u12`` takes three for two, and two for an odd last one."""
    return (3 * codes + 1) // 2 if code == "u12" else codes * CODE_BITS[code] // 8


def stuffing_bytes(packet: int) -> int:
    """Bytes that stuffing adds at most: one for every 254 or part of them (Cheshire and Baker, 1999)."""
    return max(1, math.ceil(packet / 254))


def frame_bytes(body: int) -> int:
    """Bytes of a whole frame with so many between kind and CRC, worst case."""
    packet = 1 + body + CRC
    return packet + stuffing_bytes(packet) + DELIMITER


def description_bytes(channels: int) -> int:
    """Bytes allowed for a description's frame: one group, names of up to 8 characters, device, boot."""
    return frame_bytes(160 + 12 * channels)


def digits(bits: int, *, signed: bool = False) -> int:
    """Most characters of a code in decimal, its sign included."""
    return len(str(-(1 << (bits - 1)))) if signed else len(str((1 << bits) - 1))


def text_line_bytes(values: int, each: int, *, counter: bool = True, checksum: bool = False) -> int:
    r"""Most bytes of a line of the text wire, closed by CR LF.

    Parameters
    ----------
    values, each
        Values in the line, and the characters of each.
    counter
        Whether the counter ``n`` stands in front, with up to ten digits.
    checksum
        Whether ``*hh`` stands at the end.
    """
    fields = values * each + (10 if counter else 0)
    separators = values - (not counter)
    return fields + separators + (3 if checksum else 0) + 2


def record_bytes(codes: int, *, sync: int = 2, counter: int = 1, check: int = 2) -> int:
    """Bytes of a record around its codes; by default with two of sync, ``n:u8`` and 16 bits of CRC."""
    return sync + counter + codes + check


def usual_scans(stream: Stream) -> int:
    """Count the scans of a packet where no number is asked for: what 240 bytes hold, at most 50 ms."""
    if stream.wire != "framed":
        return 1
    return max(1, min(_held(stream, USUAL_CODES), int(stream.rate_hz * LONGEST_WAIT_S)))


def largest_scans(stream: Stream) -> int:
    """Most scans that a packet, a record or a line holds; 0 where it does not hold a single one."""
    if stream.wire == "framed":
        return _held(stream, LARGEST_PACKET - HEAD - CRC)
    if stream.wire == "record":
        return (LARGEST_PACKET - record_bytes(0)) // _codes(replace(stream, scans=1))
    return 1


def _held(stream: Stream, room: int) -> int:
    return room * 8 // CODE_BITS[stream.code] // stream.channels


def _codes(stream: Stream) -> int:
    """Bytes of the codes in one packet or record."""
    packed = stream.wire == "framed" or stream.code != "u12"
    return code_bytes(stream.code if packed else "u16", stream.channels * stream.scans)


def packet_bytes(stream: Stream) -> int:
    """Bytes on the line of one packet, record or line with ``scans`` scans, worst case."""
    if stream.wire == "text":
        each = digits(stream.bits, signed=stream.code.startswith("i"))
        return text_line_bytes(stream.channels, each)
    if stream.wire == "record":
        return record_bytes(_codes(stream))
    return frame_bytes(HEAD - 1 + _codes(stream))


@dataclass(frozen=True, slots=True)
class Budget:
    """What a stream takes of a link.

    Attributes
    ----------
    stream
        With the scans that a packet has.
    packet_bytes
        On the line, for a packet, record or line.
    other_bytes_per_s
        Beside the scans: the description, once a second.
    """

    stream: Stream
    link: Link
    packet_bytes: int
    other_bytes_per_s: float

    @property
    def bytes_per_scan(self) -> float:
        """Bytes on the line for one scan, its share of the packet included."""
        return self.packet_bytes / self.stream.scans

    @property
    def packets_per_s(self) -> float:
        """Packets, records or lines a second."""
        return self.stream.rate_hz / self.stream.scans

    @property
    def bytes_per_s(self) -> float:
        """All that goes over the line."""
        return self.stream.rate_hz * self.bytes_per_scan + self.other_bytes_per_s

    @property
    def used(self) -> float:
        """Part of the link that is taken: 1 is all of it."""
        return self.bytes_per_s / self.link.bytes_per_s

    @property
    def fits(self) -> bool:
        """Whether all of it passes."""
        return self.used <= 1

    @property
    def leaves_some(self) -> bool:
        """Whether it passes with a tenth left over."""
        return self.used <= 1 - LEFT_OVER


def budget(stream: Stream, link: Link) -> Budget:
    """Reckon a stream against a link.

    Raises
    ------
    ValueError
        where a packet does not hold so many channels and scans.
    """
    most = largest_scans(stream)
    scans = stream.scans or usual_scans(stream)
    if scans > most:
        raise ValueError(
            f"expected at most {LARGEST_PACKET} bytes in a {'line' if stream.wire == 'text' else 'packet'}, "
            + (f"which hold {most} scans of {stream.channels} channels" if most else "which hold no scan")
            + f"; got {scans} scans"
        )
    whole = replace(stream, scans=scans)
    other = description_bytes(stream.channels) if stream.wire == "framed" else 0
    return Budget(whole, link, packet_bytes(whole), float(other))


def highest_rate_hz(stream: Stream, link: Link, part: float = 1.0) -> float:
    """Highest scan rate that takes no more than this part of the link; 0 where none does.

    Without ``scans`` the packets grow with the rate, as those of :func:`usual_scans` do.
    """
    other = budget(replace(stream, rate_hz=1.0), link).other_bytes_per_s
    left = max(0.0, part * link.bytes_per_s - other)
    choices = [stream.scans]
    if not stream.scans:
        choices = list(range(usual_scans(replace(stream, rate_hz=1e12)), 0, -1))
    for scans in choices:
        rate = left * scans / packet_bytes(replace(stream, scans=scans))
        if stream.scans or scans <= max(1, int(rate * LONGEST_WAIT_S)):
            break
    return rate


@dataclass(frozen=True, slots=True)
class Advice:
    """What would fit with a tenth left over, each by itself; None where nothing of the kind does."""

    link: Link | None
    channels: int | None
    rate_hz: float
    scans: int | None
    code: str | None


def advice(stream: Stream, link: Link) -> Advice:
    """Look for the nearest streams and links that fit."""

    def fit(one: Stream, through: Link = link) -> bool:
        return budget(one, through).leaves_some

    fewer = (count for count in range(stream.channels - 1, 0, -1) if fit(replace(stream, channels=count)))
    usual = usual_scans(stream)
    packed = stream.wire == "framed" and stream.code == "u16" and stream.bits <= 12
    return Advice(
        link=next((other for other in LINKS if fit(stream, other)), None),
        channels=next(fewer, None),
        rate_hz=highest_rate_hz(stream, link, 1 - LEFT_OVER),
        scans=usual if stream.scans and usual > stream.scans and fit(replace(stream, scans=0)) else None,
        code="u12" if packed and fit(replace(stream, code="u12")) else None,
    )
