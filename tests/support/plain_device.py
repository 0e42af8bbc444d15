"""A device written from the wire's description alone: slow, plain, and sharing no code with livesense.

It makes the bytes that a microcontroller would send, one byte at a time, so that
whole recordings can be held to content that is known beforehand.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

Scan = tuple[int, ...]


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740, bit by bit."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = ((crc << 1) ^ 0x1021) & 0xFFFF if crc & 0x8000 else (crc << 1) & 0xFFFF
    return crc


def stuff(data: bytes) -> bytes:
    """COBS (Cheshire & Baker 1999): the code byte tells how far the next zero is."""
    out = bytearray()
    block = bytearray()
    for byte in data:
        if byte == 0:
            out.append(len(block) + 1)
            out += block
            block.clear()
        else:
            block.append(byte)
            if len(block) == 254:
                out.append(255)
                out += block
                block.clear()
    out.append(len(block) + 1)
    out += block
    return bytes(out)


def frame(packet: bytes) -> bytes:
    return stuff(packet + crc16(packet).to_bytes(2, "little")) + b"\0"


def pack(codes: Sequence[int], code_type: str) -> bytes:
    if code_type == "u12":
        out = bytearray()
        for at in range(0, len(codes) - 1, 2):
            out += (codes[at] | codes[at + 1] << 12).to_bytes(3, "little")
        if len(codes) % 2:
            out += codes[-1].to_bytes(2, "little")
        return bytes(out)
    size = {"u16": 2, "i16": 2, "i32": 4}[code_type]
    return b"".join(code.to_bytes(size, "little", signed=code_type != "u16") for code in codes)


def scans_frame(group: int, first: int, scans: Sequence[Scan], code_type: str = "u16") -> bytes:
    codes = [code for scan in scans for code in scan]
    return frame(b"S" + bytes([group]) + (first % 2**32).to_bytes(4, "little") + pack(codes, code_type))


def description_frame(groups: Iterable[dict[str, Any]], **more: Any) -> bytes:
    return frame(b"D" + json.dumps({"livesense": 1, "groups": list(groups), **more}).encode())


def note_frame(text: str) -> bytes:
    return frame(b"N" + text.encode())


def group(
    channels: Sequence[str], rate_hz: float = 20000, code: str = "u16", bits: int = 12
) -> dict[str, Any]:
    return {"rate_hz": rate_hz, "code": code, "bits": bits, "channels": list(channels)}


@dataclass
class Sender:
    """Counts scans as firmware would; remembers what was sent."""

    channels: Sequence[str] = ("iu", "iv", "iw")
    code: str = "u16"
    low: int = 0
    high: int = 4095
    number: int = 0
    counter: int = 0
    seed: int = 1
    made: list[Scan] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._random = random.Random(self.seed)

    def scans(self, count: int) -> list[Scan]:
        new = [tuple(self._random.randint(self.low, self.high) for _ in self.channels) for _ in range(count)]
        self.made += new
        return new

    def packet(self, count: int) -> bytes:
        """The next packet."""
        sent = scans_frame(self.number, self.counter, self.scans(count), self.code)
        self.counter += count
        return sent

    def skip(self, count: int) -> None:
        """Count scans that are never sent."""
        self.scans(count)
        self.counter += count


BENCH = """
[bench]
name = "coolant pump, 24 V"
[link]
wire = "{wire}"
{link}
[adc]
bits = {bits}
reference = "3.3 V"
[motor]
pole_pairs = 5
rated_current = "6 A"
{groups}
{channels}
{more}
"""

CHANNEL = """
[[channel]]
name = "{name}"
phase = "{phase}"
place = "in-line"
sensor = "shunt"
shunt = "5 mΩ"
shunt_tolerance = "1 %"
gain = 20
gain_error = "0.3 %"
reference = "mid-supply"
supply = "adc"
"""


def bench_text(
    wire: str = "framed",
    *,
    bits: int = 12,
    link: str = "",
    groups: str = "",
    more: str = "",
    channels: Sequence[str] = ("iu", "iv", "iw"),
) -> str:
    phases = {"iu": "U", "iv": "V", "iw": "W"}
    tables = "".join(CHANNEL.format(name=name, phase=phases.get(name, "none")) for name in channels)
    return BENCH.format(wire=wire, bits=bits, link=link, groups=groups, channels=tables, more=more)
