"""Scans of the framed wire whose device describes nothing: code type and channels, told from the packets.

Counters tell how many scans a packet holds, so its bytes leave few ways to cut it: the one in which channels
move least from scan to scan is taken (as in :mod:`livesense.identify.columns`).
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livesense.identify.columns import movement_bits, signed, signed_is_closer
from livesense.samples import CodeType
from livesense.wire.packing import unpack_rows

HEADER = 6
"""Bytes in front of the codes: kind, group, counter."""

FEWEST_PACKETS = 8
MOST_PACKETS, STRETCHES = 400, 8
LEAST_LEAD = 0.5
"""Bits for each channel by which the next way to read the packets must do worse."""

_FIELD_BITS = 1.2
"""Price of one more channel."""

MOST_SCANS, MOST_CHANNELS = 4096, 24

_WIDTHS = {CodeType.U16: 2, CodeType.I16: 2, CodeType.I32: 4}


@dataclass(frozen=True, slots=True)
class FoundGroup:
    """One group: how its codes are sent, in how many channels.

    ``scans`` are those of most packets, ``counted`` those that its counters went through, ``sure`` that no
    other way to read it does as well.
    """

    number: int
    code: CodeType
    channels: int
    scans: int
    packets: int
    counted: int
    sure: bool

    def rate_hz(self, seconds: float) -> float:
        """Scan rate, by the time that the packets took to come."""
        return self.counted / seconds


def find_groups(packets: Sequence[bytes]) -> list[FoundGroup]:
    """Tell the groups of packets of scans, kind byte and all, in the order they came."""
    by_group: dict[int, list[bytes]] = defaultdict(list)
    for packet in packets:
        if len(packet) > HEADER:
            by_group[packet[1]].append(packet)
    return [found for n in sorted(by_group) if (found := _group(n, by_group[n])) is not None]


def _group(number: int, packets: list[bytes]) -> FoundGroup | None:
    if len(packets) < FEWEST_PACKETS:
        return None
    last, first = (int.from_bytes(packet[2:HEADER], "little") for packet in (packets[-1], packets[0]))
    counted = (last - first) & 0xFFFFFFFF
    packets = _some(packets)
    counters = np.array([int.from_bytes(packet[2:HEADER], "little") for packet in packets], dtype=np.int64)
    # A packet goes on where the one before ended; where one was lost it seems to hold more.
    steps = np.diff(counters) & 0xFFFFFFFF
    held = [(packet[HEADER:], int(step)) for packet, step in zip(packets, steps.tolist(), strict=False)]
    held = [(body, step) for body, step in held if 0 < step <= MOST_SCANS]
    ways = sorted(_ways(held), key=lambda way: way[0])
    if not ways:
        return None
    price, code, channels, fitting = ways[0]
    sure = all(other[0] - price > LEAST_LEAD * channels for other in ways[1:])
    scans = Counter(step for _, step in held).most_common(1)[0][0]
    return FoundGroup(number, code, channels, scans, fitting, counted, sure)


def _some(packets: list[bytes]) -> list[bytes]:
    """Take packets from all over the stream, as neighbours: a motor may stand at first, and run later."""
    if len(packets) <= MOST_PACKETS:
        return packets
    each = MOST_PACKETS // STRETCHES
    begins = np.linspace(0, len(packets) - each, STRETCHES).astype(int)
    return [packet for begin in begins for packet in packets[begin : begin + each]]


def _ways(held: list[tuple[bytes, int]]) -> Iterator[tuple[float, CodeType, int, int]]:
    """Give ways to read packets ``(codes, scans)``: price in bits a scan, code type, channels, packets."""
    for code in (CodeType.U16, CodeType.I32, CodeType.U12):
        for channels in range(1, MOST_CHANNELS + 1):
            fitting = [body for body, scans in held if len(body) == _size(code, channels * scans)]
            if len(fitting) < max(FEWEST_PACKETS - 1, len(held) / 2):
                continue
            if code is CodeType.U12 and all(len(body) == 2 for body in fitting):
                # Two bytes say nothing of packing.
                continue
            rows = np.concatenate([_codes(body, code, channels) for body in fitting]).astype(np.int64)
            if code is CodeType.U12 and not any(byte & 0xF0 for body in fitting for byte in body[1::2]):
                # Every second byte empty above: 16-bit codes of a smaller ADC.
                continue
            width = 4 if code is CodeType.I32 else 2
            flat = [column & ((1 << (8 * width)) - 1) for column in rows.T]
            price = sum(min(movement_bits(value, width), 8.0 * width) + _FIELD_BITS for value in flat)
            told = CodeType.I16 if code is CodeType.U16 and _negative(flat) else code
            yield price, told, channels, len(fitting)


def _size(code: CodeType, codes: int) -> int:
    if code is CodeType.U12:
        return 3 * (codes // 2) + 2 * (codes % 2)
    return _WIDTHS[code] * codes


def _codes(body: bytes, code: CodeType, channels: int) -> NDArray[np.int64]:
    row = np.frombuffer(body, dtype=np.uint8).reshape(1, -1).copy()
    return unpack_rows(row, code).reshape(-1, channels).astype(np.int64)


def _negative(columns: list[NDArray[np.int64]]) -> bool:
    """Whether all channels together go less far as two's complement than as counted from zero."""
    moved = [(np.abs(np.diff(signed(value, 2))).sum(), np.abs(np.diff(value)).sum()) for value in columns]
    as_signed, plain = (sum(int(way[k]) for way in moved) for k in (0, 1))
    if as_signed == plain:
        return all(bool(signed_is_closer(value, 2)) for value in columns)
    return as_signed < plain
